"""A plan written back as the text of a file."""

import json
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkcalc.files import atomic_write
from linkcalc.terrain.sources import is_elsewhere

if TYPE_CHECKING:
    from linkcalc.plan.loading import LoadedPlan


def toml(tables: Mapping[str, Any]) -> str:
    """Write a plan's tables as TOML that reads back equal.

    >>> print(toml({"title": "a", "station": [{"name": "tank", "antenna": {"gain_dbi": 2.0}}]}), end="")
    title = "a"
    <BLANKLINE>
    [[station]]
    name = "tank"
    antenna = { gain_dbi = 2.0 }
    """
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
    """Write a value on one line.

    >>> value_text({"type": "yagi", "gain_dbi": 9.5, "losses": [{"loss_db": 1.0}]})
    '{ type = "yagi", gain_dbi = 9.5, losses = [{ loss_db = 1.0 }] }'
    """
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {value_text(v)}" for k, v in value.items()) + " }" if value else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(v) for v in value) + "]"
    # text, numbers and truth are written alike in JSON and TOML
    return json.dumps(value, ensure_ascii=False)


def written(loaded: "LoadedPlan", path: Path) -> None:
    """Write a plan, and the profiles that were given in Python beside it."""
    tables = loaded.tables()
    tables = _moved(tables, loaded.base_dir, path.parent)
    profiles = dict(_profile_files(loaded, path))
    for name, (file, _) in profiles.items():
        next(k for k in tables["link"] if k["name"] == name)["profile_csv"] = file.name
    for file, text in profiles.values():
        atomic_write(file, text)
    atomic_write(path, toml(tables))


def _moved(value: Any, old: Path, new: Path, key: str = "") -> Any:
    """Tables whose files (keys ..._csv, ..._file and ...rasters) are named as seen from another folder."""
    if isinstance(value, Mapping):
        return {name: _moved(inner, old, new, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [_moved(inner, old, new, key) for inner in value]
    is_file = isinstance(value, str) and key.endswith(("_csv", "_file", "rasters"))
    if not is_file or is_elsewhere(value) or os.path.isabs(value) or old.resolve() == new.resolve():
        return value
    return Path(os.path.relpath(old.resolve() / value, new.resolve())).as_posix()


def _profile_files(loaded: "LoadedPlan", path: Path) -> Iterator[tuple[str, tuple[Path, str]]]:
    for number, (name, profile) in enumerate(loaded.profiles.items(), 1):
        words = re.sub(r"[^\w-]+", "_", name).strip("_") or str(number)
        columns = (profile.distance_m, profile.ground_m, profile.clutter_m)
        rows = (
            f"{x!r},{ground!r},{clutter!r},{kind},{zone}"
            for x, ground, clutter, kind, zone in zip(
                *(c.tolist() for c in columns), profile.clutter_kind, profile.zone.tolist(), strict=True
            )
        )
        head = "distance_m,ground_m,clutter_m,clutter_kind,zone"
        yield name, (path.with_name(f"{path.stem}_{words}.csv"), "\n".join([head, *rows]) + "\n")
