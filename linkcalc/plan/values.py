"""Values of a plan by their keys, and a plan written back as the text of a file."""

import copy
import json
import os
import re
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkcalc.errors import PlanError
from linkcalc.files import atomic_write
from linkcalc.plan.base import Section
from linkcalc.plan.keys import sections_of
from linkcalc.plan.wording import quoted
from linkcalc.terrain.sources import is_elsewhere

if TYPE_CHECKING:
    from linkcalc.plan.loading import LoadedPlan

_NAMED = ("station", "link")
"""Lists of tables whose entries go by their name."""


def with_values(tables: Mapping[str, Any], values: Mapping[str, Any]) -> dict[str, Any]:
    """Set values of a plan's tables by key.

    Parameters
    ----------
    tables : mapping
        As in a plan file.
    values : mapping of str to value
        See `LoadedPlan.changed`.

    Returns
    -------
    dict
        A copy.

    Raises
    ------
    PlanError
        If a key leads nowhere.

    Examples
    --------
    >>> tables = {"station": [{"name": "no. 1"}, {"name": "shed", "feeder": {"length_m": 8.0}}]}
    >>> with_values(tables, {"no. 1.antenna_height_m": 4.0, "shed.feeder": None})
    {'station': [{'name': 'no. 1', 'antenna_height_m': 4.0}, {'name': 'shed'}]}
    """
    found: dict[str, Any] = {
        key: value.model_dump(by_alias=True, exclude_unset=True) if isinstance(value, Section) else value
        for key, value in copy.deepcopy(dict(tables)).items()
    }
    for kind in _NAMED:
        if kind in found:
            found[kind] = [
                one.model_dump(by_alias=True, exclude_unset=True) if isinstance(one, Section) else dict(one)
                for one in found[kind]
            ]
    for key, value in values.items():
        table, rest = _start(found, key)
        *down, last = rest.split(".")
        for name in down:
            inner = table.setdefault(name, {})
            if not isinstance(inner, dict):
                raise PlanError(f"{quoted(key)}: {quoted(name)} is no table; set it as a whole")
            table = inner
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
    return found


def _start(tables: dict[str, Any], key: str) -> tuple[dict[str, Any], str]:
    """The table that a key begins at, and what of the key is left.

    A name may be that of a station, of a link and of a table ([tank]) at once: the one that knows the key counts.
    """
    from linkcalc.plan.model import Plan

    sections: dict[str, tuple[type[Section], ...]] = {
        name: tuple(sections_of(field.annotation)) for name, field in Plan.model_fields.items()
    }
    named = [(kind, one) for kind in _NAMED for one in tables.get(kind, ()) if "name" in one]
    places = [
        (entry, rest, kind)
        for kind, entry in named
        for prefix in (f"{entry['name']}.", f"{kind}.{entry['name']}.")
        if key.startswith(prefix) and (rest := key.removeprefix(prefix))
    ]
    first, _, rest = key.partition(".")
    if first in sections and first not in _NAMED and rest:
        places.append((tables, key, first))
    if len(places) > 1:
        nexts = {kind: key.partition(".")[0] for _, key, kind in places} | {first: rest.partition(".")[0]}
        known = [p for p in places if any(nexts[p[2]] in names_of(s) for s in sections[p[2]])]
        places = known or places
    if len(places) > 1:
        raise PlanError(f"{quoted(key)}: several go by this name; write station.NAME or link.NAME")
    if places:
        return places[0][:2]
    if first in sections and not rest:
        return tables, key
    begins = rest.partition(".")[0] if first in _NAMED and rest else first
    words = [*(one["name"] for _, one in named), *sections]
    near = get_close_matches(begins, words, n=1, cutoff=0.0)
    raise PlanError(
        f"{quoted(key)}: {quoted(begins)} is no station, link or key of this plan; nearest is {quoted(near[0])}"
    )


def names_of(section: type[Section]) -> set[str]:
    """Return the keys of a section, as a plan file writes them."""
    return {field.alias or name for name, field in section.model_fields.items()}


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
    """Tables whose files (keys ..._csv and ...rasters) are named as seen from another folder."""
    if isinstance(value, Mapping):
        return {name: _moved(inner, old, new, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [_moved(inner, old, new, key) for inner in value]
    is_file = isinstance(value, str) and key.endswith(("_csv", "rasters"))
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
