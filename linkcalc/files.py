"""Writing files so that a reader never sees half of one."""

import csv
import io
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from linkcalc.errors import LinkcalcError


def atomic_write(path: str | os.PathLike[str], content: bytes | str) -> None:
    """Write a file beside its place, then move it there.

    Whatever goes wrong (a full disk, an interrupt), an old file stays whole and nothing else is left
    behind. An old file keeps its permissions; a symbolic link is followed.

    Parameters
    ----------
    path : str or path
        Where to; its folder must exist.
    content : bytes or str
        Text is written as UTF-8, line ends as they are.

    Raises
    ------
    LinkcalcError
        If the file cannot be written; the text is one line that names it.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp(), "plan.toml")
    >>> atomic_write(file, "title = 'x'")
    >>> file.read_text()
    "title = 'x'"
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    target = Path(os.path.realpath(path))
    try:
        if not target.parent.is_dir():
            raise LinkcalcError(f"{path}: cannot be written: there is no folder {target.parent}")
        if target.exists() and not target.is_file():
            # a folder refuses by itself; a device or a pipe has no old content to keep whole
            target.write_bytes(data)
        else:
            _write_beside_and_move(target, data)
    except OSError as error:
        raise LinkcalcError(f"{path}: cannot be written: {error.strerror or error}") from None


def csv_cell(value: Any) -> Any:
    """Return a value as a spreadsheet shows it: text that would be taken for a formula gets an apostrophe.

    Numbers stay numbers, negative ones too.

    References
    ----------
    Common practice against formula injection: cells that begin with =, +, -, @, a tabulator or a return.

    Examples
    --------
    >>> [csv_cell(v) for v in ("=1+1", "-5.2", "tank 1", "-x", 3.5, None)]
    ["'=1+1", '-5.2', 'tank 1', "'-x", 3.5, None]
    """
    if not isinstance(value, str) or not value.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r")):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def csv_text(rows: Iterable[Sequence[Any]], *, line_end: str = "\n") -> str:
    """Return rows as CSV whose cells a spreadsheet takes for what they are: `csv_cell`.

    >>> csv_text([["name", "margin_db"], ["=1+1", "-3.2"]])
    "name,margin_db\\n'=1+1,-3.2\\n"
    """
    file = io.StringIO()
    csv.writer(file, lineterminator=line_end).writerows([csv_cell(cell) for cell in row] for row in rows)
    return file.getvalue()


def refuse_to_overwrite(paths: Iterable[str | os.PathLike[str]], hint: str = "") -> None:
    """Raise `LinkcalcError` if one of the files is there already.

    >>> refuse_to_overwrite(["/dev/null"], hint="; --force replaces it")
    Traceback (most recent call last):
    linkcalc.errors.LinkcalcError: /dev/null: exists already; --force replaces it
    """
    for path in paths:
        if os.path.lexists(path):
            raise LinkcalcError(f"{path}: exists already{hint}")


def _write_beside_and_move(target: Path, data: bytes) -> None:
    beside = target.with_name(f".{target.name[:80]}.{os.getpid()}.part")
    try:
        with open(beside, "xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            beside.chmod(target.stat().st_mode & 0o7777)
        os.replace(beside, target)
    finally:
        beside.unlink(missing_ok=True)
