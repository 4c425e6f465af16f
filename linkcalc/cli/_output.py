"""What a command prints and writes: reports as wide as the terminal, JSON, files in a folder, lines on stderr."""

import os
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypedDict

import typer

from linkcalc.files import atomic_write, made_folder


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


def show_answer(words: Callable[..., str], *about: Any, as_json: str | None = None, **options: Any) -> None:
    """Print JSON where there is some, else the report as the terminal can show it."""
    show(words(*about, **screen(), **options) if as_json is None else as_json)


def tell(line: str) -> None:
    """Write one line on stderr, whatever white space it holds."""
    typer.echo("linkcalc: " + " ".join(line.split()), err=True)


def write_files(folder: Path, contents: Mapping[str, str | bytes], pictures: Sequence[Path] = ()) -> None:
    """Write files by name into a folder, beside pictures that are there, and say how many there are now."""
    made_folder(folder)
    for name, content in contents.items():
        atomic_write(folder / name, content)
    typer.echo(f"wrote {len(pictures) + len(contents)} files to {folder}", err=True)


def write_file(file: Path, content: str | bytes) -> None:
    """Write a file, and say so."""
    atomic_write(file, content)
    typer.echo(f"wrote {file}", err=True)
