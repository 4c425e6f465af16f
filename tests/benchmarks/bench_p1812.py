"""Path loss of Rec. ITU-R P.1812 against a straight numpy writing of the same standard.

The profile is invented: 963 points over 96.2 km, the size of the larger published profiles.
"""

from typing import Any

import numpy as np

from linkcalc.propagation import p1812
from tests.benchmarks.measure import Row, side_by_side
from tests.benchmarks.straight_p1812 import predict
from tests.validation.tables import gathered

POINTS = 963
SWEEP = 100


def invented_profile() -> dict[str, Any]:
    """Rolling ground with trees."""
    random = np.random.default_rng(20)
    hills = np.cumsum(random.normal(0.0, 6.0, POINTS))
    return {
        "distance_m": np.linspace(0.0, 100.0 * (POINTS - 1), POINTS),
        "ground_m": 300.0 + hills - hills.mean(),
        "clutter_m": np.where(random.random(POINTS) < 0.3, 15.0, 0.0),
        "zone": np.full(POINTS, p1812.INLAND, dtype=np.int8),
    }


def inputs(**arguments: Any) -> dict[str, Any]:
    return gathered(arguments, climate=p1812.Climate, variability=p1812.Variability)


def rows() -> list[Row]:
    first = invented_profile()
    km = first["distance_m"] / 1000.0
    link = {"tx_height_m": 12.0, "rx_height_m": 19.0, "time_percent": 10.0, "frequency_hz": 868e6}
    path = inputs(**first, **link)

    functions = {
        "straight": lambda: predict(
            km, first["ground_m"], first["clutter_m"], first["zone"], 12.0, 19.0, 0.868, 10.0
        ),
        "single": lambda: p1812.basic_transmission_loss_db(**path),
        "detail": lambda: p1812.basic_transmission_loss_db(**path, detail=True),
    }
    for name, values in (
        ("frequency_hz", np.linspace(400e6, 960e6, SWEEP)),
        ("time_percent", np.linspace(1.0, 50.0, SWEEP)),
        ("location_percent", np.linspace(1.0, 99.0, SWEEP)),
    ):
        case = inputs(**{**first, **link, "location_sigma_db": 5.5, name: values})
        functions[name] = lambda case=case: p1812.basic_transmission_loss_db(**case)
    median = side_by_side(functions)
    straight, single = median["straight"], median["single"]
    return [
        Row("p1812: straight writing over the numpy function", straight / single, 1.0, ">=", "one path"),
        Row("p1812: straight writing over the numpy function with detail", straight / median["detail"], 1.0,
            ">=", "one path, every intermediate value"),
        *(
            Row(f"p1812: {SWEEP} values of {name} over one", median[name] / single, 10.0, "<=", "one path")
            for name in ("frequency_hz", "time_percent", "location_percent")
        ),
    ]  # fmt: skip
