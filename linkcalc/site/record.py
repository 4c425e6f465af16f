"""What a record of one link holds: the answer, the sites, the ground around them, readings, inputs by digest.

Nothing here reads a clock: the same files and options give the same record.
"""

import hashlib
import math
import platform
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.answer import Answer, view
from linkcalc.errors import LinkcalcError, quoted
from linkcalc.link.case import LinkCase, feeder_loss_db, feeder_words, main_gain_dbi
from linkcalc.link.on_ground import link_case, open_terrain, recorded_notes
from linkcalc.link.parts_list import Bill, bill
from linkcalc.link.result import Assumption, LinkResult, VerdictWord
from linkcalc.link.verdict import CAUTIONS, assumed_of, check_link, with_remedies
from linkcalc.operation import limits as plan_limits
from linkcalc.operation.exposure import CAVEAT, StationKeeping
from linkcalc.operation.exposure import section as exposure_section
from linkcalc.operation.limits import EndLimits
from linkcalc.operation.sections import sections_of
from linkcalc.plan import Conditions, Link, LoadedPlan, Plan, Station
from linkcalc.plan.scenario import SOURCE
from linkcalc.plan.stations import position_deg
from linkcalc.rules.found import CAUTION as LIMITS_CAUTION
from linkcalc.site.acceptance import Acceptance, acceptance
from linkcalc.site.day_foliage import TROPICS_DEG
from linkcalc.site.reading import Leaf
from linkcalc.site.readings import Readings
from linkcalc.site.survey import Survey, survey_link
from linkcalc.terrain import geodesy
from linkcalc.terrain.land_cover import Layers
from linkcalc.terrain.profile import Profile
from linkcalc.terrain.rasters import Mosaic
from linkcalc.units import DBI_OVER_DBD_DB

MAP_ASPECT = 2.15
"""Width over height of the map."""

FULL_LEAF_FROM = {"north": (6, 15), "south": (12, 15)}
"""Month and day from which trees are in full leaf outside the tropics (common practice, no source)."""

DEFAULT_SUCCESS = 0.95
"""Share of packets the acceptance test proves, unless stated (common practice, no source)."""

LARGEST_PHOTO_BYTES = 10_000_000

_PHOTO_STARTS: dict[Literal["jpeg", "png"], bytes] = {"jpeg": b"\xff\xd8\xff", "png": b"\x89PNG\r\n\x1a\n"}

_MAP_CELLS = 360
_LIBRARIES = ("numpy", "scipy", "pydantic", "pyproj", "rasterio", "matplotlib")


@dataclass(frozen=True)
class InputFile:
    """A file the record rests on."""

    role: str
    name: str
    sha256: str | None
    """Of its bytes, hexadecimal; None where it is not a local file."""


@dataclass(frozen=True)
class Job:
    """Whom and what the record is for; what is left empty is written in by hand."""

    customer: str = ""
    site: str = ""
    number: str = ""
    installer: str = ""
    firm: str = ""


@dataclass(frozen=True)
class Photo:
    """A picture taken on site."""

    name: str
    kind: Literal["jpeg", "png"]
    content: bytes


@dataclass(frozen=True)
class Taken:
    """Readings of a link, and the foliage on that day for those that do not say."""

    readings: Readings
    paths: Sequence[str | Path] = ()
    leaf: Leaf | None = None
    wet_foliage: bool | None = None


@dataclass(frozen=True)
class Recheck:
    """When to measure again."""

    on: date | None
    """None where no date is given, or the hemisphere is not known."""
    rule: str


@dataclass(frozen=True)
class Site:
    """One end of the link as planned."""

    station: Station
    position_deg: tuple[float, float] | None
    ground_m: float
    bearing_deg: float | None
    """Of the other station, from true north."""
    elevation_deg: float
    antenna_gain_dbi: float
    feeder: str
    feeder_loss_db: float
    eirp_dbm: float
    """In the main beam."""

    @property
    def erp_dbm(self) -> float:
        return self.eirp_dbm - DBI_OVER_DBD_DB


@dataclass(frozen=True)
class SiteMap:
    """Stations, path and ground on a plane, metres east and north of the path's middle."""

    east_m: Floats
    north_m: Floats
    half_width_m: float
    """The window reaches so far east and west, and by `MAP_ASPECT` less north and south."""
    heights_m: Floats | None
    """(rows, columns), row 0 in the north, NaN where unknown; None without rasters."""
    cell_m: float


@dataclass(frozen=True, eq=False, repr=False)
class Record(Answer):
    """Everything a record shows."""

    title: str
    job: Job
    link: Link
    result: LinkResult
    conditions: Conditions
    sites: tuple[Site, Site]
    bill: Bill
    map: SiteMap | None
    limits: tuple[EndLimits, ...]
    region_name: str
    limits_caution: str
    keep_away: tuple[StationKeeping, ...]
    keep_away_caution: str
    readings: Readings | None
    survey: Survey | None
    success: float
    confidence: float
    tests: tuple[Acceptance, Acceptance]
    """Of packets in both directions; with a count where packets were counted."""
    day: date | None
    recheck: Recheck
    operation: tuple[str, ...]
    """What the plan's messages, tank and batteries come to, a line each; empty where it has several links."""
    photos: tuple[Photo, ...]
    cautions: tuple[str, ...]
    assumed: tuple[Assumption, ...]
    warnings: tuple[str, ...]
    inputs: tuple[InputFile, ...]
    versions: tuple[tuple[str, str], ...]

    def to_html(self, signed_by_lines: int = 2) -> str:
        return str(view("record").record_html(self, signed_by_lines))

    def to_pdf(self, paper: Literal["a4", "letter"] = "a4", signed_by_lines: int = 2) -> bytes:
        """Return the record as a PDF; raises `LinkcalcError` without the extra linkcalc[pdf]."""
        return bytes(view("record").record_pdf(self.to_html(signed_by_lines), paper))

    @property
    def verdict(self) -> VerdictWord:
        return self.result.verdict if self.survey is None else self.survey.verdict

    @property
    def digest(self) -> str:
        """SHA-256 of the lines "digest, two spaces, role: name" of all inputs, as `sha256sum` writes them."""
        lines = (f"{f.sha256 or '-' * 64}  {f.role}: {f.name}\n" for f in self.inputs)
        return hashlib.sha256("".join(lines).encode()).hexdigest()


def make_record(
    loaded: LoadedPlan,
    link: Link,
    *,
    taken: Taken | None = None,
    day: date | None = None,
    success: float | None = None,
    confidence: float = 0.95,
    job: Job | None = None,
    photos: Sequence[str | Path] = (),
) -> Record:
    """Put together the record of one link.

    `day` is that of the record; the day to measure again is reckoned from it. `success` of single packets is
    what the acceptance test is to prove; left out: the plan's `required_success` where a message has one try,
    else 0.95. Photos, JPEG or PNG, become part of the record.
    """
    plan = loaded.plan
    with recorded_notes() as said, open_terrain(loaded) as terrain:
        case = link_case(loaded, link, terrain)
        result = with_remedies(check_link(case), case, loaded, terrain)
        around = _site_map(case, terrain[0])
        files = tuple(_files(loaded, link, case.profile, terrain))
        survey = None
        if taken is not None:
            survey = survey_link(
                case,
                taken.readings,
                leaf=taken.leaf,
                wet_foliage=taken.wet_foliage,
                plan=plan,
                plan_digest=loaded.digest,
            )
    operation = _operation(plan, link, result)
    limits = plan_limits.section(plan)
    exposure = exposure_section(plan)
    if success is None:
        success = (link.required_success if link.tries == 1 else None) or DEFAULT_SUCCESS
    read = () if taken is None else taken.paths
    return Record(
        title=plan.title,
        job=job or Job(),
        link=link,
        result=result,
        conditions=plan.conditions,
        sites=(
            _site(case, case.near, 0, case.azimuth_deg, case.elevation_deg("near")),
            _site(case, case.far, -1, case.back_azimuth_deg, case.elevation_deg("far")),
        ),
        bill=bill(plan.model_copy(update={"link": [link]}), operation),
        map=around,
        limits=tuple(e for e in limits.ends if e.link == link.name),
        region_name=limits.region_name,
        limits_caution=LIMITS_CAUTION,
        keep_away=tuple(s for s in exposure.stations if s.station in (link.from_, link.to)),
        keep_away_caution=CAVEAT,
        readings=None if taken is None else taken.readings,
        survey=survey,
        success=success,
        confidence=confidence,
        tests=(_test(survey, 0, success, confidence), _test(survey, 1, success, confidence)),
        day=day,
        recheck=recheck(day, _latitude_deg(case.profile)),
        operation=tuple(s.line for s in operation.values()) if len(plan.link) == 1 else (),
        photos=tuple(_photo(path) for path in photos),
        cautions=tuple(dict.fromkeys([*CAUTIONS, *(() if survey is None else survey.cautions)])),
        assumed=tuple(
            a for a in assumed_of(loaded, [case]) if a.source == SOURCE or _concerns(a.key, plan, link)
        ),
        warnings=tuple(dict.fromkeys([*loaded.notes, *said, *result.warnings])),
        inputs=(
            InputFile("plan", loaded.path.name, loaded.digest),
            *files,
            InputFile(
                "profile as used", f"{len(case.profile.distance_m)} points", _profile_digest(case.profile)
            ),
            *(InputFile("readings", Path(path).name, _file_digest(path)) for path in read),
            *(InputFile("photo", Path(path).name, _file_digest(path)) for path in photos),
        ),
        versions=_versions(),
    )


def _operation(plan: Plan, link: Link, result: LinkResult) -> dict[str, Any]:
    """Sections on this link alone; of several links, only what the batteries of its parts list need."""
    if len(plan.link) == 1:
        energy = ("energy",) if plan.power else ()
        return sections_of(plan, (result,), only=("messages", "tank", *energy))
    if any(s.station in (link.from_, link.to) and s.solar is not None for s in plan.power):
        return sections_of(plan, (result,), only=("energy",))
    return {}


def _versions() -> tuple[tuple[str, str], ...]:
    import pyproj
    import rasterio

    return (
        ("linkcalc", __version__),
        ("Python", platform.python_version()),
        *((name, version(name)) for name in _LIBRARIES),
        ("GDAL", rasterio.__gdal_version__),
        ("PROJ", pyproj.proj_version_str),
    )


def recheck(day: date | None, latitude_deg: float | None) -> Recheck:
    """Say when to measure again: in the next full-leaf season after the record's day, where the path lies.

    >>> recheck(date(2031, 2, 3), 48.0).on, recheck(date(2031, 6, 1), 48.0).on
    (datetime.date(2031, 6, 15), datetime.date(2031, 6, 15))
    >>> recheck(date(2031, 2, 3), -40.0).on
    datetime.date(2031, 12, 15)
    """
    if latitude_deg is None:
        return Recheck(
            None,
            "in full leaf, from 15 June north and from 15 December south of the tropics; the plan gives no "
            "position",
        )
    if abs(latitude_deg) < TROPICS_DEG:
        rule = "half a year on, in the other of the dry and the wet season (between the tropics)"
        return Recheck(None if day is None else _half_a_year_on(day), rule)
    side = "north" if latitude_deg > 0 else "south"
    month, first = FULL_LEAF_FROM[side]
    name = {6: "June", 12: "December"}[month]
    rule = f"in the next full-leaf season, from {first} {name} {side} of the tropics, after the record"
    if day is None:
        return Recheck(None, rule)
    on = date(day.year, month, first)
    if on <= day:
        on = on.replace(year=on.year + 1)
    return Recheck(on, rule)


def _half_a_year_on(day: date) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 + 6, 12)
    return date(year, month + 1, min(day.day, 28))


def _test(survey: Survey | None, way: int, success: float, confidence: float) -> Acceptance:
    counted = None if survey is None else survey.directions[way].counted_as_planned
    if counted is None or not counted[0]:
        return acceptance(success, confidence)
    return acceptance(success, confidence, sent=counted[0], lost=counted[0] - counted[1])


def _site(case: LinkCase, station: Station, at: int, bearing_deg: float, elevation_deg: float) -> Site:
    gain_dbi = main_gain_dbi(station)
    loss_db = feeder_loss_db(station, case.frequency_hz)
    extra_db = sum(x.loss_db for x in station.extra_loss)
    return Site(
        station=station,
        position_deg=position_deg(station) if station.positioned else None,
        ground_m=float(case.profile.ground_m[at]),
        bearing_deg=bearing_deg % 360.0 if case.positioned else None,
        elevation_deg=elevation_deg,
        antenna_gain_dbi=gain_dbi,
        feeder=feeder_words(station),
        feeder_loss_db=loss_db,
        eirp_dbm=station.transmit_power_dbm - loss_db - extra_db + gain_dbi,
    )


def _latitude_deg(profile: Profile) -> float | None:
    return None if profile.latitude_deg is None else float(np.mean(profile.latitude_deg[[0, -1]]))


def _site_map(case: LinkCase, ground: Mosaic) -> SiteMap | None:
    """The plane around the path; None without positions."""
    p = case.profile
    if p.latitude_deg is None or p.longitude_deg is None or not case.positioned:
        return None
    middle = len(p.distance_m) // 2
    lat, lon = float(p.latitude_deg[middle]), float(p.longitude_deg[middle])
    crs = f"+proj=aeqd +lat_0={lat!r} +lon_0={lon!r} +datum=WGS84 +units=m"
    east, north = geodesy.transformer("EPSG:4326", crs).transform(p.longitude_deg, p.latitude_deg)
    shift = float(east[0] + east[-1]) / 2.0, float(north[0] + north[-1]) / 2.0
    half_m = 0.68 * max(
        abs(east[-1] - east[0]), MAP_ASPECT * abs(north[-1] - north[0]) * 1.15, 0.3 * p.length_m
    )
    heights, cell_m = None, math.nan
    if ground.rasters:
        cell_m = 2.0 * half_m / _MAP_CELLS
        columns = (np.arange(_MAP_CELLS) + 0.5) * cell_m - half_m
        rows = half_m / MAP_ASPECT - (np.arange(round(_MAP_CELLS / MAP_ASPECT)) + 0.5) * cell_m
        x, y = np.meshgrid(columns + shift[0], rows + shift[1])
        longitude, latitude = geodesy.transformer(crs, "EPSG:4326").transform(x, y)
        heights = ground.sample(latitude, longitude)
        if np.isnan(heights).all():
            heights = None
    return SiteMap(np.asarray(east) - shift[0], np.asarray(north) - shift[1], half_m, heights, cell_m)


def _files(loaded: LoadedPlan, link: Link, profile: Profile, terrain: Layers) -> Iterator[InputFile]:
    """The rasters that hold any point of the path, and the surveyed profile."""
    if profile.latitude_deg is not None and profile.longitude_deg is not None:
        mosaics = (terrain.ground, terrain.surface, terrain.canopy, terrain.cover.codes)
        roles = ("ground raster", "surface raster", "canopy raster", "land-cover raster")
        for role, mosaic in zip(roles, mosaics, strict=True):
            for raster in mosaic.holding(profile.latitude_deg, profile.longitude_deg):
                local = "://" not in raster.name and not raster.name.startswith("/vsi")
                digest = _file_digest(loaded.base_dir / raster.name) if local else None
                yield InputFile(role, raster.name, digest)
    # a profile handed over in Python takes the file's place, which is then never read
    if link.profile_csv is not None and link.name not in loaded.profiles:
        digest = _file_digest(loaded.base_dir / link.profile_csv)
        yield InputFile("surveyed profile", link.profile_csv, digest)


def _file_digest(path: str | Path) -> str:
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise LinkcalcError(f"{path}: cannot be read: {error.strerror or error}") from None


def _photo(path: str | Path) -> Photo:
    file = Path(path)
    try:
        size = file.stat().st_size
        content = file.read_bytes() if size <= LARGEST_PHOTO_BYTES else b""
    except OSError as error:
        raise LinkcalcError(f"{path}: cannot be read: {error.strerror or error}") from None
    if size > LARGEST_PHOTO_BYTES:
        most = f"{LARGEST_PHOTO_BYTES / 1e6:g} MB"
        raise LinkcalcError(f"{path}: has {size / 1e6:.0f} MB; a photo may have {most}: make it smaller")
    for kind, start in _PHOTO_STARTS.items():
        if content.startswith(start):
            return Photo(file.name, kind, content)
    raise LinkcalcError(f"{path}: is neither JPEG nor PNG: save it as one of these")


def _profile_digest(profile: Profile) -> str:
    """Of the heights to a millimetre, which the record rests on wherever they come from."""
    columns = zip(profile.distance_m, profile.ground_m, profile.clutter_m, profile.clutter_kind, strict=True)
    lines = (f"{d:.3f},{g:.3f},{c:.3f},{kind}\n" for d, g, c, kind in columns)
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def _concerns(key: str, plan: Plan, link: Link) -> bool:
    """Whether what was assumed matters to this link."""
    ours = {link.from_, link.to}
    others = [f"station {quoted(s.name)} " for s in plan.station if s.name not in ours]
    others += [f"link {quoted(k.name)} " for k in plan.link if k.name != link.name]
    if len(plan.link) > 1:  # the record then answers nothing of these
        others += ["power ", "message ", "tank.", "engine."]
    return not key.startswith(tuple(others))
