"""A plan put on its ground: heights read once, every link with its profile and what surrounds its ends."""

import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace

from linkcalc.errors import OutOfRangeWarning, TerrainError
from linkcalc.link.case import LinkCase, shown_surroundings
from linkcalc.link.surroundings import Surroundings
from linkcalc.link.traffic import sent_elsewhere, sent_over
from linkcalc.plan import Link, LoadedPlan, Station
from linkcalc.plan.stations import position_deg
from linkcalc.terrain import geodesy
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.land_cover import REACH_M, Layers, neighbourhood, open_land_cover
from linkcalc.terrain.profile import Profile, with_obstacles
from linkcalc.terrain.raster import CANOPY_LIMITS_M, GROUND_LIMITS_M
from linkcalc.terrain.rasters import open_mosaic
from linkcalc.terrain.surveyed import read_profile_csv

_SURVEY_TOLERANCE = 0.03
"""Share by which a surveyed length may differ from that between the positions, unremarked."""
_SURVEY_FAR_TOO_SHORT = 2.0
"""Positions so many times farther apart: in another unit, or of another path; half the way loses 6 to 12 dB less."""


@contextmanager
def open_terrain(loaded: LoadedPlan) -> Iterator[Layers]:
    """Open the plan's rasters once for all links."""
    t = loaded.plan.terrain
    with ExitStack() as stack:
        ground, surface, canopy = (
            stack.enter_context(open_mosaic(files, loaded.base_dir, limits_m=limits_m, **t.reading()))
            for files, limits_m in (
                (t.rasters, GROUND_LIMITS_M),
                (t.surface_rasters, GROUND_LIMITS_M),
                (t.canopy_rasters, CANOPY_LIMITS_M),
            )
        )
        cover = open_land_cover(t.land_cover_rasters, loaded.base_dir, network=t.network)
        for mosaic in cover:
            stack.enter_context(mosaic)
        yield Layers(ground, surface, canopy, cover)


def cases(loaded: LoadedPlan, terrain: Layers) -> Iterator[LinkCase]:
    """Every link of a plan on its ground."""
    for link in loaded.plan.link:
        yield link_case(loaded, link, terrain)


def link_case(loaded: LoadedPlan, link: Link, terrain: Layers) -> LinkCase:
    """One link of a plan on its ground."""
    plan = loaded.plan
    near, far = plan.station_named(link.from_), plan.station_named(link.to)
    # without positions: any bearing will do, as antennas are then taken to point at each other
    azimuth, back_azimuth = 0.0, 180.0
    if near.positioned and far.positioned:
        a, b = position_deg(near), position_deg(far)
        length_m, azimuth, back_azimuth = geodesy.path_between(*a, *b)
    surveyed = loaded.profiles.get(link.name)
    if surveyed is None and link.profile_csv is not None:
        surveyed = read_profile_csv(loaded.base_dir / link.profile_csv)
    if surveyed is not None:
        both = near.positioned and far.positioned
        name = link.profile_csv or f'link "{link.name}"'
        profile = _placed(surveyed, length_m, a, b, name) if both else surveyed
    else:
        profile = cut_profile(
            *a,
            *b,
            terrain.ground,
            surface_rasters=terrain.surface,
            canopy_rasters=terrain.canopy,
            step_m=plan.terrain.step_m,
            how=Cutting(
                terrain.cover,
                plan.terrain.surface_kind,
                plan.terrain.largest_hole_m,
                plan.terrain.sea_without_data,
                names=(near.name, far.name),
            ),
        )
    if link.obstacle:
        profile = with_obstacles(profile, link.obstacle)
    case = LinkCase(link, near, far, plan.conditions, profile, azimuth, back_azimuth, plan.regulation)
    return replace(
        case,
        sent=sent_over(plan, link),
        sent_elsewhere=(sent_elsewhere(plan, link, near.name), sent_elsewhere(plan, link, far.name)),
        shown=(_shown(near, terrain), _shown(far, terrain)),
    )


def _shown(station: Station, terrain: Layers) -> Surroundings | None:
    """What land cover and canopy show around a station."""
    if not station.positioned:
        return None
    here = position_deg(station)
    found = neighbourhood(terrain, *here, REACH_M)
    return shown_surroundings(found.around(*here)) if found.known else None


def _placed(
    profile: Profile, length_m: float, start: tuple[float, float], end: tuple[float, float], name: str
) -> Profile:
    """A surveyed profile with the positions that its stations give it."""
    stretch = length_m / profile.length_m
    notes = profile.notes
    said = (
        f"the surveyed profile is {profile.length_m:.0f} m long, but the stations' positions are "
        f"{length_m:.0f} m apart"
    )
    if stretch > _SURVEY_FAR_TOO_SHORT:
        raise TerrainError(
            f"{name}: {said}: distances must be in metres, of the whole path, and positions right"
        )
    if abs(stretch - 1.0) > _SURVEY_TOLERANCE:
        notes = (*notes, f"{said}: the profile is used, and one of the two is wrong")
    # the surveyed distances stay: only the positions are laid out in proportion
    latitude_deg, longitude_deg = geodesy.points_along(*start, *end, profile.distance_m * stretch)
    return replace(profile, latitude_deg=latitude_deg, longitude_deg=longitude_deg, notes=notes)


@contextmanager
def recorded_notes() -> Iterator[list[str]]:
    """Collect what models say about being used outside their range, once each."""
    said: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRangeWarning)
        yield said
    # filled in when the block ends: within it the list is empty
    said += dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, OutOfRangeWarning))
