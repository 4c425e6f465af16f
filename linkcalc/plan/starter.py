"""The commented plan that a new user starts from, written from the plan's own sections."""

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Literal

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from linkcalc.plan.base import Section
from linkcalc.plan.fleet import Fleet
from linkcalc.plan.keys import Place, allowed, bounds_of, header_of, kind_of, sections_of, words_of
from linkcalc.plan.model import Plan
from linkcalc.plan.scenario import fleet_scenario, scenario_in
from linkcalc.plan.stations import DEGREE_KEYS
from linkcalc.plan.syntax import value_text

if TYPE_CHECKING:
    from linkcalc.plan.sites import Site

_WIDTH = 96

_INVENTED = "Everything in it is invented: replace it by what stands on your site."
_PLACES_ARE_GIVEN = (
    "Names and positions are those that were given; all else is invented:\nreplace it by what stands on "
    "your site."
)

PLAN_SCHEMA = "linkcalc-plan.schema.json"
FLEET_SCHEMA = "linkcalc-fleet.schema.json"

_HEAD = f"""\
{{kind}} for linkcalc. {_INVENTED}
{{next}}

Units stand at the end of the keys' names (_m, _mhz, _dbm). Decimals take a point, text takes quotes,
paths are written with / and are relative to this file.

The radio link is no safety function and no emergency stop, however large its margin.
"""

_ALL_KEYS = """\
A line that begins with #key = ... sets nothing: it shows what is assumed when the key is left out,
or an example. Take the # away to set it. What is marked [assumed] is named in the result, with its
source, when it is left out.
"""
_MORE_KEYS = """\
What is not stated is assumed, and named in the result. There are more keys: for the surroundings of an
antenna, a tank and its engine, messages, batteries. `linkcalc new --full` writes them all.
"""

_MATTER: dict[str, Collection[str]] = {
    "": (
        "starter", "units", "title", "station", "link", "terrain", "regulation", "nodes", "shed", "equipment", "radio",
        "traffic",
    ),
    "station": (
        "name", "latitude_deg", "longitude_deg", "antenna_height_m", "transmit_power_dbm", "noise_rise_db",
        "antenna", "feeder",
    ),
    "station.antenna": ("type",),
    "station.feeder": ("type", "length_m", "connectors"),
    "link": (
        "name", "from", "to", "frequency_mhz", "modulation", "profile_csv", "required_success", "confidence",
    ),
}  # fmt: skip
"""The keys of the short starter, by table; a table that is not named here has all that are set."""
for _same in ("shed", "equipment"):
    _MATTER |= {key.replace("station", _same): keys for key, keys in _MATTER.items() if "station" in key}

Shown = Literal["all", "set", "bare"]
"""All keys, those not set behind a #; those that are set, explained; the same without a word."""


def starter_plan(
    name: str,
    *,
    full: bool = True,
    profile_csv: str | None = None,
    terrain: Mapping[str, Any] | None = None,
    sites: "Sequence[Site]" = (),
    invented_sites: bool = False,
    region: str | None = None,
    units: str = "metric",
) -> str:
    """Write a plan of invented values, TOML that loads as it stands if the files it refers to exist.

    `full` has every key, those that are not set behind a #; else the twenty or so that matter. Stations stand at the
    sites, two or more, each linked with the last; invented sites keep the example's names. With a region channel and
    power are legal ones there.
    """
    values = scenario_in(region) | ({"units": units} if units != "metric" else {})
    if profile_csv is not None:
        values["link"] = [{**link, "profile_csv": profile_csv} for link in values["link"]]
    if terrain:
        values["terrain"] = dict(terrain)
    if sites:
        values |= _placed(values, sites)
    title = f"Links to {sites[-1].name}" if sites and not invented_sites else None
    head = _HEAD.format(kind="Plan", next=f"Check it with: linkcalc check {name}")
    return _file(PLAN_SCHEMA, head + (_ALL_KEYS if full else _MORE_KEYS), Plan, values, full, title)


def starter_fleet(
    name: str,
    *,
    nodes: str,
    sites: "Sequence[Site]",
    terrain: Mapping[str, Any],
    full: bool = False,
    invented_sites: bool = False,
    region: str | None = None,
    units: str = "metric",
) -> tuple[str, list[list[Any]]]:
    """Write a fleet file of invented values, and the rows of its list of nodes, header first.

    The nodes stand at the sites but the last, which is the shed they report to; all else as for `starter_plan`.
    """
    *ends, hub = sites
    scenario = scenario_in(region)
    placed = _placed(scenario, sites)["station"]
    link, shed = scenario["link"][0], placed[-1]
    values = {
        **fleet_scenario(),
        **({"units": units} if units != "metric" else {}),
        "nodes": nodes,
        "shed": [shed],
        "equipment": {k: v for k, v in placed[0].items() if k not in ("name", *DEGREE_KEYS)},
        "radio": {"frequency_mhz": link["frequency_mhz"], "modulation": link["modulation"]},
        "terrain": dict(terrain),
        # a fleet's interval stands in its traffic
        "regulation": {k: v for k, v in scenario["regulation"].items() if k != "report_interval_s"},
    }
    if (channels := values["regulation"].get("hopping_channels", 1)) > 1:
        values["radio"]["channels"] = channels
    values["equipment"]["antenna_height_m"] = scenario["station"][0]["antenna_height_m"]
    title = None if invented_sites else f"Tanks that report to {hub.name}"
    head = _HEAD.format(kind="Fleet", next=f"Answer it with: linkcalc fleet {name}")
    more = _MORE_KEYS.replace("a tank and its engine, messages, batteries", "batteries")
    rows: list[list[Any]] = [["name", *DEGREE_KEYS, "antenna_height_m"]]
    rows += [[end.name, end.latitude_deg, end.longitude_deg, end.antenna_height_m or ""] for end in ends]
    return _file(FLEET_SCHEMA, head + (_ALL_KEYS if full else more), Fleet, values, full, title), rows


def _file(
    schema: str, head: str, kind: type[Section], values: dict[str, Any], full: bool, title: str | None
) -> str:
    """Write a file that names the schema it is checked by in its first line; one with a title has given places."""
    if title is not None:
        values["title"] = title
        head = head.replace(_INVENTED, _PLACES_ARE_GIVEN)
    if not full:
        values = _what_matters(values)
    lines = [f"# {line}".rstrip() for line in head.splitlines()]
    table = _table(Place((), "", kind), values, shown="all" if full else "set")
    return "\n".join([f"#:schema ./{schema}", *lines, "", *(table if full else _said_once(table))]) + "\n"


def _said_once(lines: Iterable[str]) -> Iterator[str]:
    """Leave out a comment that has been made before."""
    said = set()
    for is_comment, block in groupby(lines, lambda line: line.startswith("#")):
        text = tuple(block)
        if not is_comment or text not in said:
            yield from text
        said.add(text)


def _what_matters(values: Mapping[str, Any], table: str = "") -> dict[str, Any]:
    """The part of the values that the short starter has."""
    kept: dict[str, Any] = {}
    for key, value in values.items():
        if key not in _MATTER.get(table, values):
            continue
        below = f"{table}.{key}" if table else key
        if isinstance(value, Mapping):
            kept[key] = _what_matters(value, below)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            kept[key] = [_what_matters(item, below) for item in value]
        else:
            kept[key] = value
    return kept


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


def _table(place: Place, values: Mapping[str, Any] | None, *, shown: Shown) -> Iterator[str]:
    """Write a table and those below it; without values all of it is shown behind #.

    Tables that repeat are bare: their keys have been explained before.
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
            yield f"{key} = {value_text(values[key])}"
        elif shown == "all":
            yield from _explained(field, shown)
            yield f"#{key} = {value_text(_example(field))}"
    for key, field in fields.items():
        members = sections_of(field.annotation)
        if members and (shown == "all" or (values or {}).get(key)):
            yield ""
            yield from _tables_below(place, key, field, (values or {}).get(key), shown)


def _tables_below(place: Place, key: str, field: FieldInfo, value: Any, shown: Shown) -> Iterator[str]:
    keys = (*place.keys, key)
    header = header_of(keys, field)
    members = [Place(keys, header, section) for section in sections_of(field.annotation)]
    yield from _explained(field, shown)
    if len(members) > 1:
        chosen = [m for m in members if value and value["kind"] in words_of(m.fields()["kind"])]
        yield from _table(chosen[0], value, shown=shown) if chosen else ()
        for other in members if shown == "all" else ():
            if other not in chosen:
                yield ""
                yield f"# or, in place of the above: {other.section.__doc__}".rstrip(".")
                yield from _table(other, None, shown="all")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            if index:
                yield from ("", f"# further keys as for the first {key}") if shown == "all" else ("",)
            yield from _table(members[0], item, shown="bare" if index and shown == "all" else shown)
    else:
        fields = members[0].fields().values()
        may_be_empty = field.default is not None and not any(f.is_required() for f in fields)
        yield from _table(members[0], {} if value is None and may_be_empty else value, shown=shown)


def _explained(field: FieldInfo, shown: Shown) -> Iterator[str]:
    if shown == "bare":
        return
    text = str(field.description)
    if len(words_of(field)) > 1 or any(math.isfinite(bound) for bound in bounds_of(field)):
        text += f"; {allowed(field)}"
    if isinstance(field.json_schema_extra, dict) and "source" in field.json_schema_extra:
        text += " [assumed]" if shown == "all" else ""
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
