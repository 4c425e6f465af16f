"""What surrounds an antenna, and what it takes there (rule 4 of `linkcalc.link.path_loss`)."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats
from linkcalc.propagation import clutter

LOWEST_CORRECTED_M = 1.0
"""Lower antennas are corrected as from here: P.1812 states 1 m and more, and between 0.2 and 3 m links were measured
to gain 6 to 8 dB, where the correction alone would say 25."""

STREET_WIDTH_M = 27.0
"""From an antenna to what surrounds it, unless stated (P.2108)."""

SurroundingsKind = Literal["none", "open", "suburban", "urban", "woodland"]

_P2108_KIND: dict[str, clutter.Clutter] = {
    "open": "open",
    "suburban": "suburban",
    "urban": "urban",
    "woodland": "trees",
}


@dataclass(frozen=True)
class Surroundings:
    """What surrounds an antenna."""

    kind: SurroundingsKind = "none"
    stated: bool = True
    """Whether it is stated; else it is assumed."""
    clutter_height_m: float | None = None
    """Of the clutter; None: the kind's of P.2108."""
    street_width_m: float | None = None
    """To the clutter, on the way to the other station; None: 27 m, as P.2108."""
    shown: str = ""
    """What a raster shows there, in words, where that is why; empty: nobody looked, or the plan says so. It never loses
    less than open country, which is assumed where nothing is known: a raster cannot see how the antenna stands."""

    @property
    def top_m(self) -> float:
        """Height of the tops; 0 where there is none."""
        if self.kind == "none":
            return 0.0
        return self.clutter_height_m or clutter.CLUTTER_HEIGHT_M[_P2108_KIND[self.kind]]

    def loss_db(self, frequency_hz: float, height_m: ArrayLike, rise: ArrayLike = 0.0) -> Floats:
        """Terminal correction of antennas at heights above ground (Rec. ITU-R P.2108, section 3.1).

        A ray that comes from above (`rise`: metres up per metre along) passes what stands a street's width away
        higher than the antenna is; the correction counts from there, which is ours, not the Recommendation's.
        """
        height = np.asarray(height_m, dtype=np.float64)
        if self.kind == "none":
            return np.zeros(np.broadcast(height, rise).shape)
        street_m = self.street_width_m or STREET_WIDTH_M
        loss = clutter.height_gain_loss_db(
            frequency_hz,
            np.maximum(height, LOWEST_CORRECTED_M) + street_m * np.maximum(rise, 0.0),
            _P2108_KIND[self.kind],
            clutter_height_m=self.clutter_height_m,
            street_width_m=street_m,
            extrapolate=True,
        )
        least = Surroundings("open").loss_db(frequency_hz, height, rise) if self.shown else 0.0
        return np.asarray(np.maximum(np.asarray(loss), least))


UNSURROUNDED = Surroundings()


@dataclass(frozen=True, eq=False)
class SurroundingsOfMany:
    """What surrounds the antennas at one end of many paths."""

    kinds: tuple[Surroundings, ...]
    index: NDArray[np.intp]
    """(n,) into the kinds."""

    @property
    def stated(self) -> NDArray[np.bool_]:
        return np.array([kind.stated for kind in self.kinds])[self.index]

    def loss_db(self, frequency_hz: float, height_m: ArrayLike, rise: ArrayLike = 0.0) -> Floats:
        """Terminal corrections, see `Surroundings.loss_db`."""
        height, up = (
            np.broadcast_to(np.asarray(v, dtype=np.float64), self.index.shape) for v in (height_m, rise)
        )
        loss = np.zeros(self.index.shape)
        for number, kind in enumerate(self.kinds):
            own = self.index == number
            loss[own] = kind.loss_db(frequency_hz, height[own], up[own])
        return loss
