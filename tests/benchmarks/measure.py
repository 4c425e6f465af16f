"""What every benchmark shares: one row of the report, and fair timing.

Only ratios between things timed in the same run are reported; absolute times say more about the machine.
"""

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal


@dataclass(frozen=True)
class Row:
    """A ratio and the bar it has to meet."""

    name: str
    ratio: float
    bar: float
    comparison: Literal[">=", "<="]
    detail: str = ""

    @property
    def missed(self) -> bool:
        return not (self.ratio >= self.bar if self.comparison == ">=" else self.ratio <= self.bar)


def side_by_side(
    functions: Mapping[str, Callable[[], Any]], *, repeats: int = 21, seconds: float = 0.02
) -> dict[str, float]:
    """Median time of one call of each function, in seconds.

    The functions take turns, so that a busy machine slows all of them; each turn lasts about `seconds`.
    """
    calls = {}
    for name, function in functions.items():
        function()
        begin = time.perf_counter()
        function()
        calls[name] = max(1, round(seconds / max(time.perf_counter() - begin, 1e-9)))
    times: dict[str, list[float]] = {name: [] for name in functions}
    for _ in range(repeats):
        for name, function in functions.items():
            begin = time.perf_counter()
            for _ in range(calls[name]):
                function()
            times[name].append((time.perf_counter() - begin) / calls[name])
    return {name: statistics.median(values) for name, values in times.items()}
