"""The invented example that a new user starts from (`scenario.toml`), and how its values are known again in a plan."""

import tomllib
from collections.abc import Collection, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from linkcalc.rules.table import START

SOURCE = "still the starter's value"
"""What the list of what was assumed says of a value that nobody has changed."""

_WORDS = ("starter", "units", "name", "from", "to", "link", "station", "kind", "region", "nodes")
"""Keys of the starter that state nothing about a site or what stands there."""


@cache
def _tables() -> dict[str, Any]:
    return tomllib.loads(files("linkcalc.plan").joinpath("scenario.toml").read_text(encoding="utf-8"))


def fleet_scenario() -> dict[str, Any]:
    """What a fleet has besides the scenario's stations and radio."""
    return dict(_tables()["fleet"])


def scenario_in(region: str | None) -> dict[str, Any]:
    """The scenario as a plan's tables, with a channel of the region to start from."""
    scenario = {key: value for key, value in _tables().items() if key != "fleet"}
    if region is None:
        return scenario
    start = START[region]
    link = {**scenario["link"][0], "frequency_mhz": start.frequency_mhz}
    link["modulation"] = {**link["modulation"], "bandwidth_khz": start.bandwidth_khz}
    power = {"transmit_power_dbm": start.transmit_power_dbm}
    regulation = {"region": region, **scenario["regulation"]}
    if start.hopping_channels > 1:
        regulation["hopping_channels"] = start.hopping_channels
    if start.listen_before_talk:
        regulation["listen_before_talk"] = True
    stations = [{**station, **power} for station in scenario["station"]]
    return {**scenario, "station": stations, "link": [link], "regulation": regulation}


@cache
def starter_values() -> Mapping[str, Collection[Any]]:
    """Values that starter plans and fleets state of a site and its equipment, by dotted key without numbers.

    >>> starter_values()["tank.pump_flow_m3_h"], sorted(starter_values()["station.antenna_height_m"])
    ([5.0], [4.0, 6.0])
    """
    found: dict[str, list[Any]] = {}

    def collect(values: Mapping[str, Any], table: str) -> None:
        for key, value in values.items():
            if isinstance(value, Mapping):
                collect(value, f"{table}{key}.")
            elif isinstance(value, list) and value and isinstance(value[0], Mapping):
                for item in value:
                    collect(item, f"{table}{key}.")
            elif key not in _WORDS and value not in found.setdefault(table + key, []):
                found[table + key].append(value)

    collect(fleet_scenario(), "")
    # the starter may have been written for any region, whatever the plan says by now
    for region in (None, *START):
        scenario = scenario_in(region)
        tank, shed = scenario["station"]
        collect({**scenario, "equipment": tank, "shed": shed, "radio": scenario["link"][0]}, "")
    return found


def starter_profile() -> str:
    """The surveyed profile of the starter plan, invented like it."""
    return files("linkcalc.plan").joinpath("scenario.csv").read_text(encoding="utf-8")
