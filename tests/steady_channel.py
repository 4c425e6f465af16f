"""A channel whose tries are lost independently with one probability, for what is reckoned by hand."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc.operation.channel import FadingChannel


@dataclass(frozen=True)
class SteadyChannel:
    """As `linkcalc.operation.tank.simulate.Channel`; the slow state changes nothing."""

    loss: float
    site_sigma_db: float = 0.0
    conditions_sigma_db: float = 0.0

    def try_success(self, slow_db: ArrayLike) -> NDArray[np.float64]:
        return np.full(np.shape(slow_db), 1.0 - self.loss)


def steady(loss: float) -> FadingChannel:
    """The fading channel that loses as much: Rayleigh's 1 - exp(-10^(-margin/10)), nothing slow."""
    return FadingChannel(-10.0 * math.log10(-math.log1p(-loss)) if loss < 1.0 else -40.0)
