"""A plan with remedies made: links and stations put in place of others, and the keys that then differ."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from linkcalc.errors import LinkcalcError
from linkcalc.link.result import Change
from linkcalc.plan import Link, LoadedPlan, Plan, Station
from linkcalc.plan.edits import Edit, setting
from linkcalc.plan.stations import position_deg
from linkcalc.plan.syntax import parsed
from linkcalc.terrain import geodesy

LONG_CABLE_M = 40.0
"""From here a thicker cable is laid."""


def edit_of(change: Change) -> Edit:
    """A change as it is made in the plan file."""
    return Edit(change.table, change.name, tuple(change.key.split(".")), change.value)


def text_and_settings(loaded: LoadedPlan) -> tuple[str, list[Edit]]:
    """A plan file's text, read again, and what was set otherwise when it was loaded."""
    try:
        text = loaded.path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LinkcalcError(f"{loaded.path}: cannot be read again: {error}") from None
    return text, [setting(s, parsed(text.encode())) for s in loaded.settings]


def moved_station(station: Station, distance_m: float, bearing_deg: float) -> Station:
    """A station's antenna put elsewhere, with the cable that leads there."""
    lat, lon = position_deg(station)
    longitude, latitude, _ = geodesy.ellipsoid().fwd(lon, lat, bearing_deg, distance_m)
    f = station.feeder
    update: dict[str, Any] = {"length_m": round(f.length_m + distance_m, 1)}
    if f.length_m == 0.0:
        update |= {"type": "rg213", "connectors": max(f.connectors, 2), "arrestor": True}
    if f.length_m + distance_m > LONG_CABLE_M:
        update |= {"type": "half_inch_foam", "loss_db_per_100m": None}
    changes: dict[str, Any] = {"feeder": f.model_copy(update=update)}
    if station.mast_foot_m:
        changes["mast_foot_m"] = 0.0  # the new place carries no mast
    if station.epsg is not None:
        to_grid = geodesy.transformer("EPSG:4326", f"EPSG:{station.epsg}")
        east, north = to_grid.transform(longitude, latitude)
        changes |= {"easting_m": round(east, 1), "northing_m": round(north, 1)}
    else:
        changes |= {
            "latitude_deg": round(latitude, 6),
            "longitude_deg": round(longitude, 6),
        }
    return station.model_copy(update=changes)


def link_of(plan: Plan, name: str) -> Link:
    return next(k for k in plan.link if k.name == name)


def plan_with(plan: Plan, link: Link, stations: Sequence[Station]) -> Plan:
    """A plan with one link and some stations in place of those of the same names."""
    new = {s.name: s for s in stations}
    return plan.model_copy(
        update={
            "station": [new.get(s.name, s) for s in plan.station],
            "link": [link if k.name == link.name else k for k in plan.link],
        }
    )


def changes_between(before: Plan, after: Plan) -> Iterator[Change]:
    """All keys in which two plans of the same stations and links differ."""
    for table in ("link", "station"):
        for old, new in zip(getattr(before, table), getattr(after, table), strict=True):
            if old != new:
                stated, wanted = (s.model_dump(by_alias=True, exclude_unset=True) for s in (old, new))
                yield from _differences(table, old.name, "", stated, wanted, old.model_dump(by_alias=True))


def _differences(
    table: str,
    name: str,
    prefix: str,
    old: Mapping[str, Any],
    new: Mapping[str, Any],
    whole: Mapping[str, Any],
) -> Iterator[Change]:
    for key in dict.fromkeys((*old, *new)):
        a, b, counted = old.get(key), new.get(key), whole.get(key)
        # a key that now states its default changes nothing
        if a == b or counted == b:
            continue
        if isinstance(b, Mapping):
            below = counted if isinstance(counted, Mapping) else {}
            yield from _differences(table, name, f"{prefix}{key}.", a or {}, b, below)
        else:
            # an empty list is no entry at all in a plan file: the key goes
            yield Change(table, name, f"{prefix}{key}", counted, b or None if isinstance(b, list) else b)
