"""Small functions under plans, tables, terrain and rules, each by an example."""

from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc import tabular, units
from linkcalc.errors import DomainError
from linkcalc.plan import edits, faults, scenario, syntax
from linkcalc.plan.base import element
from linkcalc.plan.ground_data import stations_in
from linkcalc.plan.loading import as_plan
from linkcalc.rules.table import read_rules, rules, rules_of
from linkcalc.terrain import agreement, cell_size, cutting, geodesy, rasters, sources

HIGHER = edits.Edit("station", "tank", ("antenna_height_m",), 8.0)
TANK = '[[station]]\nname = "tank"\nantenna_height_m = 4.0  # on the lid\n'
TWO_FAULTS = [
    faults.Fault("title", "title = 5 is not text"),
    faults.Fault("x", "x = 1 is not a known key here"),
]
SEA = np.array([300.0, np.nan, 250.0, 3.0, np.nan, np.nan, 400.0])

EXAMPLES: list[tuple[Any, Any]] = [
    (element("station", 0, "tank"), 'station "tank"'),
    (element("obstacle", 1, None), "obstacle 2"),
    (
        edits.edited({"title": "x"}, [edits.Edit("conditions", None, ("leaf",), "out_of_leaf")]),
        {"title": "x", "conditions": {"leaf": "out_of_leaf"}},
    ),
    (
        edits.edited_text(TANK, [HIGHER]),
        '[[station]]\nname = "tank"\nantenna_height_m = 8.0  # on the lid (was 4)\n',
    ),
    (
        edits.terrain_lines({"rasters": ["a.tif"], "network": True}),
        ['rasters = ["a.tif"]', "network = true"],
    ),
    (
        edits.with_terrain('title = "x"\n[terrain]\nrasters = []  # none yet\n', {"rasters": ["a.tif"]}),
        'title = "x"\n[terrain]\nrasters = ["a.tif"]\n',
    ),
    (faults.summary(TWO_FAULTS), "title = 5 is not text (1 more fault: x)"),
    (
        faults.where(("station", 0, "antenna", "gain_dbi"), {"station": [{"name": "tank"}]}),
        'station "tank" antenna.gain_dbi',
    ),
    ([site.name for site in stations_in(lc.sample_path("upland"))[1]], ["tank", "generator shed"]),
    (scenario.starter_profile().splitlines()[1], "distance_m,ground_m,clutter_m"),
    (
        syntax.toml({"title": "a", "station": [{"name": "tank", "antenna": {"gain_dbi": 2.0}}]}),
        'title = "a"\n\n[[station]]\nname = "tank"\nantenna = { gain_dbi = 2.0 }\n',
    ),
    (
        syntax.value_text({"type": "yagi", "gain_dbi": 9.5, "losses": [{"loss_db": 1.0}]}),
        '{ type = "yagi", gain_dbi = 9.5, losses = [{ loss_db = 1.0 }] }',
    ),
    (next(r for r in rules() if r.id == "eu-g3").max_erp_mw, 500.0),
    ([r.id for r in rules_of("sg")], [r.id for r in rules() if r.region == "sg"]),
    (
        tabular.likely_key("Distance along the path", ["distance_m"], {"distance": "distance_m"}),
        "distance_m",
    ),
    (tabular.key_of("Antenna height [m]"), "antenna_height_m"),
    (tabular.key_of("azimuth (°)"), "azimuth_deg"),
    (tabular.decoded("größe".encode("cp1252")), "größe"),
    (tabular.decoded("größe".encode("utf-16")), "größe"),
    ([agreement.tolerance_m(cell_m) for cell_m in (2.0, 30.0)], [1.2, 4.0]),
    (
        agreement.overlap_note(np.array([31.0, 28.0, 30.0]), 30.0, ("a.tif", "b.tif"))[:57],
        "a.tif and b.tif are 30 m apart in height where both hold ",
    ),
    (
        cell_size.finer_than_raster(30.0, 92.4),
        "cells of 30 m are drawn from ground that is known every 92 m: what lies between is interpolated",
    ),
    (cell_size.finer_than_raster(30.0, 30.9), ""),
    (cutting.at_sea(SEA).tolist(), [False, False, False, False, True, True, False]),
    (geodesy.position_text(36.2, -84.3), "36.20000 N 84.30000 W"),
    (rasters.likely_positions(36.3, -84.3)["has the longitude the wrong sign?"], (36.3, 84.3)),
    (sources.is_remote("a.tif"), False),
    (sources.is_remote("https://example.org/a.tif"), True),
    (sources.is_remote("/vsicurl/http://example.org/a.tif"), True),
    ([units.takes_units(key) for key in ("antenna_height_m", "gain_dbi")], [True, False]),
    (units.sister_units("mhz"), ["hz", "khz", "ghz"]),
]


@pytest.mark.parametrize(("found", "expected"), EXAMPLES)
def test_a_small_function_by_an_example(found: Any, expected: Any) -> None:
    assert found == expected


def test_what_is_no_plan_and_what_is_no_rule_is_told_in_one_line() -> None:
    with pytest.raises(lc.ArgumentError) as caught:
        as_plan(3)  # type: ignore[arg-type]
    assert str(caught.value) == (
        "a plan is the path of a plan file, a dict of its tables, a Plan, or what load_plan or plan_from returns; "
        "not int: 3"
    )
    with pytest.raises(DomainError, match=r"^table of limits, rule 'x': key title is missing$"):
        read_rules("[[rule]]\nid = 'x'\nregion = 'eu'")
