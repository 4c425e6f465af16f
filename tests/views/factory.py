"""Synthetic results for the views' tests: plausible to look at, consistent within themselves.

Stations and places are invented. The geometry is exact (parabolic bulge, straight ray, Fresnel zone of
Rec. ITU-R P.526); the losses are rough, since the views only have to show them.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from linkcalc.link.budget import Budget, term
from linkcalc.link.findings import (
    BetterAntenna,
    Finding,
    Limit,
    ModelReason,
    RaisedAntennas,
    Setting,
    SiteReading,
    SlowerSignal,
)
from linkcalc.link.result import (
    Advice,
    Assumption,
    Contributor,
    Direction,
    Drawing,
    LinkResult,
    PathFacts,
    Regime,
    Result,
    VerdictWord,
)
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S

Clutter = tuple[float, float, float, str]
"""Start and end as a share of the path, height above ground in metres, kind."""

LONG_NAME = "North-western header tank above the old quarry road"


_ENDS = (
    (
        ("feeder", -1.234567, "8 m of 5 mm coax"),
        ("extra_loss", -0.5, "2 of 0.25 dB"),
        ("antenna_gain", 2.151234, "half-wave dipole"),
        ("off_beam", 0.0, "towards the other station"),
    ),
    (
        ("feeder", -1.87, "12 m of 5 mm coax"),
        ("extra_loss", -0.3, ""),
        ("antenna_gain", 5.15, "collinear"),
    ),
)
"""What hangs between radio and air at the first and at the second station."""


def ridge(share: float, height_m: float, width_share: float = 0.08) -> Callable[[Any, Any], Any]:
    """Gently rolling ground with one ridge, as a function of the share of the path."""

    def ground(share_along: Any, length_m: Any) -> Any:
        rolling = 0.04 * height_m * np.sin(9.0 * share_along) * np.cos(23.0 * share_along)
        return 210.0 + rolling + height_m * np.exp(-(((share_along - share) / width_share) ** 2))

    return ground


def flat(share_along: Any, length_m: Any) -> Any:
    """Level ground."""
    return np.full_like(share_along, 12.0)


def valley(share_along: Any, length_m: Any) -> Any:
    """Two shoulders with a deep valley between."""
    return 400.0 - 260.0 * np.sin(np.pi * share_along) ** 2 + 4.0 * np.sin(31.0 * share_along)


def slope(share_along: Any, length_m: Any) -> Any:
    """A steady climb from one end to the other."""
    return 40.0 + 300.0 * share_along + 3.0 * np.sin(40.0 * share_along)


def link(
    name: str = "level report",
    length_m: float = 6420.0,
    ground: Callable[[Any, Any], Any] = flat,
    heights_m: tuple[float, float] = (6.0, 9.0),
    stations: tuple[str, str] = ("Tank 3", "Engine shed"),
    clutter: Sequence[Clutter] = (),
    frequency_hz: float = 868e6,
    points: int = 321,
    building_loss_db: float = 0.0,
    noise_rise_db: float = 4.0,
    warnings: tuple[str, ...] = (),
) -> LinkResult:
    """Build everything about one link over ground given as a function of the share of the path."""
    drawing = _drawing(length_m, ground, heights_m, clutter, frequency_hz, points)
    path, losses = _path(drawing, frequency_hz, building_loss_db, clutter)
    there = _direction(stations, 20, losses, True, noise_rise_db, 1.0)
    back = _direction(stations[::-1], 8, losses, False, 0.0, 0.6)
    weaker = min(there, back, key=lambda d: d.fade_margin_db)
    drawing = _with_sweep(drawing, weaker.fade_margin_db, length_m, frequency_hz)
    verdict: VerdictWord = weaker.verdict
    margin = weaker.fade_margin_db
    finding = Finding(
        verdict, weaker.from_, weaker.to, margin, weaker.required_margin_db, weaker.site_share, 0.9994
    )
    return LinkResult(
        name=name,
        verdict=verdict,
        finding=finding,
        frequency_hz=frequency_hz,
        signal="CSS SF10, 125 kHz, 4/5",
        path=path,
        directions=(there, back),
        advice=_advice(stations, margin, weaker.required_margin_db),
        warnings=warnings,
        drawing=drawing,
    )


def _drawing(
    length_m: float,
    ground: Callable[[Any, Any], Any],
    heights_m: tuple[float, float],
    clutter: Sequence[Clutter],
    frequency_hz: float,
    points: int,
) -> Drawing:
    share = np.linspace(0.0, 1.0, points)
    distance = share * length_m
    ground_m = np.asarray(ground(share, length_m), dtype=float)
    clutter_m = np.zeros(points)
    kinds = [""] * points
    for start, end, height, kind in clutter:
        for i in np.flatnonzero((share >= start) & (share <= end)):
            clutter_m[i], kinds[i] = height, kind
    clutter_m[[0, -1]] = 0.0
    kinds[0] = kinds[-1] = ""
    bulge = distance * (length_m - distance) / (2.0 * 4.0 / 3.0 * EARTH_RADIUS_M)
    ends = ground_m[0] + heights_m[0], ground_m[-1] + heights_m[1]
    ray = ends[0] + (ends[1] - ends[0]) * share
    radius = np.sqrt((SPEED_OF_LIGHT_M_S / frequency_hz) * distance * (length_m - distance) / length_m)
    clearance = ray - ground_m - bulge - clutter_m
    ratio = np.divide(clearance, radius, out=np.full(points, np.inf), where=radius > 0)
    nothing = np.zeros(0)
    return Drawing(
        distance,
        ground_m,
        clutter_m,
        tuple(kinds),
        bulge,
        ray,
        radius,
        ratio,
        heights_m,
        nothing,
        nothing,
        nothing,
    )


def _path(
    drawing: Drawing, frequency_hz: float, building_loss_db: float, clutter: Sequence[Clutter]
) -> tuple[PathFacts, dict[str, float]]:
    length = float(drawing.distance_m[-1])
    worst = int(np.argmin(drawing.clearance_ratio[1:-1])) + 1
    ratio = float(drawing.clearance_ratio[worst])
    low_k = ratio - float(drawing.bulge_m[worst] * (4 / 3 / 0.9 - 1) / drawing.fresnel_radius_m[worst])
    free_space = 20 * math.log10(4 * math.pi * length / (SPEED_OF_LIGHT_M_S / frequency_hz))
    v = -math.sqrt(2) * ratio
    diffraction = (
        6.9 + 20 * math.log10(math.hypot(v - 0.1, 1) + v - 0.1) if v > -0.78 else 0.0
    )  # P.526-15, eq. 31
    regime: Regime = "clear" if ratio >= 0.6 else "grazing" if ratio >= 0 else "obstructed"
    woods = sum(
        (end - start) * length
        for start, end, _, kind in clutter
        if kind == "trees" and (start == 0.0 or end == 1.0)
    )
    vegetation = min(0.2 * (frequency_hz / 1e6) ** 0.3 * min(woods, 400.0) ** 0.6, 35.0) if woods else 0.0
    losses = {
        "free_space": free_space,
        "ground": diffraction,
        "trees": vegetation,
        "building_entry": building_loss_db,
    }
    basic = free_space + diffraction
    models = {
        "free_space": free_space,
        "plane_earth": basic - 3.3,
        "delta_bullington": basic,
        "p1812": basic + 1.7,
        "irregular_terrain": basic + 4.4,
    }
    return (
        PathFacts(
            distance_m=length,
            azimuth_deg=143.27,
            elevation_angle_deg=0.184,
            k_factor=4 / 3,
            low_k_factor=0.9,
            worst_clearance_ratio=ratio,
            worst_clearance_distance_m=float(drawing.distance_m[worst]),
            worst_clearance_low_k_ratio=low_k,
            worst_obstacle=drawing.clutter_kind[worst] or "ground",
            regime=regime,
            model="delta_bullington",
            reason=ModelReason("delta_bullington"),
            models=models,
            spread_db=4.4,
            source="invented terrain, 30 m raster",
            reflection_distance_m=0.4 * length if regime == "clear" else None,
            vegetation_loss_db=vegetation,
            surroundings_loss_db=(0.0, 0.0),
            building_entry_loss_db=building_loss_db,
            bridged_m=0.0,
        ),
        losses,
    )


def _direction(
    stations: tuple[str, str],
    payload_bytes: int,
    losses: Mapping[str, float],
    outward: bool,
    noise_rise_db: float,
    probability_scale: float,
) -> Direction:
    whip, collinear = _ENDS if outward else _ENDS[::-1]
    terms = [
        term("transmit_power", 14.0, "transmitter", "conducted, at the radio"),
        *(term(kind, value, "transmitter", note, station=stations[0]) for kind, value, note in whip),
        *(term(kind, -loss, "path") for kind, loss in losses.items() if loss or kind == "ground"),
        *(term(kind, value, "receiver", note, station=stations[1]) for kind, value, note in collinear),
        term("thermal_noise", 123.007, "threshold", "kT0 in 125 kHz"),
        term("noise_figure", -6.0, "threshold"),
        term("external_noise", -2.345, "threshold", "rural, Rec. ITU-R P.372"),
        term("required_snr", 15.0, "threshold", "SF10"),
    ]
    if noise_rise_db:
        terms.append(term("noise_rise", -noise_rise_db, "threshold", "engine running"))
    budget = Budget(tuple(terms))
    margin = budget.fade_margin_db
    probability = probability_scale * (1 - 1e-5) / (1 + math.exp(-(margin - 4) / 4)) + (
        1 - probability_scale
    ) * (margin > 0)
    verdict: VerdictWord = "closes" if margin >= 20 else "at_risk" if margin >= 0 else "does_not_close"
    return Direction(
        from_=stations[0],
        to=stations[1],
        payload_bytes=payload_bytes,
        time_on_air_s=0.3707,
        path_loss_db=budget.path_loss_db,
        received_power_dbm=budget.received_power_dbm,
        noise_power_dbm=budget.sensitivity_dbm + 15.0,
        sensitivity_dbm=budget.sensitivity_dbm,
        fade_margin_db=margin,
        required_margin_db=20.0,
        site_share=1.0 / (1.0 + math.exp(-(margin - 7.5) / 5.5)),
        fade_margin_interval_db=(margin - 20.3, margin + 20.3),
        success_where_it_works=0.9994,
        delivery_probability=probability,
        delivery_probability_single=probability**2,
        delivery_probability_year_share=probability**3,
        delivery_probability_after_reading=probability**0.5,
        year_share_percent=99.0,
        verdict=verdict,
        limit=Limit("engine_noise", stations[1]) if noise_rise_db else Limit("distance"),
        eirp_dbm=budget.eirp_dbm,
        fading="rician",
        rician_k_db=10.0 if losses["ground"] < 6 else 3.0,
        terms=budget.terms,
        uncertainty=(
            Contributor("path loss model", 12.0, "site", 2.0, "PAM 2011 study of 28 models"),
            Contributor("fast fading", 5.6, "fast", 5.6, "Rayleigh"),
            Contributor("vegetation", 4.0, "conditions", 3.1, "Rec. ITU-R P.833"),
            Contributor("antenna gain as mounted", 2.1, "site", 0.0, "common practice, no source"),
        ),
    )


def _with_sweep(drawing: Drawing, margin_db: float, length_m: float, frequency_hz: float) -> Drawing:
    present = drawing.antenna_height_m[1]
    height = np.geomspace(1.0, max(30.0, 3.0 * present), 240)
    smooth = margin_db + 18.0 * np.log10(height / present)
    phase = 2 * math.pi * drawing.antenna_height_m[0] / ((SPEED_OF_LIGHT_M_S / frequency_hz) * length_m)
    lobes = 20 * np.log10(np.maximum(np.abs(2 * np.sin(phase * height)), 0.03))
    return replace(
        drawing,
        height_sweep_m=height,
        margin_sweep_db=smooth,
        margin_sweep_raw_db=np.where(phase * height > 0.9, smooth + lobes, smooth),
    )


def _advice(stations: tuple[str, str], margin_db: float, required_db: float) -> tuple[Advice, ...]:
    if margin_db >= required_db:
        return ()
    return (
        Advice(
            "spreading_factor",
            SlowerSignal(12, 10, 1.32, 0.3707, limits_known=True),
            1,
            margin_db + 5.0,
            margin_db + 5.0 >= required_db,
        ),
        Advice(
            "antenna",
            BetterAntenna("collinear", 8.0, (stations[1],), ()),
            2,
            margin_db + 5.8,
            margin_db + 5.8 >= required_db,
        ),
        Advice(
            "raise_antenna",
            RaisedAntennas((Setting(stations[1], 12.2, 4.0),), (), clears_fresnel_zone=True),
            4,
            margin_db + 12.0,
            margin_db + 12.0 >= required_db,
        ),
        Advice("measure", SiteReading(12.0, 2.0), 1, None, False),
    )


def result(*links: LinkResult, sections: Mapping[str, Any] | None = None) -> Result:
    """Wrap links into a whole result."""
    return Result(
        title="Invented demo: header tank and engine shed",
        plan_file="demo.toml",
        plan_digest="3f2a9c1e" * 8,
        linkcalc_version="0.1.0",
        links=links or (link(),),
        assumed=(
            Assumption('station "Tank 3" noise_figure_db', 6.0, "common practice, no source"),
            Assumption('station "Tank 3" antenna.polarisation', "vertical", "common practice, no source"),
            Assumption("conditions.wet_foliage", True, "common practice, no source"),
            Assumption("conditions.climate", "temperate", "common practice, no source"),
            Assumption(
                "conditions.model_error_db",
                12.0,
                "12 dB RMSE or more for every model on fixed rural links (PAM 2011 study of 28 models)",
            ),
        ),
        warnings=("the plan asks for 868.0 MHz but states no country: legal limits were not checked",),
        cautions=(
            "A radio link is not a safety function: keep the local float switch and the lockable isolator.",
        ),
        sections=sections
        if sections is not None
        else {"limits": SimpleNamespace(line="legal limits: not checked, the plan names no country")},
    )


CASES: dict[str, Callable[[], LinkResult]] = {
    "clear": lambda: link(ground=ridge(0.6, 4.0), heights_m=(22.0, 25.0), length_m=2400.0),
    "grazing": lambda: link(ground=ridge(0.5, 8.0), heights_m=(12.0, 12.0)),
    "obstructed": lambda: link(ground=ridge(0.55, 60.0)),
    "wooded": lambda: link(
        ground=ridge(0.3, 6.0),
        heights_m=(8.0, 20.0),
        length_m=1850.0,
        clutter=((0.0, 0.09, 11.0, "trees"), (0.45, 0.62, 14.0, "trees"), (0.8, 0.82, 7.0, "building")),
    ),
    "50 m": lambda: link(length_m=50.0, heights_m=(2.0, 3.0), points=51),
    "50 m past a tank": lambda: link(
        length_m=50.0, heights_m=(1.5, 2.0), points=51, clutter=((0.5, 0.6, 2.2, "tank"),)
    ),
    "300 m": lambda: link(length_m=300.0, ground=ridge(0.9, 5.0, 0.05), heights_m=(1.0, 2.0), points=31),
    "1.2 km": lambda: link(length_m=1200.0, ground=slope, heights_m=(3.0, 5.0), points=61),
    "60 km": lambda: link(length_m=60e3, ground=ridge(0.4, 90.0), heights_m=(30.0, 45.0), points=6001),
    "60 km at 169 MHz": lambda: link(
        length_m=60e3, ground=valley, heights_m=(12.0, 12.0), points=2001, frequency_hz=169.4e6
    ),
    "tall masts": lambda: link(length_m=24e3, heights_m=(300.0, 180.0)),
    "one tall mast": lambda: link(length_m=900.0, heights_m=(1.0, 140.0), points=91),
    "flat": lambda: link(length_m=5000.0, heights_m=(5.0, 5.0)),
    "deep valley": lambda: link(length_m=11.7e3, ground=valley, heights_m=(6.0, 9.0)),
    "worst point at the start": lambda: link(
        length_m=8000.0, ground=ridge(0.012, 14.0, 0.01), heights_m=(3.0, 30.0), points=801
    ),
    "worst point at the end": lambda: link(
        length_m=8000.0, ground=ridge(0.985, 25.0, 0.01), heights_m=(30.0, 3.0), points=801
    ),
    "long names": lambda: link(
        name="Level report and start command between the far reservoir and the engine controller, spare",
        ground=ridge(0.5, 30.0),
        stations=(LONG_NAME, "Engine controller in the corrugated machinery shed, bay 2"),
        clutter=((0.02, 0.1, 9.0, "trees"), (0.12, 0.14, 8.0, "building"), (0.15, 0.17, 5.0, "tank")),
    ),
    "many obstacles": lambda: link(
        ground=slope,
        length_m=3100.0,
        heights_m=(5.0, 6.0),
        clutter=tuple(
            (0.05 + 0.1 * i, 0.08 + 0.1 * i, 6.0 + i, k)
            for i, k in enumerate(("trees", "building", "tank") * 3)
        ),
    ),
    "indoors": lambda: link(length_m=780.0, building_loss_db=14.6, points=79),
    "odd characters": lambda: link(stations=("Tank $5$ & <b>", "Süd_{Pumpe} 水")),
}
"""One of each kind of path that a picture or a report must cope with."""
