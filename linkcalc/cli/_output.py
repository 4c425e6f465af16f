"""What a command prints and writes: reports as wide as the terminal, JSON, files in a folder, lines on stderr."""

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

import typer

if TYPE_CHECKING:
    from linkcalc.area.tiles import Progress


class Screen(TypedDict):
    """What every text report takes besides what it reports."""

    width: int
    colour: bool
    ascii_only: bool


def screen() -> Screen:
    """What the terminal shows: its width from 60 to 110 columns, 80 for a file; colour; other than ASCII."""
    from linkcalc.views.page import abilities

    colour, ascii_only = abilities(sys.stdout, os.environ)
    width = shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80
    return Screen(width=min(max(width, 60), 110), colour=colour, ascii_only=ascii_only)


def show(text: str) -> None:
    """Print a text that ends in its own line feed."""
    typer.echo(text, nl=False)


def show_report(words: Callable[..., str], *about: Any, **options: Any) -> None:
    """Print a report as the terminal can show it."""
    show(words(*about, **screen(), **options))


def json_text(data: Any, **options: Any) -> str:
    """Plain data as JSON; options as of `json.dumps`."""
    from json import dumps

    return dumps(data, indent=2, ensure_ascii=False, allow_nan=False, **options) + "\n"


def tell(line: str) -> None:
    """Write one line on stderr, whatever white space it holds."""
    typer.echo("linkcalc: " + " ".join(line.split()), err=True)


def make_folder(folder: Path) -> None:
    """Make a folder where there is none."""
    from linkcalc.files import made_folder

    made_folder(folder)


def write_files(folder: Path, contents: Mapping[str, str | bytes], pictures: Sequence[Path] = ()) -> None:
    """Write files by name into a folder, beside pictures that are there, and say how many there are now."""
    from linkcalc.files import atomic_write

    make_folder(folder)
    for name, content in contents.items():
        atomic_write(folder / name, content)
    typer.echo(f"wrote {len(pictures) + len(contents)} files to {folder}", err=True)


def write_file(file: Path, content: str | bytes) -> None:
    """Write a file, and say so."""
    from linkcalc.files import atomic_write

    atomic_write(file, content)
    typer.echo(f"wrote {file}", err=True)


class Bar:
    """Share done and time left: one line rewritten on a terminal, else a line now and then."""

    _WIDTH = 24

    def __init__(self, name: str, *, asked: bool) -> None:
        self._name = name
        self._terminal = sys.stderr.isatty()
        self._shown = asked or self._terminal
        self._next = 0.0
        self._open = False

    def __call__(self, at: "Progress") -> None:
        now = time.monotonic()
        if not self._shown or (now < self._next and at.share < 1.0):
            return
        self._next = now + (0.2 if self._terminal else 5.0)
        left = at.seconds_left
        words = f"{at.share:4.0%}" + ("" if left is None else f", {_time_words(left)} left")
        if self._terminal:
            full = round(self._WIDTH * at.share)
            sys.stderr.write(f"\r[{'#' * full}{'.' * (self._WIDTH - full)}] {words}   ")
            self._open = True
        else:
            sys.stderr.write(f"{self._name}: {words.strip()}\n")
        sys.stderr.flush()

    def say(self, line: str) -> None:
        """Write a line of its own."""
        self._end()
        tell(line)

    @contextmanager
    def ended(self) -> Iterator[None]:
        """Leave the terminal's line whatever happens."""
        try:
            yield
        finally:
            self._end()

    def _end(self) -> None:
        if self._open:
            sys.stderr.write("\n")
            self._open = False


def _time_words(seconds: float) -> str:
    """Write a time to wait.

    >>> _time_words(8.2), _time_words(75.0), _time_words(4000.0)
    ('9 s', '1 min 15 s', '1 h 6 min')
    """
    whole = int(seconds) + 1 if seconds % 1 else int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
