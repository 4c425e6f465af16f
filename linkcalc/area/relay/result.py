"""What relay siting finds: plain frozen data that reports, pictures and files are made from."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.answer import Answer
from linkcalc.area.access import Allowed, Grid, Mask
from linkcalc.area.gridded import Gridded, Raster
from linkcalc.area.relay.chain import Pair
from linkcalc.area.tiles import Singles, TileStore
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
    path: PathFacts
    directions: tuple[Direction, Direction]
    notes: tuple[str, ...]
    """On its profile."""

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

    @property
    def verdict(self) -> VerdictWord:
        """Of the worse direction."""
        return min((d.verdict for d in self.directions), key=VERDICTS.index)


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
        from linkcalc.area.relay.files import raster

        return raster(self)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row for each relay of each spot, best first."""
        import csv

        from linkcalc.area.relay.files import spots_csv

        return [
            {name: _number(cell) for name, cell in row.items()}
            for row in csv.DictReader(spots_csv(self).splitlines())
        ]

    def to_pandas(self) -> "pandas.DataFrame":
        """Return `to_rows` as a data frame; cells are in `to_xarray`."""
        return Answer.to_pandas(self)

    def to_geojson(self) -> str:
        """Return spots, both ends and the hops between: GeoJSON (RFC 7946)."""
        from linkcalc.area.relay.files import spots_geojson

        return spots_geojson(self) + "\n"

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
