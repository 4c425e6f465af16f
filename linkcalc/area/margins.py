"""From losses to what a planner asks of each position: level, margin, success, spreading factor."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area.land import Land
from linkcalc.area.losses import End, losses
from linkcalc.area.plane import Plane
from linkcalc.errors import DomainError, OutOfRangeWarning, TerrainError
from linkcalc.link.case import LinkCase
from linkcalc.link.judgement import Judgement, judge
from linkcalc.link.legal import lawful
from linkcalc.link.losses import Losses
from linkcalc.link.models import refuse_chosen
from linkcalc.link.requirement import VERDICTS
from linkcalc.link.traffic import sent_over
from linkcalc.link.uncertainty import path_items
from linkcalc.plan import ChirpModulation, Link, Station
from linkcalc.plan.stations import position_deg
from linkcalc.radio import css
from linkcalc.terrain import geodesy
from linkcalc.terrain.profile import INLAND, Profile

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

SPREADING_FACTORS = (7, 8, 9, 10, 11, 12)
"""Tried for the lowest that suffices; a plan's lower one is tried too."""

_WITHOUT_PATH = ("required_margin_db", "site_share", "verdict")
"""Figures that have a value where there is no path, too."""


@dataclass(frozen=True, eq=False)
class Answers:
    """Arrays (n,), NaN where there is no profile. Forward is from the link's `from` to its `to` station."""

    level_forward_dbm: Floats
    level_return_dbm: Floats
    margin_forward_db: Floats
    margin_return_db: Floats
    required_margin_db: Floats
    """Of the weaker direction."""
    spare_db: Floats
    """How much more than required the weaker direction has."""
    site_share: Floats
    """Share of such sites that give what is asked, weaker direction."""
    judgements: tuple[Judgement, Judgement]
    """Forward and return."""
    success_forward: Floats
    success_return: Floats
    spreading_factor: Floats
    """The lowest that suffices, 0 where none does; NaN throughout for other signals."""
    verdict: NDArray[np.int8]
    """Index into `requirement.VERDICTS`, -1 without profile."""
    path_loss_db: Floats
    ground_m: Floats
    """Where the other end stands."""

    @property
    def margin_db(self) -> Floats:
        """Of the weaker direction."""
        return np.minimum(self.margin_forward_db, self.margin_return_db)

    @property
    def success(self) -> Floats:
        """Of the weaker direction."""
        return np.minimum(self.success_forward, self.success_return)

    def named(self, name: str) -> Floats:
        """One of the figures, NaN without profile."""
        values: Floats = getattr(self, name)
        if name in _WITHOUT_PATH:
            values = np.where(np.isfinite(self.path_loss_db), values, np.nan)
        return values


def template_case(loaded: "LoadedPlan", link: Link, station: str) -> tuple[LinkCase, End]:
    """A link of a plan without its ground, and which end, the `station`, stays where it is.

    The other end counts as positioned, wherever the plan has it.
    """
    plan = loaded.plan
    refuse_chosen(plan.conditions, "a map, a fleet or a place for a relay")
    if station not in (link.from_, link.to):
        raise DomainError(f'station "{station}" is not an end of link "{link.name}"')
    fixed: End = "near" if station == link.from_ else "far"
    stays = plan.station_named(station)
    latitude, longitude = placed_deg(stays)
    moved = plan.station_named(link.to if fixed == "near" else link.from_)
    placed = {"latitude_deg": latitude, "longitude_deg": longitude}
    moved = moved.model_copy(update={**placed, "easting_m": None, "northing_m": None, "epsg": None})
    near, far = (stays, moved) if fixed == "near" else (moved, stays)
    # a case needs a profile; nothing looks at this one
    x = np.array([0.0, 500.0, 1000.0])
    nowhere = Profile(
        x, 0.0 * x, 0.0 * x, ("", "", ""), np.full(3, INLAND, dtype=np.int8),
        np.full(3, latitude), np.full(3, longitude), "", 0.0, (),
    )  # fmt: skip
    # obstacles and a survey are those of the link's own path, not of the path to a cell
    alone = link.model_copy(update={"obstacle": [], "profile_csv": None})
    case = LinkCase(alone, near, far, plan.conditions, nowhere, 0.0, 180.0, plan.regulation)
    # power over the legal limits does not count
    return lawful(replace(case, sent=sent_over(plan, link)))[0], fixed


def placed_deg(station: Station, why: str = "") -> tuple[float, float]:
    """Where a station stands that must have a position."""
    if not station.positioned:
        raise TerrainError(
            f'station "{station.name}" has no position{why}: give latitude_deg and longitude_deg, '
            "or easting_m, northing_m and epsg"
        )
    return position_deg(station)


def answers(
    template: LinkCase, fixed: End, station_deg: tuple[float, float], east_m: Floats, north_m: Floats,
    found: Losses,
) -> Answers:  # fmt: skip
    """Levels, margins and success over the losses of positions east and north of the fixed station."""
    common = _common_db(template, fixed, station_deg, east_m, north_m, found)
    shared = path_items(template, found)
    levels, margins, judged = [], [], []
    for back in (False, True):
        tx, rx = (template.far, template.near) if back else (template.near, template.far)
        level = tx.transmit_power_dbm + common
        margin = level - template.sensitivity_dbm(rx)
        levels.append(level)
        margins.append(margin)
        judged.append(judge(template, found, rx, margin, shared))
    forward, return_ = judged
    # duty, dwell or channel over a legal limit: at risk at best, as a check has it
    over = any(x.legal_dbm is None for x in lawful(template)[1])
    at_best = VERDICTS.index("at_risk" if over else "closes")
    # by what is left over the required margin, not by margin: the receivers' noise may be unequally certain
    weaker_return = margins[1] - return_.required_margin_db < margins[0] - forward.required_margin_db
    margin = np.where(weaker_return, margins[1], margins[0])
    needed = np.where(weaker_return, return_.required_margin_db, forward.required_margin_db)
    return Answers(
        level_forward_dbm=levels[0],
        level_return_dbm=levels[1],
        margin_forward_db=margins[0],
        margin_return_db=margins[1],
        required_margin_db=needed,
        spare_db=margin - needed,
        site_share=np.minimum(forward.site_share, return_.site_share),
        judgements=(forward, return_),
        success_forward=forward.success,
        success_return=return_.success,
        spreading_factor=_lowest_factor(template, margin - needed),
        # -1, no path, is less than any word, and stays
        verdict=np.minimum(np.minimum(forward.verdict, return_.verdict), np.int8(at_best)),
        path_loss_db=found.loss_db,
        ground_m=found.far_ground_m if fixed == "near" else found.near_ground_m,
    )


@dataclass(frozen=True, eq=False)
class Around:
    """A link between a station that stays, on its land, and positions around it."""

    land: Land
    template: LinkCase
    fixed: End
    """Which end of the link stays."""

    @property
    def station_deg(self) -> tuple[float, float]:
        """Latitude and longitude of the station."""
        return self.land.latitude_deg, self.land.longitude_deg

    def digest(self) -> str:
        """All that its figures depend on, the formulas aside, in words."""
        case = self.template
        parts = (case.link, case.near, case.far, case.conditions, case.regulation)
        # a default that is stated is none: surroundings that nobody stated are looked up in rasters
        stated = [sorted(part.model_fields_set) for part in parts]
        written = [part.model_dump_json() for part in parts]
        return f"{self.land.digest()} {self.fixed} {written} {stated} {case.sent!r}"

    def answers(self, east_m: Floats, north_m: Floats, *, use_numba: bool | None = None) -> Answers:
        """Levels, margins and success at positions east and north of the station."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)  # said once for the whole area
            found = losses(self.land, self.template, self.fixed, east_m, north_m, use_numba=use_numba)
            return answers(self.template, self.fixed, self.station_deg, east_m, north_m, found)

    def figures(
        self, names: Sequence[str], east_m: Floats, north_m: Floats, *, use_numba: bool | None = None
    ) -> dict[str, Floats]:
        """Some of their figures, by name."""
        got = self.answers(east_m, north_m, use_numba=use_numba)
        return {name: got.named(name) for name in names}


def _lowest_factor(template: LinkCase, spare: Floats) -> Floats:
    m = template.link.modulation
    if not isinstance(m, ChirpModulation):
        return np.full(spare.shape, np.nan)
    lowest = np.where(np.isnan(spare), np.nan, 0.0)
    # from the slowest on, so that the fastest that suffices has the last say
    for factor in sorted({*SPREADING_FACTORS, m.spreading_factor}, reverse=True):
        gained = css.required_snr_db(m.spreading_factor) - css.required_snr_db(factor)
        lowest = np.where(spare + gained >= 0.0, factor, lowest)
    return lowest


def _common_db(
    template: LinkCase, fixed: End, station_deg: tuple[float, float], east: Floats, north: Floats,
    found: Losses,
) -> Floats:  # fmt: skip
    """All gains and losses between the two connectors, the same in both directions."""
    near, far = template.near, template.far
    # true bearings: in the plane around the station straight lines through it are geodesics
    out = np.degrees(np.arctan2(east, north))
    moved = far if fixed == "near" else near
    home = out + 180.0
    # the true bearing back costs a geodesic a cell, and only an antenna that points somewhere looks at it
    if moved.antenna.azimuth_deg is not None:
        lat, lon = Plane(*station_deg).geographic(east, north)
        there = np.broadcast_to(station_deg[0], east.shape), np.broadcast_to(station_deg[1], east.shape)
        home = np.asarray(geodesy.in_shape(geodesy.ellipsoid().inv, lon, lat, there[1], there[0])[0])
    bearings = (out, home) if fixed == "near" else (home, out)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        return template.common_db(found, bearings)
