"""What relay siting finds: plain frozen data, and as files: all bands, the spots as GeoJSON and CSV, all as data."""

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.answer import Answer
from linkcalc.area.access import Allowed, Grid, Mask
from linkcalc.area.geojson import collection, feature, lon_lat
from linkcalc.area.gridded import Gridded, Raster
from linkcalc.area.relay.chain import Pair
from linkcalc.area.tiles import Band, Singles, TileStore
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Assumption, Direction, PathFacts, VerdictWord
from linkcalc.plan import Link, Station

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True)
class Place:
    """Where a relay stands."""

    name: str
    latitude_deg: float
    longitude_deg: float
    east_m: float
    north_m: float
    """From the middle of the area."""
    ground_m: float
    slope_deg: float
    track_m: float | None
    """Distance from the nearest track, where tracks were given."""


@dataclass(frozen=True)
class HopCheck:
    """One hop as a check finds it."""

    name: str
    from_: str
    to: str
    verdict: VerdictWord
    path: PathFacts
    directions: tuple[Direction, Direction]
    notes: tuple[str, ...]
    """What is over the legal limits, and on its profile."""

    @property
    def weaker(self) -> Direction:
        """The direction with less to spare."""
        return min(self.directions, key=lambda d: (d.fade_margin_db - d.required_margin_db, d.fade_margin_db))

    @property
    def margin_db(self) -> float:
        """Fade margin of the weaker direction."""
        return min(d.fade_margin_db for d in self.directions)

    @property
    def spare_db(self) -> float:
        """How much more than required the weaker direction has."""
        return self.weaker.fade_margin_db - self.weaker.required_margin_db


@dataclass(frozen=True)
class Chain:
    """A link over one relay or two, checked in full."""

    relays: tuple[Place, ...]
    hops: tuple[HopCheck, ...]
    off_db: float
    """Largest difference between a hop's margin here and what its cell said."""

    @property
    def weaker(self) -> HopCheck:
        """The hop with least to spare."""
        return min(self.hops, key=lambda h: (h.spare_db, h.margin_db))

    @property
    def margin_db(self) -> float:
        """Fade margin of the weaker hop."""
        return min(h.margin_db for h in self.hops)

    @property
    def rank(self) -> tuple[int, float]:
        """The higher the better: its verdict, then what its weaker hop has to spare."""
        return VERDICTS.index(self.verdict), self.weaker.spare_db

    @property
    def verdict(self) -> VerdictWord:
        """Of the worst hop."""
        return min((h.verdict for h in self.hops), key=VERDICTS.index)

    @property
    def success(self) -> tuple[float, float]:
        """Probability that a message passes every hop, forward and return; the hops' uncertainties independent."""
        forward, return_ = (
            math.prod(h.directions[way].delivery_probability for h in self.hops) for way in (0, 1)
        )
        return forward, return_

    @property
    def time_on_air_s(self) -> tuple[float, float]:
        """Of one message over all hops, each sending it once, forward and return."""
        forward, return_ = (sum(h.directions[way].time_on_air_s for h in self.hops) for way in (0, 1))
        return forward, return_


_CHAIN = (
    Band(
        "spare_db",
        "dB",
        "weaker hop: how much more fade margin than required of each of two, weaker direction",
    ),
    Band("margin_db", "dB", "fade margin, weaker hop and direction"),
    Band("success_forward", "1", "probability that a message passes both hops, first station to second"),
    Band("success_return", "1", "probability that a message passes both hops, second station to first"),
    Band("verdict", "1", "of the worse hop: 2 closes, 1 at risk, 0 does not close"),
)
_HOP = (
    Band("margin_forward_db", "dB", "fade margin, first station to second"),
    Band("margin_return_db", "dB", "fade margin, second station to first"),
    Band("spare_db", "dB", "how much more fade margin than required of each of two hops, weaker direction"),
    Band("path_loss_db", "dB", "median basic transmission loss"),
)
_GROUND = (
    Band("ground_m", "m", "ground above sea level"),
    Band("slope_deg", "degree", "slope of the ground over two cells"),
    Band("allowed", "1", "1 where a relay may stand"),
)


@dataclass(frozen=True, eq=False, repr=False)
class RelaySiting(Gridded):
    """The answer: spots for one relay, and for two where that was wanted or is needed."""

    title: str
    link: Link
    signal: str
    direct: HopCheck
    """The link without a relay."""
    spots: tuple[Chain, ...]
    """Best first."""
    two: Chain | None
    search: Pair | None
    """How two relays were looked for; None if they were not."""
    relay: Station
    assumed: tuple[Assumption, ...]
    grid: Grid
    radius_m: float
    apart_m: float
    bands: Mapping[str, Singles]
    """(side, side): `relay.FIGURES` of both hops as `first_` and `second_`, and those of `relay.chained`."""
    ground_m: Floats
    area: Mask
    allowed: Allowed
    ends: tuple[Place, Place]
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    tiles: TileStore | None = field(default=None, compare=False)
    """Finished tiles, for the caller to remove once the answer is written."""

    def raster(self) -> Raster:
        """Return the layers of the answer, as its GeoTIFF has them."""
        bands = list(_CHAIN)
        for place, other in (("first", self.link.from_), ("second", self.link.to)):
            bands += [Band(f"{place}_{b.name}", b.unit, f"hop with {other}: {b.description}") for b in _HOP]
        layers: list[tuple[Band, Any]] = [(band, self.bands[band.name]) for band in bands]
        grounds = (self.ground_m, self.allowed.slope_deg, self.allowed.mask.astype(np.float32))
        layers += zip(_GROUND, grounds, strict=True)
        each = self.required_of_each_hop(self.spots[0])
        tags = {
            "link": self.link.name,
            "link_from": self.link.from_,
            "link_to": self.link.to,
            "frequency_hz": f"{self.link.frequency_mhz * 1e6:.0f}",
            "signal": self.signal,
            "relay_antenna_height_m": f"{self.relay.antenna_height_m:g}",
            "required_success_of_each_hop": f"{each.success:.6g}",
            "confidence_of_each_hop": f"{each.confidence:.6g}",
            "profiles": "a full one for each cell",
        }
        return Raster(layers, self.grid.crs, self.grid.affine, tags)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row for each relay of each spot, best first."""
        return [
            {name: _number(cell) for name, cell in row.items()}
            for row in csv.DictReader(spots_csv(self).splitlines())
        ]

    def to_pandas(self) -> "pandas.DataFrame":
        """Return `to_rows` as a data frame; cells are in `to_xarray`."""
        return Answer.to_pandas(self)

    def to_geojson(self) -> str:
        """Return spots, both ends and the hops between: GeoJSON (RFC 7946)."""
        features = [
            feature("Point", _lon_lat(place), {"what": "station", "station": place.name})
            for place in self.ends
        ]
        for number, chain in _numbered(self):
            about = {
                "spot": number,
                "verdict": chain.verdict,
                "weaker_hop_margin_db": round(chain.margin_db, 2),
                "weaker_hop_spare_db": round(chain.weaker.spare_db, 2),
                "success_forward": round(chain.success[0], 5),
                "success_return": round(chain.success[1], 5),
            }
            for place in chain.relays:
                relay = {"what": "relay", "relay": place.name, **about, **_place_facts(place)}
                features.append(feature("Point", _lon_lat(place), relay))
            way = [_lon_lat(place) for place in (self.ends[0], *chain.relays, self.ends[1])]
            features.append(
                feature("LineString", way, {"what": "hops", "relays": len(chain.relays), **about})
            )
        return collection(features) + "\n"

    @property
    def cells(self) -> int:
        """Cells with an answer."""
        return int(np.isfinite(self.bands["spare_db"]).sum())

    @property
    def best(self) -> Chain:
        """Of one relay; of two if they do better and one does not close."""
        one = self.spots[0]
        if self.two is None or one.verdict == "closes":
            return one
        return max((one, self.two), key=lambda c: c.rank)

    def required_of_each_hop(self, chain: Chain) -> Requirement:
        """What each hop of a chain must have for all together to have what is required of the link."""
        return Requirement.of(self.link).of_each_hop(len(chain.hops))

    def area_km2(self, verdict: VerdictWord) -> float:
        """Area with a verdict over one relay."""
        return int((self.bands["verdict"] == VERDICTS.index(verdict)).sum()) * self.grid.cell_m**2 / 1e6


def _number(cell: str) -> Any:
    try:
        return float(cell) if cell else None
    except ValueError:
        return cell


def spots_csv(result: RelaySiting) -> str:
    """Spots as CSV, a row for each relay."""
    rows: list[dict[str, Any]] = []
    for number, chain in _numbered(result):
        margins = {"margin_db": f"{chain.margin_db:.2f}"}
        margins |= zip(
            ("success_forward", "success_return"), (f"{s:.5f}" for s in chain.success), strict=True
        )
        for n, hop in enumerate(chain.hops, start=1):
            forward, return_ = hop.directions
            margins |= {
                f"hop{n}_distance_m": f"{hop.path.distance_m:.1f}",
                f"hop{n}_margin_forward_db": f"{forward.fade_margin_db:.2f}",
                f"hop{n}_margin_return_db": f"{return_.fade_margin_db:.2f}",
                f"hop{n}_asked_db": f"{hop.weaker.required_margin_db:.2f}",
            }
        for n, place in enumerate(chain.relays, start=1):
            where = {"spot": number, "relays": len(chain.relays), "relay": n,
                     "latitude_deg": f"{place.latitude_deg:.7f}",
                     "longitude_deg": f"{place.longitude_deg:.7f}"}  # fmt: skip
            rows.append(where | _place_facts(place) | {"verdict": chain.verdict} | margins)
    buffer = io.StringIO()
    # two relays have a hop more
    writer = csv.DictWriter(buffer, max(rows, key=len), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return buffer.getvalue()


def as_data(result: RelaySiting) -> dict[str, Any]:
    """The answer as dicts, lists, text and numbers, for JSON."""
    grid, search = result.grid, result.search
    return {
        "title": result.title,
        "link": {
            "name": result.link.name,
            "from": result.link.from_,
            "to": result.link.to,
            "frequency_hz": result.link.frequency_mhz * 1e6,
            "signal": result.signal,
        },
        "direct": _hop_data(result.direct),
        "spots": [_chain_data(result, chain) for chain in result.spots],
        "two_relays": None if result.two is None else _chain_data(result, result.two),
        "search": None if search is None else {
            "candidates": list(search.candidates),
            "pairs_tried": search.pairs_tried,
            "starts": search.starts,
            "hops_tried_while_moving": search.cells_tried,
        },
        "relay": result.relay.model_dump(exclude_none=True),
        "assumed": result.assumed,
        "area": {
            "latitude_deg": grid.latitude_deg,
            "longitude_deg": grid.longitude_deg,
            "radius_m": result.radius_m,
            "cell_m": grid.cell_m,
            "cells": int(result.area.sum()),
            "left_after": [{"asked": words, "cells": cells} for words, cells in result.allowed.steps],
            "answered": result.cells,
            "apart_m": result.apart_m,
            **{f"{word}_km2": result.area_km2(word) for word in ("closes", "at_risk", "does_not_close")},
        },
        "sources": result.sources,
        "notes": result.notes,
    }  # fmt: skip


def _chain_data(result: RelaySiting, chain: Chain) -> dict[str, Any]:
    each = result.required_of_each_hop(chain)
    return {
        "verdict": chain.verdict,
        "weaker_hop": chain.weaker.name,
        "margin_db": chain.margin_db,
        "spare_db": chain.weaker.spare_db,
        "required_of_each_hop": {"success": each.success, "confidence": each.confidence},
        "success_forward": chain.success[0],
        "success_return": chain.success[1],
        "time_on_air_forward_s": chain.time_on_air_s[0],
        "time_on_air_return_s": chain.time_on_air_s[1],
        "relays": [
            {"name": p.name, "latitude_deg": p.latitude_deg, "longitude_deg": p.longitude_deg}
            | _place_facts(p)
            for p in chain.relays
        ],
        "hops": [_hop_data(hop) for hop in chain.hops],
    }


def _hop_data(hop: HopCheck) -> dict[str, Any]:
    return {
        "name": hop.name,
        "from": hop.from_,
        "to": hop.to,
        "verdict": hop.verdict,
        "margin_db": hop.margin_db,
        **{name: getattr(hop.path, name) for name in _PATH},
        "directions": [
            {"from": d.from_, "to": d.to} | {name: getattr(d, name) for name in _DIRECTION}
            for d in hop.directions
        ],
    }


_PATH = (
    "distance_m", "azimuth_deg", "model", "regime", "worst_clearance_ratio", "worst_clearance_distance_m",
    "worst_obstacle",
)  # fmt: skip
_DIRECTION = (
    "path_loss_db", "received_power_dbm", "fade_margin_db", "required_margin_db", "delivery_probability",
    "time_on_air_s", "verdict",
)  # fmt: skip
"""Of what a check finds of a hop and its directions, what is in the data."""


def _numbered(result: RelaySiting) -> list[tuple[int, Chain]]:
    chains = [*result.spots, *([] if result.two is None else [result.two])]
    return list(enumerate(chains, start=1))


def _place_facts(place: Place) -> dict[str, float | None]:
    track = None if place.track_m is None else round(place.track_m, 1)
    slope = round(place.slope_deg, 2) if np.isfinite(place.slope_deg) else None
    return {"ground_m": round(place.ground_m, 2), "slope_deg": slope, "track_m": track}


def _lon_lat(place: Place) -> list[float]:
    return lon_lat(place.longitude_deg, place.latitude_deg)
