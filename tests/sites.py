"""Invented sites for the tests of the link chain: profiles, cases and plan files of every kind."""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.link.case import LinkCase
from linkcalc.plan import Conditions, Link, Station
from linkcalc.terrain.profile import Profile

Ground = Callable[[np.ndarray], np.ndarray] | float
"""Height above sea level as a function of the distance in metres, or one height everywhere."""

Standing = tuple[float, float, float, str]
"""From and to (m from the first station), height above ground (m), kind."""


def profile(
    length_m: float,
    ground: Ground = 100.0,
    standing: tuple[Standing, ...] = (),
    *,
    points: int = 101,
    latitude_deg: float | None = None,
) -> Profile:
    """A profile with what stands on it."""
    x = np.linspace(0.0, length_m, points)
    z = np.full(points, ground) if isinstance(ground, int | float) else ground(x)
    clutter, kind = np.zeros(points), np.full(points, "", dtype=object)
    for start, end, height, what in standing:
        here = (x >= start) & (x <= end) & (x > 0.0) & (x < length_m)
        clutter[here], kind[here] = height, what if height else ""
    where = None if latitude_deg is None else np.full(points, latitude_deg)
    zone = np.full(points, 4, np.int8)
    return Profile(x, z.astype(float), clutter, tuple(kind), zone, where, where, "invented", 0.0, ())


def mirrored(p: Profile) -> Profile:
    """The same path seen from its other end."""
    return replace(
        p,
        distance_m=p.length_m - p.distance_m[::-1],
        ground_m=p.ground_m[::-1].copy(),
        clutter_m=p.clutter_m[::-1].copy(),
        clutter_kind=p.clutter_kind[::-1],
        zone=p.zone[::-1].copy(),
    )


def ridge(height_m: float, at_m: float, width_m: float, base_m: float = 100.0) -> Ground:
    """Level ground with one rounded ridge across it."""

    def ground(x: np.ndarray) -> np.ndarray:
        z: np.ndarray = base_m + height_m * np.exp(-(((x - at_m) / width_m) ** 2))
        return z

    return ground


def case(
    path: Profile | None = None,
    *,
    tank: Mapping[str, Any] = {},
    shed: Mapping[str, Any] = {},
    link: Mapping[str, Any] = {},
    conditions: Mapping[str, Any] = {},
    azimuth_deg: float = 90.0,
) -> LinkCase:
    """A tank 3 m and a shed 6 m up, 2 km apart on level ground, unless stated otherwise."""
    near = {"name": "tank", "antenna_height_m": 3.0, **tank}
    far = {"name": "shed", "antenna_height_m": 6.0, **shed}
    how = {
        "name": "level",
        "from": "tank",
        "to": "shed",
        "frequency_mhz": 868.0,
        "modulation": {"kind": "css", "spreading_factor": 9},
        **link,
    }
    return LinkCase(
        Link.model_validate(how),
        Station.model_validate(near),
        Station.model_validate(far),
        Conditions.model_validate(dict(conditions)),
        path if path is not None else profile(2000.0),
        azimuth_deg,
        (azimuth_deg + 180.0) % 360.0,
    )


def plan_file(folder: Path, *cases: LinkCase, name: str = "plan.toml", text: str = "") -> Path:
    """Write cases as one plan with a surveyed profile each; stations are told apart by their names."""
    stations = {s.name: s for c in cases for s in (c.near, c.far)}
    links = []
    for number, c in enumerate(cases):
        survey = folder / f"{Path(name).stem}-{number}.csv"
        survey.write_text(csv(c.profile))
        links.append({**c.link.model_dump(by_alias=True, exclude_unset=True), "profile_csv": survey.name})
    file = folder / name
    file.write_text(
        'title = "invented"\n'
        + f"station = {toml([s.model_dump(by_alias=True, exclude_unset=True) for s in stations.values()])}\n"
        + f"link = {toml(links)}\n"
        + f"conditions = {toml(cases[0].conditions.model_dump(exclude_unset=True))}\n"
        + text
    )
    return file


def csv(p: Profile) -> str:
    """A profile as a surveyed one."""
    rows = zip(p.distance_m, p.ground_m, p.clutter_m, p.clutter_kind, p.zone, strict=True)
    lines = [f"{d!r},{g!r},{c!r},{k},{z}" for d, g, c, k, z in ((*map(float, r[:3]), *r[3:]) for r in rows)]
    return "\n".join(["distance_m,ground_m,clutter_m,clutter_kind,zone", *lines]) + "\n"


def toml(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items() if v is not None) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return json.dumps(value)
