"""The commented plan that a new user starts from, written from the plan's own sections."""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from linkcalc.plan.keys import Place, allowed, bounds_of, header_of, kind_of, sections_of, words_of
from linkcalc.plan.model import Plan
from linkcalc.rules.starts import START

if TYPE_CHECKING:
    from linkcalc.sites import Site

_WIDTH = 96

_INVENTED = "Everything in it is invented: replace it by what stands on your site."
_PLACES_ARE_GIVEN = (
    "Names and positions are those that were given; all else is invented:\nreplace it by what stands on "
    "your site."
)

_HEAD = f"""\
Plan for linkcalc. {_INVENTED}
Check it with: linkcalc check {{name}}

A line that begins with #key = ... sets nothing: it shows what is assumed when the key is left out,
or an example. Take the # away to set it. Units stand at the end of the keys' names (_m, _mhz, _dbm).
What is marked [assumed] is named in the result, with its source, when it is left out.
Decimals take a point, text takes quotes, paths are written with / and are relative to this file.

The radio link is no safety function and no emergency stop, however large its margin.
"""

_SCENARIO: dict[str, Any] = {
    "title": "Invented example: water tank and generator shed",
    "station": [
        {
            "name": "tank",
            "antenna_height_m": 4.0,
            "transmit_power_dbm": 14.0,
            "noise_figure_db": 6.0,
            "noise_environment": "rural",
            "antenna": {"type": "half_wave_dipole", "polarisation": "vertical"},
        },
        {
            "name": "shed",
            "antenna_height_m": 6.0,
            "transmit_power_dbm": 14.0,
            "noise_rise_db": 6.0,
            "antenna": {"type": "half_wave_dipole", "polarisation": "vertical"},
            "feeder": {"type": "rg213", "length_m": 8.0, "connectors": 2, "arrestor": True},
        },
    ],
    "link": [
        {
            "name": "level",
            "from": "tank",
            "to": "shed",
            "frequency_mhz": 868.3,
            "payload_bytes": 20,
            "reply_payload_bytes": 8,
            "required_margin_db": 20.0,
            "modulation": {"kind": "css", "spreading_factor": 9, "bandwidth_khz": 125.0},
        }
    ],
    "terrain": {},
    "conditions": {"climate": "temperate", "leaf": "in_leaf"},
    "regulation": {"report_interval_s": 600.0},
    "power": [{"station": "tank", "battery": {"chemistry": "li_socl2", "capacity_mah": 13000.0}}],
    "message": [
        {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 3},
        {"name": "stop", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 3},
    ],
    "tank": {
        "shape": {"kind": "upright_cylinder", "diameter_m": 5.0, "height_m": 2.5},
        "start_percent": 40.0,
        "stop_percent": 92.0,
        "high_high_percent": 98.0,
        "pump_flow_m3_h": 5.0,
        "draw_m3_h": 0.4,
    },
    "engine": {"watchdog_s": 1800.0, "max_run_time_h": 8.0, "fuel_l_per_h": 2.5},
    "antenna_choice": [
        {"name": "dipole", "type": "half_wave_dipole"},
        {"name": "long collinear", "type": "collinear", "gain_dbi": 8.0},
    ],
    "feeder_choice": [
        {"name": "10 m of the thick cable", "type": "half_inch_foam", "length_m": 10.0, "connectors": 2},
    ],
}

_PROFILE = (
    (0, 61.0, 0), (80, 59.5, 0), (160, 57.0, 0), (240, 55.0, 0), (320, 53.0, 0), (400, 51.5, 1),
    (480, 50.5, 2), (560, 50.0, 3), (640, 50.5, 3), (720, 51.5, 0), (800, 53.0, 0), (880, 55.0, 0),
    (960, 56.0, 0), (1040, 57.5, 0), (1120, 59.0, 0), (1200, 60.0, 0),
)  # fmt: skip


def starter_plan(
    name: str,
    *,
    profile_csv: str | None = None,
    terrain: Mapping[str, Any] | None = None,
    sites: "Sequence[Site]" = (),
    invented_sites: bool = False,
    region: str | None = None,
) -> str:
    """Write a plan with every key: set to an invented value, or shown behind a #.

    Parameters
    ----------
    name : str
        File name that the plan will have.
    profile_csv : str or None
        Surveyed profile the link refers to.
    terrain : mapping or None
        Keys of [terrain]: the rasters the plan refers to.
    sites : sequence of Site
        Where stations stand, two or more; each is linked with the last.
    invented_sites : bool
        Whether the sites are examples too, and keep the example's names.
    region : str or None
        Region of the legal limits; channel and power are then legal ones of that region.

    Returns
    -------
    str
        TOML text. It loads as it stands if the files it refers to exist.

    Examples
    --------
    >>> print(starter_plan("site.toml", profile_csv="site.csv").splitlines()[0])
    # Plan for linkcalc. Everything in it is invented: replace it by what stands on your site.
    """
    values = _in_region(region)
    if profile_csv is not None:
        values["link"] = [{**link, "profile_csv": profile_csv} for link in values["link"]]
    if terrain:
        values["terrain"] = dict(terrain)
    if sites:
        values |= _placed(values, sites)
    text = _HEAD.format(name=name)
    if sites and not invented_sites:
        values["title"] = f"Links to {sites[-1].name}"
        text = text.replace(_INVENTED, _PLACES_ARE_GIVEN)
    head = [f"# {line}".rstrip() for line in text.splitlines()]
    return "\n".join([*head, "", *_table(Place((), "", Plan), values, shown=True)]) + "\n"


def _placed(scenario: Mapping[str, Any], sites: "Sequence[Site]") -> dict[str, Any]:
    """Stations and links of the scenario at given sites; the last is the shed."""
    tank, shed = scenario["station"]
    *ends, hub = sites
    stations = [
        {
            **like,
            "name": site.name,
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "antenna_height_m": site.antenna_height_m or like["antenna_height_m"],
        }
        for site, like in (*((end, tank) for end in ends), (hub, shed))
    ]
    link = scenario["link"][0]
    names = [link["name"]] if len(ends) == 1 else [f"{end.name}"[:60] for end in ends]
    return {
        "station": stations,
        "link": [
            {**link, "name": name, "from": end.name, "to": hub.name}
            for name, end in zip(names, ends, strict=True)
        ],
        "power": [{**scenario["power"][0], "station": ends[0].name}],
        "message": [{**message, "link": names[0]} for message in scenario["message"]],
    }


def _in_region(region: str | None) -> dict[str, Any]:
    """The scenario with a channel of the region to start from."""
    if region is None:
        return dict(_SCENARIO)
    start = START[region]
    link = {**_SCENARIO["link"][0], "frequency_mhz": start.frequency_mhz}
    link["modulation"] = {**link["modulation"], "bandwidth_khz": start.bandwidth_khz}
    power = {"transmit_power_dbm": start.transmit_power_dbm}
    regulation = {"region": region, **_SCENARIO["regulation"]}
    if start.hopping_channels > 1:
        regulation["hopping_channels"] = start.hopping_channels
    if start.listen_before_talk:
        regulation["listen_before_talk"] = True
    return {
        **_SCENARIO,
        "station": [{**station, **power} for station in _SCENARIO["station"]],
        "link": [link],
        "regulation": regulation,
    }


def starter_profile() -> str:
    """Write the surveyed profile of the starter plan, invented like it.

    >>> print(starter_profile().splitlines()[1])
    distance_m,ground_m,clutter_m
    """
    rows = [f"{distance},{ground:.1f},{clutter}" for distance, ground, clutter in _PROFILE]
    head = "# Invented example: from the tank (0 m) to the shed; clutter is the height of what grows there"
    return "\n".join([head, "distance_m,ground_m,clutter_m", *rows]) + "\n"


def _table(place: Place, values: Mapping[str, Any] | None, *, shown: bool) -> Iterator[str]:
    """Write a table and those below it; without values all of it is shown behind #.

    `shown` is false for tables that repeat: keys that are not set have been explained before.
    """
    mark = "" if values is not None else "#"
    if place.header:
        yield f"{mark}{place.header}"
    fields = place.fields()
    for key, field in fields.items():
        if sections_of(field.annotation):
            continue
        if values is not None and key in values:
            yield from _explained(field, shown)
            yield f"{key} = {_toml(values[key])}"
        elif shown:
            yield from _explained(field, shown)
            yield f"#{key} = {_toml(_example(field))}"
    for key, field in fields.items():
        members = sections_of(field.annotation)
        if members and (shown or (values is not None and key in values)):
            yield ""
            yield from _tables_below(place, key, field, (values or {}).get(key), shown)


def _tables_below(place: Place, key: str, field: FieldInfo, value: Any, shown: bool) -> Iterator[str]:
    keys = (*place.keys, key)
    header = header_of(keys, field)
    members = [Place(keys, header, section) for section in sections_of(field.annotation)]
    if shown:
        yield from _explained(field, shown)
    if len(members) > 1:
        chosen = [m for m in members if value and value["kind"] in words_of(m.fields()["kind"])]
        yield from _table(chosen[0], value, shown=shown) if chosen else ()
        for other in members if shown else ():
            if other not in chosen:
                yield ""
                yield f"# or, in place of the above: {other.section.__doc__}".rstrip(".")
                yield from _table(other, None, shown=True)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            if index:
                yield from ("", f"# further keys as for the first {key}")
            yield from _table(members[0], item, shown=shown and index == 0)
    else:
        fields = members[0].fields().values()
        may_be_empty = field.default is not None and not any(f.is_required() for f in fields)
        yield from _table(members[0], {} if value is None and may_be_empty else value, shown=shown)


def _explained(field: FieldInfo, shown: bool) -> Iterator[str]:
    if not shown:
        return
    text = str(field.description)
    if len(words_of(field)) > 1 or any(math.isfinite(bound) for bound in bounds_of(field)):
        text += f"; {allowed(field)}"
    if isinstance(field.json_schema_extra, dict) and "source" in field.json_schema_extra:
        text += " [assumed]"
    yield from wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False)


def _example(field: FieldInfo) -> Any:
    """Show the default, else an example, else something the key takes."""
    if field.default not in (None, PydanticUndefined, []):
        return field.default
    if field.examples:
        return field.examples[0]
    if words := words_of(field):
        return words[0]
    kind = kind_of(field.annotation)
    low = bounds_of(field)[0]
    numbers = {int: int(low) if low > -1e9 else 1, float: low if low > -1e9 else 1.0}
    return {**numbers, bool: False, str: "text", list: []}[kind] if kind else {}


def _toml(value: Any) -> str:
    # for text, numbers and lists of them JSON and TOML write the same
    return json.dumps(value, ensure_ascii=False)
