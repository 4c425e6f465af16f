"""Invented paths for the tests: rough ground, trees, coasts, all over the standard's range."""

from typing import Any

import numpy as np


def random_path(seed: int, *, points: int | None = None) -> dict[str, Any]:
    """What `p1812.basic_transmission_loss_db` wants to know of one invented path, not yet gathered."""
    random = np.random.default_rng(seed)
    n = points or int(random.choice([3, 4, 5, 12, 60, 300]))
    length_m = 10.0 ** random.uniform(2.4, 6.4)
    inner = np.sort(random.uniform(0.002, 0.998, n - 2))
    roughness = random.choice([0.0, 1.0, 20.0, 200.0])
    ground = random.uniform(0.0, 500.0) + random.normal(0.0, 1.0, n).cumsum() * roughness / np.sqrt(n)
    zone = np.full(n, 4)
    if random.random() < 0.6:
        cuts = np.sort(random.integers(0, n + 1, 2))
        zone[cuts[0] : cuts[1]] = 1
        zone[max(cuts[0] - 2, 0) : cuts[0]] = 3
        zone[cuts[1] : cuts[1] + 2] = 3
    return {
        "distance_m": np.concatenate([[0.0], inner, [1.0]]) * length_m,
        "ground_m": ground,
        "clutter_m": np.where(random.random(n) < 0.4, random.choice([5.0, 15.0, 25.0]), 0.0),
        "zone": zone,
        "tx_height_m": random.choice([1.5, 10.0, 80.0, 900.0]) * random.uniform(0.9, 1.1),
        "rx_height_m": random.choice([1.5, 10.0, 80.0]) * random.uniform(0.9, 1.1),
        "frequency_hz": 10.0 ** random.uniform(7.5, 9.77),
        "polarisation": str(random.choice(["vertical", "horizontal"])),
        "time_percent": float(random.choice([1.0, 3.0, 10.0, 49.0, 50.0])),
        "location_percent": random.uniform(1.0, 99.0),
        "location_sigma_db": float(random.choice([0.0, 5.5])),
        "delta_n": random.uniform(20.0, 100.0),
        "n0": random.uniform(300.0, 390.0),
        "latitude_deg": random.uniform(-90.0, 90.0),
        "tx_coast_km": float(random.choice([0.0, 2.0, 500.0])),
        "rx_coast_km": float(random.choice([0.0, 2.0, 500.0])),
    }
