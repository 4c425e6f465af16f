"""What a receiver hears of a link: the level of a link from the part of its packets that got through.

Packets scatter around their link's median, and a receiver's threshold is soft, for noise comes and goes. Of a
weak link only the strong packets are listed, so their median is too high. With the number that was lost the
median is not: packets are normal around it with one standard deviation, and a packet is heard if it exceeds a
threshold that is normal too. Three numbers, the same for all links, fitted to the links of which something
was heard.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr, logsumexp, ndtri

FEWEST_REPEATED = 30
"""Links with two or more received packets, for the three numbers to be fitted."""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_LOG_WEIGHTS = np.log(_WEIGHTS / _WEIGHTS.sum())
_LOG_ROOT_2_PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Hearing:
    """How packets scatter and from which level on they are heard."""

    fading_db: float
    """Standard deviation of packets around their link's median."""
    softness_db: float
    """Standard deviation of the threshold."""
    half_db: float
    """Level at which half of the packets are heard, over the receiver's lowest believable signal."""

    @property
    def together_db(self) -> float:
        return math.hypot(self.fading_db, self.softness_db)

    def link_half_db(self, messages: np.ndarray) -> np.ndarray:
        """Median of a link of which at least one of so many messages is heard in half of the cases."""
        return self.half_db - self.together_db * ndtri(0.5 ** (1.0 / np.maximum(messages, 1.0)))

    def link_level_db(
        self, packets: np.ndarray, messages: np.ndarray, mean_db: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Most likely median of links with one or more received packets, and its standard error.

        All levels over the receiver's lowest believable signal.
        """
        level = np.array(mean_db, dtype=float)
        lost, r = messages - packets, self.together_db
        curvature = np.ones_like(level)
        for _ in range(60):
            u = (self.half_db - level) / r
            hazard = np.exp(-0.5 * u * u - _LOG_ROOT_2_PI - log_ndtr(u))
            slope = packets * (mean_db - level) / self.fading_db**2 - lost * hazard / r
            curvature = packets / self.fading_db**2 + lost * hazard * (hazard + u) / r**2
            step = np.clip(slope / curvature, -5.0, 5.0)
            level = level + step
            if np.abs(step).max(initial=0.0) < 1e-6:
                break
        return level, 1.0 / np.sqrt(curvature)


def fit_hearing(
    packets: np.ndarray,
    messages: np.ndarray,
    mean_db: np.ndarray,
    squares_db2: np.ndarray,
    decades: np.ndarray,
    every_db: np.ndarray,
) -> Hearing | None:
    """Fit the three numbers; None where too little was heard twice.

    Per link: packets heard, messages, mean level and sum of squared deviations of what was heard, and the
    logarithm of the distance; and the level of every packet. Levels over the receiver's lowest believable
    signal. The medians of links are taken to be normal around a line in the logarithm of distance, which is
    fitted along and then forgotten.
    """
    some = packets > 0
    if (packets >= 2).sum() < FEWEST_REPEATED:
        return None
    k, lost, mean = packets[some], (messages - packets)[some], mean_db[some]
    scatter, x = squares_db2[some].sum(), decades - decades.mean()
    never = messages[~some]

    def cost(p: np.ndarray) -> float:
        fading, softness, spread = np.exp(p[:3])
        half, middle, slope = p[3:]
        r = math.hypot(fading, softness)
        expected = middle + slope * x
        near = mean[:, np.newaxis] + fading / np.sqrt(k)[:, np.newaxis] * _NODES
        far = expected[~some, np.newaxis] + spread * _NODES
        away = -0.5 * ((near - expected[some, np.newaxis]) / spread) ** 2
        heard = logsumexp(away + lost[:, np.newaxis] * log_ndtr((half - near) / r) + _LOG_WEIGHTS, axis=1)
        unheard = logsumexp(never[:, np.newaxis] * log_ndtr((half - far) / r) + _LOG_WEIGHTS, axis=1)
        total = heard.sum() - len(k) * p[2] + unheard.sum()
        total -= 0.5 * scatter / fading**2 + (k - 1.0).sum() * p[0]
        total += log_ndtr((every_db - half) / softness).sum()
        return -float(total) / len(packets)

    start = [math.log(5.0), math.log(4.0), math.log(12.0), 3.0, float(mean.mean()) - 10.0, -30.0]
    found = minimize(
        cost, start, method="L-BFGS-B", bounds=[(-2.0, 3.0)] * 2 + [(0.0, 4.0)] + [(None, None)] * 3
    )
    fading, softness = np.exp(found.x[:2])
    return Hearing(float(fading), float(softness), float(found.x[3]))
