"""Invented land and plans for the tests of relay siting."""

from pathlib import Path

import numpy as np
import rasterio

LATITUDE_DEG, LONGITUDE_DEG = -40.0, -20.0
"""Middle of the land, in the open ocean."""

PLAN = """
title = "invented"

[terrain]
rasters = ["land.tif"]

[[station]]
name = "tank"
latitude_deg = -40.0
longitude_deg = {west:.7f}
antenna_height_m = 3.0

[[station]]
name = "shed"
latitude_deg = -40.0
longitude_deg = {east:.7f}
antenna_height_m = 5.0
noise_rise_db = 3.0

[[link]]
name = "level"
from = "tank"
to = "shed"
frequency_mhz = 868.0
modulation = {{ kind = "css", spreading_factor = 8 }}
required_margin_db = {margin}
required_success = 0.5
confidence = 0.5
"""
"""The stated margin is what decides: the two shares ask for less."""

METRES_PER_DEGREE = 85_394.0
"""Of longitude at 40 degrees (WGS 84)."""


def write(folder: Path, heights: np.ndarray, *, half_link_m: float = 1500.0, margin: float = 20.0,
          cell_m: float = 30.0, extra: str = "") -> Path:  # fmt: skip
    """A plan with a link west to east over heights whose middle is that of the land; row 0 in the north."""
    rows, columns = heights.shape
    crs = f"+proj=aeqd +lat_0={LATITUDE_DEG} +lon_0={LONGITUDE_DEG} +datum=WGS84 +units=m"
    grid = {
        "crs": crs,
        "transform": rasterio.Affine(cell_m, 0, -columns * cell_m / 2, 0, -cell_m, rows * cell_m / 2),
    }
    with rasterio.open(
        folder / "land.tif", "w", driver="GTiff", count=1, height=rows, width=columns, dtype="float32",
        nodata=-9999.0, **grid,
    ) as file:  # fmt: skip
        file.write(np.where(np.isnan(heights), -9999.0, heights).astype(np.float32), 1)
    degrees = half_link_m / METRES_PER_DEGREE
    plan = folder / "plan.toml"
    text = PLAN.format(west=LONGITUDE_DEG - degrees, east=LONGITUDE_DEG + degrees, margin=margin)
    plan.write_text(text + extra)
    return plan


def ridge(rows: int = 90, columns: int = 140, *, height_m: float = 60.0, at_m: float = 300.0,
          cell_m: float = 30.0) -> np.ndarray:  # fmt: skip
    """Level ground with one rounded ridge across the link, north to south, and a little roughness."""
    x = (np.arange(columns) - (columns - 1) / 2) * cell_m
    rough = np.random.default_rng(5).normal(0.0, 0.7, (rows, columns))
    return 100.0 + height_m * np.exp(-(((x - at_m) / 250.0) ** 2)) * np.ones((rows, 1)) + rough
