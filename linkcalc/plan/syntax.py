"""From the bytes of a plan file to its tables, and back; what is not TOML is named with its line and a remedy."""

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from linkcalc.errors import PlanError, printable

_MOST_POINTS = 1000

_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_TWICE = re.compile(r"Cannot declare \((.*?),?\) twice")

_REMEDIES = (
    (r"=\s*([-+]?\d+),(\d+)", "the comma in {1},{2}: write {1}.{2} with a decimal point"),
    (r'"[^"]*\\', "a backslash in double quotes is special: write the path with / or in single quotes"),
    (r"=\s*(?:\"[^\"]*|'[^']*)$", "the closing quote is missing"),
    ("[“”„‘’«»]", "typographic quotes: write straight ones"),
    (r"=\s*(?:True|TRUE|False|FALSE)\b", "write true and false in small letters"),
    (r"=\s*[-+]?0\d", "write the number without leading zeros"),
    (r"=\s*[-+]?(?:\.\d|\d+\.(?!\d))", "write a digit on both sides of the decimal point"),
    (r"=\s*[-+]?\d[\d.]*\s*[A-Za-z%°µ]", "write the number alone: the key's name holds the unit"),
    (r"=\s*([A-Za-z_][\w -]*?)\s*(?:#.*)?$", 'write text in quotes: "{1}"'),
    (r"=\s*(?:#.*)?$", "the value is missing"),
    (r"^\s*[\w-]+\s*:", "write = between key and value, not a colon"),
)


def parsed(raw: bytes) -> dict[str, Any]:
    """Read the TOML text of a plan file (UTF-8, a byte order mark is accepted); the error does not name the file.

    >>> parsed(b"height_m = 6,5")
    Traceback (most recent call last):
    linkcalc.errors.PlanError: line 1, column 13: the comma in 6,5: write 6.5 with a decimal point
    """
    text = _decoded(raw)
    # the parser's time grows with the square of the parts of a dotted key
    if any(line.count(".") > _MOST_POINTS for line in text.split("\n")):
        raise PlanError(f"has a line with more than {_MOST_POINTS} points: not a plan file")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(_line(str(error), text)) from None
    except RecursionError:
        raise PlanError("tables or lists are nested too deeply to be a plan") from None
    except ValueError:
        # the only other refusal: an integer of more digits than Python converts
        long = re.search(r"[\d_]{4000}", text)
        place = f"line {text.count(chr(10), 0, long.start()) + 1}: " if long else ""
        raise PlanError(f"{place}a number of thousands of digits") from None


def _decoded(raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise PlanError("is UTF-16 text; save it as UTF-8")
    if b"\x00" in raw:
        raise PlanError("is binary data or UTF-16 text; save it as UTF-8 text")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        line = before.count(b"\n") + 1
        byte = raw[error.start : error.start + 1]
        guess = byte.decode("latin-1")
        reading = f" ({guess} in Latin-1)" if guess.isprintable() else ""
        raise PlanError(
            f"line {line}: byte 0x{byte.hex()}{reading} is not UTF-8; save the file as UTF-8"
        ) from None


def _line(message: str, text: str) -> str:
    """Add a remedy to the parser's message, judging by the source line it points at."""
    at = _POSITION.search(message)
    what = _POSITION.sub("", message)
    number, column = (int(at[1]), int(at[2])) if at and at[1] else (text.rstrip().count("\n") + 1, 0)
    # tomllib counts lines by line feeds alone
    source = text.replace("\r\n", "\n").split("\n")[number - 1][:400]
    place = f"line {number}" + (f", column {column}" if column else "")
    if twice := _TWICE.match(what):
        name = twice[1].replace("'", "").replace(", ", ".")
        return printable(
            f"{place}: [{name}] stands twice; keep one, or write [[{name}]] if several are meant"
        )
    if what == "Cannot overwrite a value":
        return f"{place}: this key or table is given twice"
    if what.startswith("Invalid statement") and source.lstrip().startswith(("{", "<", "---")):
        return f"{place}: not a TOML plan file; `linkcalc new` writes a starter plan"
    for pattern, remedy in _REMEDIES:
        if found := re.search(pattern, source):
            return printable(f"{place}: {remedy.format('', *found.groups())}")
    return printable(f"{place}: {what[0].lower()}{what[1:]}")


def toml(tables: Mapping[str, Any]) -> str:
    """Write a plan's tables as TOML that reads back equal."""
    lines = [f"{key} = {value_text(value)}" for key, value in tables.items() if not _is_table(value)]
    for key, value in tables.items():
        if _is_table(value):
            for header, table in (
                [(f"[{key}]", value)]
                if isinstance(value, Mapping)
                else [(f"[[{key}]]", entry) for entry in value]
            ):
                lines += [*([""] if lines else []), header]
                lines += [f"{inner} = {value_text(v)}" for inner, v in table.items()]
    return "\n".join(lines) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping) or (
        isinstance(value, list | tuple) and bool(value) and all(isinstance(v, Mapping) for v in value)
    )


def value_text(value: Any) -> str:
    """Write a value on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {value_text(v)}" for k, v in value.items()) + " }" if value else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(v) for v in value) + "]"
    # text, numbers and truth are written alike in JSON and TOML
    return json.dumps(value, ensure_ascii=False)
