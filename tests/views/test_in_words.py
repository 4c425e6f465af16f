"""Figures, times, names and money as reports, pictures and pages write them."""

import io
import math
from datetime import date
from types import SimpleNamespace as Of
from typing import Any

import numpy as np
import pytest

from linkcalc.link.findings import Limit, OutsideAntenna
from linkcalc.link.result import Advice, Assumption, Part, Term
from linkcalc.rules.table import rules
from linkcalc.views import canvas, html, jsonout, link_words, page, style, units, words
from linkcalc.views.check import budget as budget_text
from linkcalc.views.check import remedies as remedies_text
from linkcalc.views.coverage import text as coverage_text
from linkcalc.views.energy import text as energy_text
from linkcalc.views.fleet import figures as fleet_figures
from linkcalc.views.fleet import text as fleet_text
from linkcalc.views.heights import figures as heights_figures
from linkcalc.views.heights import text as heights_text
from linkcalc.views.limits import text as limits_text
from linkcalc.views.maps import figures as map_figures
from linkcalc.views.maps import frame as map_frame
from linkcalc.views.messages import figures as messages_figures
from linkcalc.views.messages import text as messages_text
from linkcalc.views.range import text as range_text
from linkcalc.views.record import rows
from linkcalc.views.relay import text as relay_text
from linkcalc.views.survey import text as survey_text
from linkcalc.views.sweep import text as sweep_text
from linkcalc.views.tank import text as tank_text

HEIGHTS = Of(from_="tank", to="shed")
YAGI = Part("tank", "antenna", "yagi", 9.5, 1.0, "piece", 70.0, 70.0, False)
IN_LEAF = Assumption("conditions leaf", "in_leaf", "worst case")
STARTERS = Assumption("tank.start_percent", 40.0, "still the starter's value")


def in_us(write, *given):
    with units.shown_in("us"):
        return write(*given)


SAID: list[tuple[Any, tuple[Any, ...], Any]] = [
    (budget_text.term_words, (Term("antenna_gain", 2.15, "transmitter", station="tank"),), "antenna gain"),
    (
        lambda *terms: [(b.name, b.value_db) for b in budget_text.budget_lines(Of(terms=terms))][:4],
        (Term("transmit_power", 1.04, "transmitter"), Term("antenna_gain", 1.04, "transmitter")),
        [("transmit power", 1.0), ("antenna gain", 1.0), ("rounding", 0.1), ("EIRP", 2.1)],
    ),
    (canvas.filled, ("on 868 MHz", 8), "on\n868 MHz"),
    (canvas.spread_apart, ([10.0, 11.0], [4.0, 4.0], 0.0, 20.0), [8.5, 12.5]),
    (coverage_text.percent, (0.0004,), "<0.1 %"),
    (coverage_text.percent, (0.5,), "50.0 %"),
    (coverage_text.percent, (0.9999,), ">99.9 %"),
    (coverage_text.percent, (1.0,), "100 %"),
    (words.interval_words, (45.0,), "45 s"),
    (words.interval_words, (900.0,), "15 min"),
    (words.interval_words, (5400.0,), "1.5 h"),
    (words.interval_words, (86400.0,), "1 day"),
    (energy_text.current_words, (0.0216,), "21.6 uA"),
    (energy_text.current_words, (10.03,), "10.03 mA"),
    (energy_text.years_words, (None,), "-"),
    (energy_text.years_words, (10.0,), "10+ y"),
    (energy_text.years_words, (2.34,), "2.3 y"),
    (energy_text.years_words, (0.46,), "5.5 mo"),
    (energy_text.years_words, (0.05,), "18 d"),
    (fleet_text.sites_words, (0.9,), "nine such sites in ten"),
    (fleet_text.sites_words, (0.95,), "95 % of such sites"),
    (fleet_text.shortened, ("the northern paddock tank 12",), "the nor…ck tank 12"),
    (fleet_text.shortened, ("tank 3",), "tank 3"),
    (fleet_text.times_words, (0.125,), "an eighth"),
    (fleet_text.times_words, (1.0,), "as planned"),
    (fleet_text.times_words, (4.0,), "4 times"),
    (
        heights_text.pair_words,
        (HEIGHTS, Of(near_height_m=4.0, far_height_m=12.5)),
        "4.0 m at tank and 12.5 m at shed",
    ),
    (heights_text.some, (np.arange(1.0, 21.0), [6.5, 12.0], 6), [0, 5, 10, 11, 14, 19]),
    (heights_figures.shade_of, (-31.0,), heights_figures.shade_of(-50.0)),
    (heights_figures.band_levels, (-13.2, 31.0), [-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0]),
    (lambda *factors: len({*map(fleet_figures.factor_colour, factors)}), (7, 8, 9, 10, 11, 12), 6),
    (lambda *margins_db: len({*map(heights_figures.shade_of, margins_db)}), (-1.0, 0.0, 10.0, 40.0, 50.0), 4),
    (lambda flat: map_figures.hillshade(flat, 30.0).round(3)[1].tolist(), (np.zeros((3, 3)),), [0.643] * 3),
    (heights_text.cost_words, (1020.0,), "1020"),
    (heights_text.cost_words, (12.345,), "12.3"),
    (heights_text.figure_words, (4.0,), "4.0"),
    (heights_text.figure_words, (12.25,), "12.25"),
    (html.data_url, ("image/png", b"PNG"), "data:image/png;base64,UE5H"),
    (jsonout.section_json, ("tank", None), '{\n  "tank": null\n}\n'),
    (jsonout.shown_names, (Advice,), ["kind", "text", "effort", "fade_margin_db", "sufficient"]),
    (html.typeset, ("<b>tank\u202e at\t-3.4 dB",), "<b>tank at −3.4\xa0dB"),
    (html.minus, ("-3.4 dB, rg-58, -12 to -1 dB, sub-GHz",), "−3.4 dB, rg-58, −12 to −1 dB, sub-GHz"),
    (limits_text.power_words, (13.979,), "14.0 dBm"),
    (limits_text.power_words, (13.96,), "13.9 dBm"),
    (limits_text.interval_words, (37.113,), "37.2 s"),
    (limits_text.interval_words, (1800.0,), "30 min"),
    (limits_text.interval_words, (None,), "never"),
    (limits_text.interval_words, (0.3707, 0.3707), "any"),
    (
        limits_text.timing_words,
        (next(r for r in rules() if r.id == "eu-g1"),),
        "1 % duty, or listening first: 100 s an hour in each 200 kHz, 1 s a transmission, 0.1 s pause",
    ),
    (link_words.term_name, ("feeder", "tank"), "feeder, tank"),
    (link_words.term_name, ("trees", ""), "trees"),
    (
        link_words.limiting_factor,
        (Limit("blocked", "tank", "terrain", at_m=4060.0),),
        "line of sight blocked by terrain, 4.06 km from tank",
    ),
    (link_words.more_or_less, (-2.0,), "2.0 dB more"),
    (
        link_words.short_words,
        (4.3, 24.1, "tank to shed"),
        "4.3 dB of fade margin from tank to shed, 19.8 dB short of the 24.1 dB required",
    ),
    (link_words.lack_words, (19.84,), "19.8 dB"),
    (link_words.lack_words, (0.04,), "less than 0.1 dB"),
    (link_words.out_of_100, (0.879,), "87"),
    (link_words.out_of_100, (0.999,), "more than 99"),
    (link_words.messages_percent, (0.5678,), "56.7 %"),
    (link_words.step_words, (OutsideAntenna("shed"),), "The antenna at shed outside the building."),
    (map_frame.graticule_step, (0.11,), 0.02),
    (map_frame.graticule_step, (0.05,), 0.01),
    (map_frame.graticule_step, (7.0,), 1.0),
    (map_frame.degrees_text, (-20.02, 0.01, "E", "W"), "20.02° W"),
    (map_frame.degrees_text, (179.0 + 2.0, 1.0, "E", "W"), "179° W"),
    (messages_figures._raised, ("< 1 in 10^6",), "< 1 in 10⁶"),
    (messages_text.odds_words, (0.5,), "50 %"),
    (messages_text.odds_words, (0.034,), "3.4 %"),
    (messages_text.odds_words, (0.0012,), "1 in 830"),
    (messages_text.odds_words, (3e-8,), "< 1 in 10^6"),
    (messages_text.share_words, (0.7612,), "76 %"),
    (messages_text.share_words, (0.99951,), "99.9 %"),
    (messages_text.share_words, (1.0,), "> 99.9 %"),
    (messages_text.count_words, (0.0,), "0"),
    (messages_text.count_words, (0.00042,), "< 0.001"),
    (messages_text.count_words, (0.0123,), "0.012"),
    (messages_text.count_words, (0.5,), "0.50"),
    (messages_text.count_words, (3.21,), "3.2"),
    (messages_text.count_words, (42.3,), "42"),
    (messages_text.count_words, (52560.0,), "52 560"),
    (messages_text.duration_words, (0.185,), "185 ms"),
    (messages_text.duration_words, (4.2,), "4.2 s"),
    (messages_text.duration_words, (38.4,), "38 s"),
    (messages_text.duration_words, (130.0,), "2.2 min"),
    (messages_text.duration_words, (600.0,), "10 min"),
    (messages_text.duration_words, (5400.0,), "90 min"),
    (messages_text.duration_words, (176714.0,), "49 h"),
    (page.abilities, (io.TextIOWrapper(io.BytesIO(), encoding="ascii"), {}), (False, True)),
    (range_text.reach_words, (0.0,), "nowhere"),
    (range_text.reach_words, (4321.0,), "4.32 km"),
    (range_text.reach_words, (float("inf"),), "over 60 km"),
    (rows._figure, (-101.0,), "-101"),
    (rows._figure, (0.25,), "0.25"),
    (rows._figure, (None,), ""),
    (rows.without_commands, ("Tank: 3.9 m³ free; see linkcalc tank",), "Tank: 3.9 m³ free"),
    (rows.without_commands, ("taken as dry (--wet says it)",), "taken as dry"),
    (rows.level, (101.26,), "101.3 dBm"),
    (rows.level, (None,), "not measured"),
    (rows.metres, (412.34,), "412.3 m"),
    (rows.degrees, (95.32,), "095.3°"),
    (rows.degrees, (359.98,), "000.0°"),
    (rows.power, (14.0,), "14.0 dBm (25.1\xa0mW)"),
    (rows.power, (30.0,), "30.0 dBm (1000\xa0mW)"),
    (rows.power, (-3.0,), "-3.0 dBm (0.501\xa0mW)"),
    (rows.date_words, (date(2031, 6, 5),), "5 June 2031"),
    (relay_text._share_words, (0.99**0.5,), "99.5 %"),
    (relay_text._share_words, (0.9**0.5,), "94.9 %"),
    (relay_text._share_words, (0.9999,), "99.99 %"),
    (remedies_text.money, (328.0,), "328"),
    (remedies_text.money, (1234.5, "EUR"), "1,234.50 EUR"),
    (remedies_text.money, (0.0,), "0"),
    (remedies_text.part_words, (YAGI,), "antenna, yagi of 9.5 dBi"),
    (
        remedies_text.quantity_words,
        (Part("tank", "feeder", "rg213", None, 6.0, "m", 3.0, 18.0, False),),
        "6 m",
    ),
    (style.css_variables, ({"closes": "#12466e", "ink": "#1b262e"},), "--closes: #12466e; --ink: #1b262e;"),
    (style.slug, ("Tank 3 → Pump/Shed (Süd)",), "tank-3-pump-shed-sud"),
    (style.slug, ("水タンク",), "水タンク"),
    (style.slug, ("☂",), "unnamed"),
    (style.unique_slugs, (["Tank 1", "tank-1", "shed"],), ["tank-1", "tank-1-2", "shed"]),
    (style.drawable, ("Süd-Tank\n\U000f0000",), "Süd-Tank □"),
    (style.families, ("Süd-Tank",), ["DejaVu Sans"]),
    (survey_text.percent, (0.95,), "95 %"),
    (survey_text.percent, (0.999,), "99.9 %"),
    (survey_text.percent, (0.9981,), "99.81 %"),
    (words.interval_words, (0.37,), "0.37 s"),
    (words.interval_words, (90.0,), "1.5 min"),
    (words.interval_words, (18000.0,), "5 h"),
    (words.interval_words, (200000.0,), "2.31 days"),
    (sweep_text.value_words, ("far.antenna_height_m", 4.5), "4.5 m"),
    (sweep_text.value_words, ("spreading_factor", 7), "7"),
    (sweep_text.value_words, ("crc", True), "yes"),
    (tank_text._watchdog_words, (3600.0, 1800.0), "30 min (three report intervals) to 60 min"),
    (
        tank_text._watchdog_words,
        (1200.0, 1800.0),
        "20 min or shorter, but under 30 min (three report intervals) lost reports stop the engine: report more often",
    ),
    (tank_text.volume_words, (3.333,), "3.33 m³"),
    (tank_text.volume_words, (0.042,), "0.042 m³"),
    (tank_text.volume_words, (125.4,), "125 m³"),
    (units.name, ("metre",), "metre"),
    (units.figure, (12.0, "m"), 12.0),
    (words.assumption_lines, ([IN_LEAF],), ["worst case: conditions leaf = in_leaf"]),
    (
        words.starter_words,
        ([STARTERS], "tank"),
        "Still the starter's values, not yours: tank start_percent = 40. Put yours in their place.",
    ),
    (units.words, ("4.0 m",), "4.0 m"),
    (in_us, (units.words, "raise it to 12 m, 6.42 km away"), "raise it to 39.4 ft, 3.99 mi away"),
    (in_us, (units.words, "10 to 25 m"), "32.8 to 82.0 ft"),
    (in_us, (units.words, "3.51 m³"), "927 gal"),
    (in_us, (units.words, "5 m³/h"), "22 gpm"),
    (in_us, (units.words, "antenna_height_m = 4"), "antenna_height_m = 4"),
    (in_us, (units.words, "868.3 MHz, 6 dB"), "868.3 MHz, 6 dB"),
    (in_us, (units.label, "height at shed, m"), "height at shed, ft"),
    (in_us, (units.label, "km east of the middle"), "mi east of the middle"),
    (in_us, (units.figure, 3.0, "m"), 9.842519685039369),
    (words.counted, (1, "node"), "1 node"),
    (words.counted, (3, "node"), "3 nodes"),
    (words.distance_words, (6420.4,), "6.42 km"),
    (words.distance_words, (640.4,), "640 m"),
    (words.distance_words, (2.25,), "2.3 m"),
    (words.distance_words, (41234.0,), "41.2 km"),
    (words.height_words, (9.0,), "9.0 m"),
    (words.height_words, (12.34,), "12 m"),
    (words.height_words, (1012.0,), "1012 m"),
    (words.decibel_words, (-12.3456,), "-12.3 dB"),
    (words.decibel_words, (-0.04,), "0.0 dB"),
    (words.decibel_words, (float("nan"),), "n/a"),
    (words.required_margin_words, (24.06,), "24.1 dB"),
    (words.required_margin_words, (math.inf,), "more than any"),
    (words.ratio_words, (0.348,), "0.35"),
    (words.ratio_words, (-2.17,), "-2.2"),
    (words.ratio_words, (14.2,), "14"),
    (words.probability_words, (0.934,), "93.4 %"),
    (words.probability_words, (0.9876,), "98.8 %"),
    (words.probability_words, (0.99951,), ">99.9 %"),
    (words.probability_words, (0.634,), "63 %"),
    (words.probability_words, (0.034,), "3.4 %"),
    (words.probability_words, (0.0,), "<0.1 %"),
    (words.table_and_key, ("station tank antenna.gain_dbi",), ("station tank", "antenna.gain_dbi")),
    (words.table_and_key, ("tank.start_percent",), ("tank", "start_percent")),
]


@pytest.mark.parametrize(("write", "given", "said"), SAID)
def test_what_people_read_is_written_so(write, given, said):
    assert write(*given) == said
