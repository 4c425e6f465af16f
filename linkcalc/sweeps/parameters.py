"""What a sweep may vary: the keys of a plan that bear on a link, by name, and what each of them changes.

What is no parameter or no value of one is a `DomainError`.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Literal

import numpy as np

from linkcalc.errors import DomainError, quoted
from linkcalc.plan import Antenna, ChirpModulation, Conditions, Feeder, FskModulation, Link, Station, Terrain
from linkcalc.plan.base import shown
from linkcalc.plan.keys import allowed, kind_of, sections_of, words_of
from linkcalc.units import split_unit

PIECES = frozenset(
    {
        "path",
        "polarisation",
        "signal",
        "message",
        "reply",
        "asked",
        *(
            f"{what}, {end}"
            for what in ("power", "feeder", "antenna", "noise", "legal")
            for end in ("near", "far")
        ),
    }
)
"""The pieces a budget and what follows from it are put together from."""

Place = tuple[str | int, ...]
"""Keys from the top of a plan of two stations and one link down to a value."""

ALIASES: Mapping[str, str] = {
    "sf": "spreading_factor",
    "bw": "bandwidth_khz",
    "cr": "coding_rate",
    "power": "transmit_power_dbm",
    "height": "antenna_height_m",
    "payload": "payload_bytes",
    "nf": "noise_figure_db",
    "gain": "antenna.gain_dbi",
    "cable": "feeder.length_m",
    "k": "k_factor",
    "distance": "distance_m",
}
"""Short names of what is varied most."""

K_FACTOR, DISTANCE = "k_factor", "distance_m"

_POSITION = ("latitude_deg", "longitude_deg", "easting_m", "northing_m")
_GROUND = frozenset({"path", "antenna, near", "antenna, far"})
"""What depends on the profile, and on where each antenna sees the other."""
_BENDING = ("delta_n", "climate", "month")
"""Of the conditions, what bends the ray: where each antenna sees the other depends on it."""
_NOT_VARIED = {
    Link: {"name", "from", "to", "profile_csv"},
    ChirpModulation: {"kind"},
    FskModulation: {"kind"},
    Station: {"name", "epsg", "mast_foot_m", "highest_antenna_m"},
    Antenna: {"pattern_file", "elevation_pattern_file"},
    Conditions: {"year_share_percent"},
    Terrain: {"network", "height_unit"},
}
"""Names, files, and what changes nothing that a sweep gives."""


@dataclass(frozen=True)
class Parameter:
    """One thing that a sweep varies."""

    name: str
    """The plan's key; with "near." or "far." in front where it is of one station only."""
    places: tuple[Place, ...]
    touches: frozenset[str]
    """The pieces that depend on it."""
    moves: bool
    """Another value is another profile."""
    description: str
    allowed: str
    kind: type
    to_plan: Callable[[Any], Any] = lambda value: value
    """From a value of the sweep to that of the plan."""
    limits: tuple[float, float] = (-math.inf, math.inf)
    """Where the plan has none of its own."""

    @property
    def bare(self) -> str:
        """The plan's key alone."""
        return _bare(self.name)

    def checked_values(self, given: Any) -> tuple[Any, ...]:
        """Values as the plan writes them, in the order given."""
        items = np.atleast_1d(
            # a word is one value, not a list of its letters
            np.asarray(given if isinstance(given, str | np.ndarray) else list(_each(given)))
        )
        if items.ndim != 1 or not items.size:
            raise DomainError(f"{self.name}: give one value or more, in one row")
        values = tuple(self._of_its_kind(item) for item in items.tolist())
        seen = set()
        for value in values:
            if value in seen:
                raise DomainError(f"{self.name} = {shown(value)} is given twice")
            seen.add(value)
        return values

    def _of_its_kind(self, value: Any) -> Any:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if self.kind is int and number and float(value).is_integer():
            return int(value)
        if self.kind is float and number and self.limits[0] <= value <= self.limits[1]:
            return float(value)
        if self.kind is not float and self.kind is not int and isinstance(value, self.kind):
            return value
        raise DomainError(f"{self.name} = {shown(value)}: allowed: {self.allowed}")


def _each(given: Any) -> Iterable[Any]:
    return given if isinstance(given, Iterable) else (given,)


def parameter(name: str, link: Link, near: Station, far: Station, *, rasters: bool = True) -> Parameter:
    """Find what a name stands for: a key of the plan's link, modulation, stations (with ``antenna.`` and
    ``feeder.``), conditions or terrain; ``k_factor`` or ``distance_m``; any of them without its unit, or one of
    `ALIASES`.

    A key of stations is of both at once unless ``near.``, ``far.`` or a station's name and a point stand before it;
    near is the link's `from` station. `rasters`: whether the profile comes from the plan's rasters.
    """
    known = {p.name: p for p in parameters(link, rasters=rasters)}
    prefixes = {"near.": "near.", "far.": "far.", f"{near.name}.": "near.", f"{far.name}.": "far."}
    prefix = next((p for p in prefixes if name.startswith(p)), "")
    wanted = name[len(prefix) :].strip().replace("-", "_")
    found = _called(ALIASES.get(wanted, wanted), known)
    if len(found) > 1:
        raise DomainError(f"{quoted(name)} may be {' or '.join(found)}: say which")
    chosen = known.get(prefixes.get(prefix, "") + found[0]) if found else None
    if chosen is not None:
        return chosen
    if found and prefix:
        raise DomainError(f"{found[0]} is not of one station: leave out {quoted(prefix)}")
    if found:
        raise DomainError(f"say of which station: near.{found[0]} or far.{found[0]}")
    raise DomainError(_unknown(name, wanted, known, link))


def _bare(name: str) -> str:
    return name.removeprefix("near.").removeprefix("far.")


def _called(wanted: str, known: Iterable[str]) -> list[str]:
    """Keys of a name: by the whole of it, without unit, by its last part, by that without unit."""
    bare = dict.fromkeys(map(_bare, known))

    def last(key: str) -> str:
        return key.rpartition(".")[2]

    # a full key wins over a short one that happens to be another's
    for how in (lambda k: k, lambda k: split_unit(k)[0], last, lambda k: split_unit(last(k))[0]):
        found = [key for key in bare if how(key) == wanted]
        if found:
            return found
    return []


def _unknown(name: str, wanted: str, known: Iterable[str], link: Link) -> str:
    for other in (ChirpModulation, FskModulation):
        if wanted in other.model_fields and not isinstance(link.modulation, other):
            return f"{wanted} is not a key of kind = {quoted(link.modulation.kind)}, this link's modulation"
    words = [*dict.fromkeys(map(_bare, known)), *ALIASES]
    near = get_close_matches(wanted[:80], words, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}?" if near else f"among what can be: {', '.join(ALIASES.values())}"
    return f"{quoted(name)} cannot be varied; {hint}"


def parameters(link: Link, *, rasters: bool = True) -> Iterator[Parameter]:
    """List everything that can be varied on a link, those of one station with "near." and "far." too."""
    for key, field in _fields(Link):
        yield _one(key, field, [("link", 0, key)], _LINK.get(key, PIECES))
    for key, field in _fields(type(link.modulation)):
        yield _one(key, field, [("link", 0, "modulation", key)], _SIGNAL)
    for section, path in ((Station, ()), (Antenna, ("antenna",)), (Feeder, ("feeder",))):
        for key, field in _fields(section):
            yield from _of_stations(key, field, path)
    for key, field in _fields(Conditions):
        yield _one(key, field, [("conditions", key)], _GROUND if key in _BENDING else frozenset({"path"}))
    yield Parameter(
        K_FACTOR,
        (("conditions", "delta_n"),),
        _GROUND,
        False,
        "median effective earth radius factor, in place of the refractivity lapse",
        "1.07 to 22.4",
        float,
        # k = 157 / (157 - delta_n), turned round
        lambda k: 157.0 - 157.0 / k,
        (1.07, 22.4),
    )
    yield Parameter(
        DISTANCE,
        tuple(("station", 1, key) for key in _POSITION),
        _GROUND,
        True,
        "distance at which the far station stands on the line from the near one to where the plan has it, m",
        "above 0",
        float,
        # above 0: the least number that is more
        limits=(math.ulp(0.0), math.inf),
    )
    if rasters:
        for key, field in _fields(Terrain):
            yield _one(key, field, [("terrain", key)], _GROUND, moves=True)


_LEGAL = frozenset({"legal, near", "legal, far"})
_SIGNAL = frozenset({"signal", "message", "reply"}) | _LEGAL
_LINK: Mapping[str, frozenset[str]] = {
    "frequency_mhz": frozenset({"path", "feeder, near", "feeder, far", "noise, near", "noise, far"}) | _LEGAL,
    "payload_bytes": frozenset({"message"}) | _LEGAL,
    "reply_payload_bytes": frozenset({"reply"}) | _LEGAL,
    "tries": frozenset({"asked"}) | _LEGAL,
    "required_margin_db": frozenset({"asked"}),
    "required_success": frozenset({"asked"}),
    "confidence": frozenset({"asked"}),
    "channel_busy_percent": frozenset({"asked"}),
    # tries that hop change how a path fades and what of its spread belongs to the site, and no level
    "hopping_bandwidth_mhz": frozenset({"path"}),
}


def _of_stations(key: str, field: Any, path: tuple[str, ...]) -> Iterator[Parameter]:
    name = ".".join((*path, key))
    ends: tuple[tuple[int, Literal["near", "far"]], ...] = ((0, "near"), (1, "far"))
    places: list[Place] = [("station", index, *path, key) for index, _ in ends]
    touched = [_of_station(key, path, end) for _, end in ends]
    moves = key in _POSITION
    # one position for both ends would put them at the same place
    if not moves:
        yield _one(name, field, places, touched[0] | touched[1])
    for index, end in ends:
        yield _one(f"{end}.{name}", field, [places[index]], touched[index], moves=moves)


def _of_station(key: str, path: tuple[str, ...], end: Literal["near", "far"]) -> frozenset[str]:
    pieces: dict[str, set[str]] = {
        "antenna_height_m": {*_GROUND, *of_feeder(end)},
        "transmit_power_dbm": {f"power, {end}"},
        "building": {"path"},
        "polarisation": {"path", "polarisation"},
        **{k: {f"noise, {end}"} for k in ("noise_figure_db", "noise_environment", "noise_rise_db")},
        **{k: {*_GROUND} for k in _POSITION},
    }
    if path == ("antenna",) and key != "polarisation":
        return frozenset({f"antenna, {end}", f"legal, {end}"})
    if path == ("feeder",):
        return of_feeder(end)
    return frozenset(pieces.get(key, PIECES))


def of_feeder(end: Literal["near", "far"]) -> frozenset[str]:
    """Pieces that depend on an end's feeder."""
    return frozenset({f"feeder, {end}", f"noise, {end}"})


def _fields(section: Any) -> Iterator[tuple[str, Any]]:
    for name, field in section.model_fields.items():
        key = field.alias or name
        plain = words_of(field) or kind_of(field.annotation) in (int, float, str, bool)
        if plain and not sections_of(field.annotation) and key not in _NOT_VARIED.get(section, ()):
            yield key, field


def _one(
    name: str, field: Any, places: Iterable[Place], touches: frozenset[str], *, moves: bool = False
) -> Parameter:
    kind = str if words_of(field) else kind_of(field.annotation)
    assert kind is not None
    return Parameter(name, tuple(places), touches, moves, field.description, allowed(field), kind)
