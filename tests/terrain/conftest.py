"""Small rasters made on the spot, and the long reference data where they are at hand."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio import Affine

HILLS_SHAPE = (60, 80)
CELL_DEG = 1 / 1200
HILLS_WEST, HILLS_NORTH = 20.0, 45.0
WriteRaster = Callable[..., Path]


def north_up(west: float, north: float, cell: float) -> Affine:
    """Transform of a raster of square cells whose first row is the northernmost."""
    return Affine(cell, 0, west, 0, -cell, north)


@pytest.fixture
def write_raster(tmp_path: Path) -> WriteRaster:
    """Write an array as a GeoTIFF in the test's folder; keywords override the profile and the band tags."""

    def write(
        name: str,
        heights: np.ndarray,
        *,
        transform: Any = None,
        unit: str | None = None,
        scale: float | None = None,
        offset: float | None = None,
        **profile: Any,
    ) -> Path:
        settings = {
            "driver": "GTiff",
            "count": 1,
            "height": heights.shape[0],
            "width": heights.shape[1],
            "dtype": heights.dtype,
            "crs": "EPSG:4326",
            "transform": transform or north_up(HILLS_WEST, HILLS_NORTH, CELL_DEG),
        }
        path = tmp_path / name
        with rasterio.open(path, "w", **(settings | profile)) as file:
            file.write(heights, 1)
            if unit is not None:
                file.units = [unit]
            if scale is not None or offset is not None:
                file.scales, file.offsets = [scale or 1.0], [offset or 0.0]
        return path

    return write


@pytest.fixture(scope="session")
def hills() -> np.ndarray:
    """Whole-metre hills, 60 rows by 80 columns, 100 m to 400 m."""
    row, col = np.mgrid[: HILLS_SHAPE[0], : HILLS_SHAPE[1]]
    rough = np.random.default_rng(11).normal(0.0, 5.0, HILLS_SHAPE)
    return np.round(250 + 90 * np.sin(row / 9) * np.cos(col / 13) + 40 * np.sin(col / 4) + rough).astype(
        np.int16
    )


@pytest.fixture(scope="session")
def real_terrain() -> Path:
    """Folder of real rasters and awkward variants of them; skips where it is not at hand."""
    folder = os.environ.get("LINKCALC_REFERENCE_DATA")
    if not folder:
        pytest.skip("LINKCALC_REFERENCE_DATA is not set: no real rasters at hand")
    return Path(folder) / "terrain"
