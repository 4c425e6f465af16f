"""Paths as they are given in Python."""

import os
from pathlib import Path

FilePath = str | os.PathLike[str]


def as_path(path: FilePath | None) -> Path | None:
    """A path, or None."""
    return None if path is None else Path(path)
