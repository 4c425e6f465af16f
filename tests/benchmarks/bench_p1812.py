"""Path loss of Rec. ITU-R P.1812 against a straight numpy writing of the same standard.

The profile is invented: 963 points over 96.2 km, the size of the larger published profiles.

The bar of the compiled function counts all cores, and takes three of them: one core is 8 to 9 times as quick as the
straight writing. Eleven sums and extremes over the points, each a chain of dependent steps of half a microsecond, and
twenty passes with temporary arrays make three quarters of its 23 microseconds. Fusing them into one loop would meet the
bar on two cores, and make the same source thirty times slower as it stands, for those without numba.
"""

from typing import Any

import numpy as np

from linkcalc.propagation import compiled, p1812
from tests.benchmarks.measure import Row, side_by_side
from tests.benchmarks.straight_p1812 import predict

POINTS = 963
PROFILES = 2048
SWEEP = 100


def invented_profiles(count: int, points: int = POINTS, seed: int = 20) -> dict[str, Any]:
    """Profiles of rolling ground with trees, packed one after the other."""
    random = np.random.default_rng(seed)
    distance = np.linspace(0.0, 100.0 * (points - 1), points)
    steps = random.normal(0.0, 6.0, (count, points))
    hills = np.cumsum(steps, axis=1)
    ground = 300.0 + hills - hills.mean(axis=1, keepdims=True)
    trees = np.where(random.random((count, points)) < 0.3, 15.0, 0.0)
    return {
        "distance_m": np.tile(distance, count),
        "ground_m": ground.ravel(),
        "clutter_m": trees.ravel(),
        "zone": np.full(count * points, p1812.INLAND, dtype=np.int8),
        "offsets": np.arange(count + 1) * points,
    }


def rows() -> list[Row]:
    packed = invented_profiles(PROFILES)
    first = {name: packed[name][:POINTS] for name in ("distance_m", "ground_m", "clutter_m", "zone")}
    km = first["distance_m"] / 1000.0
    link = {"tx_height_m": 12.0, "rx_height_m": 19.0, "time_percent": 10.0, "frequency_hz": 868e6}

    functions = {
        "straight": lambda: predict(
            km, first["ground_m"], first["clutter_m"], first["zone"], 12.0, 19.0, 0.868, 10.0
        ),
        "single": lambda: p1812.basic_transmission_loss_db(**first, **link),
        "detail": lambda: p1812.basic_transmission_loss_db(**first, **link, detail=True),
    }
    for name, values in (
        ("frequency_hz", np.linspace(400e6, 960e6, SWEEP)),
        ("time_percent", np.linspace(1.0, 50.0, SWEEP)),
        ("location_percent", np.linspace(1.0, 99.0, SWEEP)),
    ):
        case = {**first, **link, "location_sigma_db": 5.5, name: values}
        functions[name] = lambda case=case: p1812.basic_transmission_loss_db(**case)
    if compiled.available():
        functions["compiled"] = lambda: compiled.basic_transmission_loss_db(**packed, **link, use_numba=True)
    median = side_by_side(functions)
    straight, single = median["straight"], median["single"]
    found = [
        Row("p1812: straight writing over the numpy function", straight / single, 1.0, ">=", "one path"),
        Row("p1812: straight writing over the numpy function with detail", straight / median["detail"], 1.0,
            ">=", "one path, every intermediate value"),
        *(
            Row(f"p1812: {SWEEP} values of {name} over one", median[name] / single, 10.0, "<=", "one path")
            for name in ("frequency_hz", "time_percent", "location_percent")
        ),
    ]  # fmt: skip
    if "compiled" in median:
        ratio = straight / (median["compiled"] / PROFILES)
        detail = f"{PROFILES} profiles of {POINTS} points, checks included, on all cores: the numpy source, compiled"
        found.append(Row("p1812: straight writing over compiled, per profile", ratio, 20.0, ">=", detail))
    return found
