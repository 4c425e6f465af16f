"""Single keys of a plan file set to other values: in its tables, and in its text with its comments kept.

Every function here raises `PlanError` where there is nothing so written, or it cannot be edited safely.
"""

import copy
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from linkcalc.errors import PlanError, printable, quoted
from linkcalc.plan.base import element, shown
from linkcalc.plan.keys import sections_of
from linkcalc.plan.model import Plan
from linkcalc.plan.syntax import value_text

_LISTS = ("station", "link", "message", "power")
"""Tables that are several, each known by its name (a supply by its station)."""

_TERRAIN_HEADER = re.compile(r"^\s*\[terrain\]\s*(#.*)?$")


@dataclass(frozen=True)
class Edit:
    """One key of a plan with another value."""

    table: str
    """``station``, ``link``, ``conditions`` ...; empty for the top of the file."""
    name: str | None
    """Which one, of tables that are several."""
    key: tuple[str, ...]
    """Below it: ``("antenna", "gain_dbi")``."""
    value: Any
    """As in the file; None takes the key away."""

    @property
    def place(self) -> str:
        """The key as messages name it.

        >>> Edit("station", "tank", ("antenna", "gain_dbi"), 5.5).place
        'station "tank" antenna.gain_dbi'
        """
        inside = ".".join(self.key)
        if self.name is not None:
            return f"{element(self.table, 0, self.name)} {inside}"
        return f"{self.table}.{inside}" if self.table else inside


def edited(tables: Mapping[str, Any], edits: Sequence[Edit]) -> dict[str, Any]:
    """Return a plan file's tables with keys set."""
    after = copy.deepcopy(dict(tables))
    for edit in edits:
        _set(after, edit, dict, dict)
    return after


def setting(text: str, tables: Mapping[str, Any]) -> Edit:
    """Read a key and its value as typed on a command line, where words need no quotes: ``tank.antenna_height_m=8``.

    Whether the plan has such a key shows when the changed plan is checked.

    >>> plan = {"station": [{"name": "header tank"}], "link": [{"name": "level"}]}
    >>> setting("header tank.antenna.gain_dbi=5.5", plan)
    Edit(table='station', name='header tank', key=('antenna', 'gain_dbi'), value=5.5)
    >>> setting("headertank.antenna_height_m=8", plan)
    Traceback (most recent call last):
    linkcalc.errors.PlanError: headertank.antenna_height_m=8: unknown station, link, message or section\
 "headertank"; did you mean "header tank"?
    """
    path, equals, value = text.partition("=")
    path = path.strip()
    if not equals or not path or not value.strip():
        raise PlanError(f"{printable(text)}: write NAME.KEY=VALUE, such as tank.antenna_height_m=8")
    return edit_at(path, _value(value), tables, said=text)


def edit_at(path: str, value: Any, tables: Mapping[str, Any], *, said: str | None = None) -> Edit:
    """Find the key that a path leads to: ``tank.antenna.gain_dbi``, ``station.tank.antenna.gain_dbi``, ``title``.

    Where a name is that of several tables (a station "tank" and [tank]), the one that knows the key counts. Errors
    call it what was `said`, by default the path.

    >>> plan = {"station": [{"name": "tank"}], "link": [{"name": "level"}], "tank": {}}
    >>> edit_at("tank.antenna_height_m", 8, plan).place, edit_at("tank.shape", "cuboid", plan).place
    ('station "tank" antenna_height_m', 'tank.shape')
    """
    said = path if said is None else said
    named = list(_named(tables))
    starts = [(start, table, name) for table, name in named for start in (name, f"{table}.{name}")]
    # a name may hold a point: the longest that fits is meant
    longest = max((len(start) for start, _, _ in starts if path.startswith(f"{start}.")), default=0)
    found = [
        Edit(table, name, tuple(path[longest + 1 :].split(".")), value)
        for start, table, name in starts
        if len(start) == longest and path.startswith(f"{start}.")
    ][::-1]
    head, *rest = path.split(".")
    if head in Plan.model_fields and not (rest and head in _LISTS):
        found.append(Edit(head if rest else "", None, tuple(rest or [head]), value))
    if found:
        return next((e for e in found if e.key[0] in _keys_of(e.table)), found[0])
    if path in {start for start, _, _ in starts}:
        raise PlanError(f"{printable(said)}: which key of it? Write {path}.KEY=VALUE")
    known = [*dict.fromkeys(name for _, name in named), *(k for k in Plan.model_fields if k not in _LISTS)]
    if head in _LISTS:
        head = rest[0] if rest else head
    near = get_close_matches(head, known, n=1, cutoff=0.5)
    remedy = f"did you mean {quoted(near[0])}?" if near else f"known: {', '.join(quoted(k) for k in known)}"
    raise PlanError(f"{printable(said)}: unknown station, link, message or section {quoted(head)}; {remedy}")


def _keys_of(table: str) -> set[str]:
    """Keys that a table of the plan may have; of the top, its own."""
    sections = sections_of(Plan.model_fields[table].annotation) if table else [Plan]
    return {field.alias or name for section in sections for name, field in section.model_fields.items()}


def _named(tables: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Every table that has a name; those that come first in `_LISTS` last, so that they win."""
    for table in reversed(_LISTS):
        found = tables.get(table)
        for one in found if isinstance(found, list) else []:
            name = one.get("station" if table == "power" else "name") if isinstance(one, Mapping) else None
            if isinstance(name, str):
                yield table, name


def _value(text: str) -> Any:
    """A value as in TOML; what is none there is text."""
    try:
        return tomllib.loads(f"value = {text.strip()}")["value"]
    except (tomllib.TOMLDecodeError, KeyError):
        return text.strip()


def edited_text(text: str, edits: Sequence[Edit], head: str = "") -> str:
    """Set keys in a plan file's text, below a head of comments; comments, order and all other values stay as they
    were.

    A line that holds one value says what it was.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        for edit in edits:
            _set(document, edit, tomlkit.inline_table, tomlkit.table)
        written = tomlkit.dumps(document)
        # the text counts only if it reads back as the tables that were meant, however the file is written
        right = tomllib.loads(written) == edited(tomllib.loads(text), edits)
    except (TOMLKitError, tomllib.TOMLDecodeError, TypeError, ValueError, KeyError):
        right = False
    if not right:
        lines = "; ".join(f"{e.place} = {shown(e.value)}" for e in edits)
        raise PlanError(f"is written in a form that is not changed by a program; set in it: {lines}")
    comments = "".join(f"# {line}".rstrip() + "\n" for line in head.split("\n")) if head else ""
    return comments + written


def _set(tables: Any, edit: Edit, new_table: Any, new_section: Any) -> None:
    """Set one key in tables, plain ones or those that keep their comments."""
    here = tables
    if edit.name is not None:
        key = "station" if edit.table == "power" else "name"
        here = next(one for one in tables[edit.table] if one.get(key) == edit.name)
    elif edit.table:
        here = _below(tables, edit.table, new_section)
    *above, last = edit.key
    for part in above:
        here = _below(here, part, new_table)
    if edit.value is None:
        here.pop(last, None)
    else:
        here[last] = (
            _with_comment(here, last, edit.value) if hasattr(here, "as_string") else copy.deepcopy(edit.value)
        )


def _below(here: Any, key: str, new_table: Any) -> Any:
    if not isinstance(here.get(key), Mapping):
        here[key] = new_table()
    return here[key]


def _with_comment(here: Any, key: str, value: Any) -> Any:
    """A value as an item of tables that keep their comments; one that stands on a line says what was there."""
    import tomlkit
    from tomlkit.items import InlineTable

    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        inline.update(value)
        return inline
    old, item = here.get(key), tomlkit.item(value)
    if not isinstance(here, InlineTable) and old is not None and not isinstance(value, list):
        was = f"(was {shown(old.unwrap() if hasattr(old, 'unwrap') else old)})"
        said = old.trivia.comment.lstrip("# ") if hasattr(old, "trivia") else ""
        item.comment(f"{said} {was}".strip())
        item.trivia.comment_ws = getattr(old.trivia, "comment_ws", "") or "  "
    return item


def terrain_lines(values: Mapping[str, Any]) -> list[str]:
    """Write keys of [terrain] as lines, long lists one element a line."""
    lines = []
    for key, value in values.items():
        text = value_text(value)
        if isinstance(value, list) and len(text) > 80:
            lines += [f"{key} = [", *(f"  {value_text(v)}," for v in value), "]"]
        else:
            lines.append(f"{key} = {text}")
    return lines


def with_terrain(text: str, values: Mapping[str, Any]) -> str:
    """Set keys of a plan file's [terrain]; comments, order and all other values stay as they were."""
    import tomlkit

    before = tomllib.loads(text)
    document = tomlkit.parse(text)
    for key in values:
        document.get("terrain", {}).pop(key, None)
    lines = tomlkit.dumps(document).split("\n")
    at = next((i for i, line in enumerate(lines) if _TERRAIN_HEADER.match(line)), None)
    if at is None:
        lines += [*([""] if lines[-1] else []), "[terrain]", *terrain_lines(values), ""]
    else:
        # at its head, not behind comments that speak of the next section
        lines[at + 1 : at + 1] = terrain_lines(values)
    written = "\n".join(lines)
    try:
        right = tomllib.loads(written) == {**before, "terrain": {**before.get("terrain", {}), **values}}
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        raise PlanError(
            f"[terrain] is written in a form that is not changed by a program; set in it: "
            f"{'; '.join(terrain_lines(values))}"
        )
    return written
