"""What the default rules say of measured links: each put into a plan as a user would, judged as `check` does.

Through the same functions, so that nothing here knows which rules gave a number.
"""

import math
import os
import warnings
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError, OutOfRangeWarning
from linkcalc.link.case import LinkCase
from linkcalc.link.judgement import judge
from linkcalc.link.losses import REGIMES, Situation, profile_arguments, profile_facts
from linkcalc.link.on_ground import link_case, open_terrain
from linkcalc.link.path_loss import find
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan.loading import plan_from
from linkcalc.terrain.profile import Profile, profile_from
from linkcalc.terrain.raster import GROUND_LIMITS_M
from linkcalc.terrain.rasters import open_mosaic
from linkcalc.terrain.surveyed import read_profile_csv
from tests.validation.measured.links import Gathered, Links, gather
from tests.validation.measured.sets import Assumed, MeasuredSet, find_sets, read_set

MARGINS_DB = (10.0, 15.0, 20.0, 25.0, 30.0)

STEEPEST_DEG = 10.0
"""A ray that rises more meets antennas where their gain is not the stated one."""

LOW_M = 10.0
"""An antenna under this stands among what surrounds it."""

TOWER_M = 100.0
"""Under something so high, half of `LOW_M` is no low antenna: its ray comes from above what surrounds it."""

TREES_DB = 1.0
"""A path that loses so much in trees is one through trees."""

_STRAIGHT_STEP_M = 100.0
_WORTH_A_PROCESS = 60
_CHUNK = 40

_TREES = 4
_BUILT = (3, 5)
"""Cover codes of Rec. ITU-R P.1812: suburban, trees, dense urban; 1 and 2 are water and open ground."""


@dataclass(frozen=True)
class Ways:
    """What is stated beyond a user's bare plan: nothing, unless a question is asked of the rules."""

    station: Mapping[str, Any] = field(default_factory=dict)
    link: Mapping[str, Any] = field(default_factory=dict)
    conditions: Mapping[str, Any] = field(default_factory=dict)
    mapped_cover: bool = True
    """Trees and buildings that a set's profiles show are put on the path."""
    keep_paths: bool = False
    """Keep what the rules start from, see `Judged.path`."""


@dataclass(frozen=True, eq=False)
class Kept:
    """Arguments of `losses.path_losses` for one path."""

    found: Floats
    """Row of `path_loss.find`."""
    situation: Situation
    facts: dict[str, Any]


@dataclass(frozen=True)
class Judged:
    """Measured links beside what the default rules say of them; one element each."""

    set: np.ndarray
    site: np.ndarray
    """The receiver (where a set names none, the place): hold out by this."""
    place: np.ndarray
    distance_m: np.ndarray
    lower_m: np.ndarray
    """Height above ground of the lower antenna."""
    higher_m: np.ndarray
    frequency_hz: np.ndarray
    regime: np.ndarray
    trees: np.ndarray
    """Whether the rules count vegetation on the path."""
    predicted_db: np.ndarray
    """Loss between the radios, antennas taken as 0 dBi."""
    free_space_db: np.ndarray
    sigma_db: np.ndarray
    """Stated for the site's part."""
    least_db: np.ndarray
    most_db: np.ndarray
    """Limits of the measured loss: equal where it was measured, inf above where nothing was heard. Up to an
    offset of the site where the level is not absolute."""
    absolute: np.ndarray
    ends_clear: np.ndarray
    """Whether the set says that nothing surrounds its antennas."""
    said: np.ndarray
    """(n, margins) probability of delivery at a predicted margin of `MARGINS_DB`."""
    verdict: np.ndarray
    """(n, margins) the verdict's word there."""
    path: np.ndarray
    """What `losses.path_losses` is given, as `Kept`; None unless kept."""

    def __len__(self) -> int:
        return len(self.set)

    def only(self, which: np.ndarray) -> "Judged":
        """Some of the links."""
        return Judged(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    @property
    def measured(self) -> np.ndarray:
        return np.isfinite(self.most_db)

    @property
    def low(self) -> np.ndarray:
        """Whether an end stands among what surrounds it."""
        under_tower = (self.lower_m >= LOW_M / 2.0) & (self.higher_m >= TOWER_M)
        return (self.lower_m < LOW_M) & ~under_tower & ~self.ends_clear

    @property
    def kind(self) -> np.ndarray:
        """Class of path."""
        ends = np.where(self.low, "low end", "both high")
        found = np.char.add(np.char.add(self.regime.astype(str), ", "), ends)
        return np.where(self.trees, "trees in the path", found)

    @property
    def flat_db(self) -> np.ndarray:
        """Plane earth between the stated heights, never less than free space: the baseline to beat."""
        plane = 40.0 * np.log10(self.distance_m) - 20.0 * np.log10(self.lower_m * self.higher_m)
        return np.maximum(plane, self.free_space_db)


def judged_sets(
    folder: Path, assumed: Assumed | None = None, terrain: Sequence[Path] = (), ways: Ways | None = None
) -> Judged:
    """Every set in a folder, for fits in Python.

    >>> judged = judged_sets(Path("measured"))  # doctest: +SKIP
    >>> error_db = (judged.predicted_db - judged.least_db)[judged.absolute]  # doctest: +SKIP
    """
    parts = []
    for found in find_sets(folder):
        measured = read_set(found, assumed or Assumed())
        parts.append(judged_links(measured, gather(measured), terrain, ways or Ways())[0])
    return together(parts)


def together(parts: Sequence[Judged]) -> Judged:
    """Several sets as one."""
    return Judged(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Judged)})


def judged_links(
    measured: MeasuredSet, gathered: Gathered, terrain: Sequence[Path], ways: Ways
) -> tuple[Judged, list[str]]:
    """One set, and what was done to put it into plans."""
    links = gathered.links
    heights = np.stack([links.tx_height_m, links.rx_height_m])
    rise = links.tx_ground_m + links.tx_height_m - links.rx_ground_m - links.rx_height_m
    angle = np.degrees(np.arctan2(np.abs(np.nan_to_num(rise)), links.distance_m))
    notes = []
    usable = np.ones(len(links), dtype=bool)
    for bad, why in (
        (angle > STEEPEST_DEG, f"the ray rises more than {STEEPEST_DEG:g} degrees"),
        ((heights < 0.1).any(axis=0) | (heights > 3000.0).any(axis=0), "an antenna no plan may state"),
    ):
        if (usable & bad).any():
            notes.append(f"{int((usable & bad).sum())} links left out: {why}")
        usable &= ~bad
    links = links.only(usable)
    rasters = [str(r.resolve()) for r in (*measured.rasters, *terrain)]
    if rasters and not _covered(links, rasters, bool(measured.rasters)):
        rasters = []
    if measured.ends_clear:
        ways = replace(ways, station={"surroundings": "none", **ways.station})
    asks = [_ask(links, i, bool(rasters), ways) for i in range(len(links))]
    how = {str(a["ground"]) for a in asks}
    notes += [f"ground: {', '.join(sorted(how))}"] if how else []
    answers = list(_answers(asks, rasters, ways))
    found = [i for i, a in enumerate(answers) if isinstance(a, dict)]
    failed = [str(a) for a in answers if isinstance(a, str)]
    if failed:
        notes.append(f"{len(failed)} links no plan could be made of, such as: {failed[0]}")
    links = links.only(np.array(found, dtype=int))
    got: dict[str, np.ndarray] = {
        name: np.array([answers[i][name] for i in found]) for name in (answers[found[0]] if found else _EMPTY)
    }
    absolute = np.isfinite(links.path_loss_db) & measured.level_usable
    loss = np.where(np.isfinite(links.path_loss_db), links.path_loss_db, -links.level_dbm)
    heard = np.isfinite(loss)
    receivers = np.array(sorted(set(gathered.names)))
    site = receivers[links.group] if len(receivers) > 1 else links.place
    ends = np.sort(np.stack([links.tx_height_m, links.rx_height_m]), axis=0)
    return (
        Judged(
            set=np.full(len(links), measured.name, dtype=object),
            site=np.array([f"{measured.name} {name}" for name in site], dtype=object),
            place=links.place,
            lower_m=ends[0],
            higher_m=ends[1],
            frequency_hz=links.frequency_hz,
            least_db=np.where(heard, loss, -links.limit_dbm),
            most_db=np.where(heard, loss, math.inf),
            absolute=absolute,
            ends_clear=np.full(len(links), measured.ends_clear),
            **got,
        ),
        notes,
    )


def _covered(links: Links, rasters: Sequence[str], own: bool) -> bool:
    """Whether rasters show the ground of a set: a set's own are taken to."""
    known = np.isfinite(links.tx_position).all(axis=1) & np.isfinite(links.rx_position).all(axis=1)
    if own or not known.any():
        return own
    with open_mosaic(rasters, limits_m=GROUND_LIMITS_M) as mosaic:
        return bool(np.isfinite(mosaic.sample(*links.rx_position[known].T)).any())


def _ask(links: Links, i: int, on_raster: bool, ways: Ways) -> dict[str, Any]:
    """One link as the tables of a plan, with the best ground the set has."""
    ends = {}
    for end in ("tx", "rx"):
        lat, lon = getattr(links, f"{end}_position")[i]
        # 0 dBi and no noise from outside: the set's loss has neither gains nor noise in it
        station: dict[str, Any] = {
            "name": f"{end}{i}",
            "antenna_height_m": float(getattr(links, f"{end}_height_m")[i]),
            "antenna": {"gain_dbi": 0.0},
            "noise_environment": "none",
            **ways.station,
        }
        if math.isfinite(lat) and (on_raster or links.profile[i]):
            station |= {"latitude_deg": float(lat), "longitude_deg": float(lon)}
        ends[end] = station
    profile, ground = None, "raster"
    if links.profile[i]:
        profile, ground = _profile(Path(links.profile[i]), ways.mapped_cover), "the set's profiles"
    elif not on_raster:
        profile, ground = _straight(links, i), "a straight line between the ends, for want of any other"
    link = {
        "name": f"link{i}",
        "from": f"tx{i}",
        "to": f"rx{i}",
        "frequency_mhz": float(links.frequency_hz[i] / 1e6),
        "modulation": {"kind": "css", "spreading_factor": 12},
        **ways.link,
    }
    return {"stations": [ends["tx"], ends["rx"]], "link": link, "profile": profile, "ground": ground}


def _straight(links: Links, i: int) -> Profile:
    length = float(links.distance_m[i])
    ends = np.nan_to_num([links.tx_ground_m[i], links.rx_ground_m[i]])
    d = np.linspace(0.0, length, 1 + int(np.clip(length / _STRAIGHT_STEP_M, 20, 2000)))
    return profile_from(d, ends[0] + (ends[1] - ends[0]) * d / length)


def _profile(path: Path, mapped_cover: bool) -> Profile:
    """A set's own profile. Cover at the ends is what the standard takes there, not what stands there."""
    table = np.genfromtxt(path, delimiter=",", names=True)
    if "cover_code" not in (table.dtype.names or ()):
        return read_profile_csv(path)
    code = table["cover_code"]
    shown = np.isin(code, (_TREES, *_BUILT)) & mapped_cover
    shown[[0, -1]] = False
    kinds = [
        "" if not s else "trees" if c == _TREES else "building" for s, c in zip(shown, code, strict=True)
    ]
    clutter = np.where(shown, table["clutter_m"], 0.0)
    return profile_from(table["distance_m"], table["ground_m"], clutter, clutter_kind=kinds)


def _answers(asks: Sequence[dict], rasters: Sequence[str], ways: Ways) -> Iterator[dict[str, Any] | str]:
    chunks = [asks[i : i + _CHUNK] for i in range(0, len(asks), _CHUNK)]
    more = (chunks, [rasters] * len(chunks), [ways] * len(chunks))
    if len(asks) < _WORTH_A_PROCESS:
        for answers in map(_answer, *more):
            yield from answers
        return
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for answers in pool.map(_answer, *more):
            yield from answers


_EMPTY = (
    "distance_m",
    "regime",
    "trees",
    "predicted_db",
    "free_space_db",
    "sigma_db",
    "said",
    "verdict",
    "path",
)


def _answer(asks: Sequence[dict], rasters: Sequence[str], ways: Ways) -> list[dict[str, Any] | str]:
    """Judge some links; a text says why one cannot be."""
    profiles = {a["link"]["name"]: a["profile"] for a in asks if a["profile"] is not None}
    found: list[dict[str, Any] | str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        plan = plan_from(
            station=[s for a in asks for s in a["stations"]],
            link=[a["link"] for a in asks],
            terrain={"rasters": list(rasters)},
            conditions=ways.conditions,
            profiles=profiles,
        )
        with open_terrain(plan) as terrain:
            for link in plan.plan.link:
                try:
                    found.append(_judged(link_case(plan, link, terrain), ways.keep_paths))
                except LinkcalcError as error:
                    found.append(str(error))
    return found


def _judged(case: LinkCase, keep_paths: bool) -> dict[str, Any]:
    """What `check` finds, without what it only shows."""
    lost = case.losses
    found = judge(case, lost, case.far, np.array(MARGINS_DB))
    return {
        "distance_m": float(lost.length_m[0]),
        "regime": REGIMES[int(lost.regime[0])],
        "trees": bool(lost.trees_db[0] >= TREES_DB),
        "predicted_db": case.near.transmit_power_dbm - case.budget().received_power_dbm,
        "free_space_db": float(lost.free_space_db[0]),
        "sigma_db": float(found.site_db[0]),
        "said": found.success,
        "verdict": [VERDICTS[int(v)] for v in found.verdict],
        "path": _kept(case) if keep_paths else None,
    }


def _kept(case: LinkCase) -> Kept:
    near, far = (np.array([s.antenna_height_m]) for s in (case.near, case.far))
    arguments = profile_arguments(case.profile, case.situation, near, far)
    row = find(*arguments.ground, *arguments.pairs[0].tolist(), *arguments.rest)
    return Kept(np.array(row), case.situation, profile_facts(case.profile, near, far))
