"""Writing files so that a reader never sees half of one; and the invented sample files that come with linkcalc.

What cannot be written is a `LinkcalcError`, in one line that names the file.
"""

import csv
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any

from linkcalc.errors import LinkcalcError, shortened

FilePath = str | os.PathLike[str]


def atomic_write(path: FilePath, content: bytes | str) -> None:
    """Write a file beside its place, then move it there.

    Whatever goes wrong (a full disk, an interrupt), an old file stays whole and nothing else is left
    behind. An old file keeps its permissions; a symbolic link is followed. Text is written as UTF-8, line ends as
    they are.

    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp(), "plan.toml")
    >>> atomic_write(file, "title = 'x'")
    >>> file.read_text()
    "title = 'x'"
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    # a move onto a symbolic link would replace the link, not the file it leads to
    target = Path(os.path.realpath(path))
    guarded = _guarded.get()
    if guarded is not None and (guarded == target or guarded in target.parents) and not _own(target, data):
        raise LinkcalcError(f"{path}: exists already and was not written by linkcalc; --force replaces it")
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


_guarded: ContextVar[Path | None] = ContextVar("guarded", default=None)

_SIGNS = (b"<?xml", b"\x89PNG", b"<!DOC")
"""How files begin whoever writes them."""


@contextmanager
def only_own_replaced(place: FilePath | None) -> Iterator[None]:
    """Within, `atomic_write` refuses to replace a file at or below a place that linkcalc did not write.

    Its own name themselves; a table or a list of its own begins as the new one does. None refuses nothing.
    """
    before = _guarded.set(None if place is None else Path(os.path.realpath(place)))
    try:
        yield
    finally:
        _guarded.reset(before)


def _own(file: Path, new: bytes) -> bool:
    """Whether a file is not there, or looks as if linkcalc had written it."""
    try:
        if not file.is_file():
            return True
        old = file.read_bytes()
    except OSError:
        return True  # writing tells what is wrong
    head = 300 if old.startswith(_SIGNS) else 24  # what every such file begins with tells nothing
    return not old or old[:head] == new[:head] or b"linkcalc" in old


def made_folder(place: FilePath) -> Path:
    """A folder, made if missing, with those above it."""
    folder = Path(place)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LinkcalcError(f"{folder}: cannot be made: {error.strerror or error}") from None
    return folder


def refuse_unwritable(place: FilePath, *, folder: bool) -> None:
    """Say before any work that nothing could be written to a folder (made if missing), or to a file.

    >>> refuse_unwritable("/dev/null/out", folder=True)
    Traceback (most recent call last):
    linkcalc.errors.LinkcalcError: /dev/null/out: cannot be made: /dev/null is not a folder
    """
    path = Path(place)
    if not folder and path.is_dir():
        raise LinkcalcError(f"{path}: cannot be written: is a folder; name the file to write in it")
    there = path if folder else path.parent
    if not folder and not there.is_dir():
        raise LinkcalcError(f"{path}: cannot be written: there is no folder {there}")
    # missing folders are made: the nearest one that exists decides whether they can be
    while not os.path.lexists(there) and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise LinkcalcError(f"{path}: cannot be {'made' if folder else 'written'}: {there} is not a folder")
    if not os.access(there, os.W_OK):
        raise LinkcalcError(f"{path}: cannot be written: no permission in {there}")


def csv_cell(value: Any) -> Any:
    """Return a value as a spreadsheet shows it: text that would be taken for a formula gets an apostrophe.

    Numbers stay numbers, negative ones too. Common practice against formula injection: cells that begin with
    =, +, -, @, a tabulator or a return.

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


def refuse_to_overwrite(paths: Iterable[FilePath], hint: str = "") -> None:
    """Refuse if one of the files is there already.

    >>> refuse_to_overwrite(["/dev/null"], hint="; --force replaces it")
    Traceback (most recent call last):
    linkcalc.errors.LinkcalcError: /dev/null: exists already; --force replaces it
    """
    for path in paths:
        if os.path.lexists(path):
            raise LinkcalcError(f"{path}: exists already{hint}")


def _write_beside_and_move(target: Path, data: bytes) -> None:
    # in the same folder: a move is atomic within one file system only
    beside = target.with_name(f".{target.name[:80]}.{os.getpid()}.part")
    try:
        with open(beside, "xb") as file:
            file.write(data)
            file.flush()
            # on the disk before the move: after a power cut the new name could else stand for an empty file
            os.fsync(file.fileno())
        if target.exists():
            beside.chmod(target.stat().st_mode & 0o7777)
        os.replace(beside, target)
    finally:
        beside.unlink(missing_ok=True)


_HERE = Path(__file__).parent


def samples_folder() -> Path:
    """The folder of the samples, not to be written to: ``linkcalc/samples``, in a clone ``terrain_samples``.

    >>> sorted(path.stem for path in samples_folder().glob("*.toml"))
    ['plain', 'upland', 'upland_fleet', 'wooded']
    """
    for folder in (_HERE / "samples", _HERE.parent / "terrain_samples"):
        if (folder / "upland.toml").is_file():
            return folder
    raise LinkcalcError(f"the sample plans are not where linkcalc is installed, {_HERE}")


def sample_names() -> list[str]:
    """The names of the sample plans; those of fleets end in ``_fleet``.

    >>> sample_names()
    ['plain', 'upland', 'wooded']
    """
    return sorted(p.stem for p in samples_folder().glob("*.toml") if not p.stem.endswith("_fleet"))


def sample_path(name: str) -> Path:
    """Return the file of a sample: a plan, the fleet, or a list that goes with them.

    Parameters
    ----------
    name : str
        Of a plan ("plain", "upland", "wooded"); "upland_fleet", its list "upland_tanks"; "upland_readings" of
        that plan's link, and "upland_spots".

    Returns
    -------
    Path

    Raises
    ------
    LinkcalcError
        If there is no such sample.

    Examples
    --------
    >>> sample_path("upland").name, sample_path("upland_readings").name
    ('upland.toml', 'upland_readings.csv')
    """
    files = [p for p in sorted(samples_folder().iterdir()) if p.suffix in (".toml", ".csv")]
    found = next((file for file in files if file.stem == name), None)
    if found is None:
        raise LinkcalcError(f"unknown sample {shortened(name)}; samples: {', '.join(p.stem for p in files)}")
    return found


def copy_samples(folder: str | Path, *, replace: bool = False) -> list[Path]:
    """Copy the samples into a folder (made if missing), where they may be changed; returns the files.

    >>> import tempfile
    >>> [path.name for path in copy_samples(tempfile.mkdtemp())][:2]
    ['plain.tif', 'plain.toml']
    """
    target = Path(folder)
    sources = sorted(p for p in samples_folder().iterdir() if p.suffix in (".toml", ".tif", ".csv"))
    copies = [target / source.name for source in sources]
    if not replace:
        refuse_to_overwrite(copies, "; --force replaces it")
    made_folder(target)
    for source, copy in zip(sources, copies, strict=True):
        atomic_write(copy, source.read_bytes())
    return copies
