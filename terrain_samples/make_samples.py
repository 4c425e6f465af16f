"""Make the sample terrains: three invented pieces of land, always the same.

    python terrain_samples/make_samples.py

writes the rasters beside this script (or into the folder named as argument); the plans beside them are
written by hand. No such land exists: heights are drawn from a seeded generator, and the places lie in the
open ocean so that nobody takes them for real ones.

- upland.tif: hill country with a spur across it, 1 arc second, whole metres, latitude and longitude.
- plain.tif: an irrigated plain with a canal, 20 m, centimetres as scaled integers, UTM zone 27 south.
- wooded.tif and wooded_surface.tif: a wooded slope and the tops of its trees, 10 m, UTM zone 27 south.

Only sums, products and quotients are used, so that every machine computes the same heights.
"""

import sys
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio import Affine

Grid = NDArray[np.float64]

INVENTED = "Invented land: generated heights, no real place. See make_samples.py."


def main(folder: Path) -> None:
    """Write all rasters into a folder."""
    degrees = {"crs": "EPSG:4326", "transform": Affine(1 / 3600, 0, -20.05, 0, -1 / 3600, -39.97)}
    write(folder / "upland.tif", np.round(upland((220, 320))).astype(np.int16), **degrees)

    metres = {"crs": "EPSG:32727", "transform": Affine(20, 0, 590_000, 0, -20, 6_460_000)}
    centimetres = np.round(plain((130, 180)) * 100).astype(np.int16)
    write(folder / "plain.tif", centimetres, scale=0.01, **metres)

    metres = {"crs": "EPSG:32727", "transform": Affine(10, 0, 420_000, 0, -10, 5_120_000)}
    ground, trees = wooded((150, 200))
    for name, heights in (("wooded.tif", ground), ("wooded_surface.tif", ground + trees)):
        write(folder / name, (np.round(heights * 10) / 10).astype(np.float32), **metres)


def upland(shape: tuple[int, int]) -> Grid:
    """Rolling hills of some 100 m, with a spur of some 40 m running north and south across the middle."""
    rng = np.random.default_rng(20)
    row, col = np.indices(shape, dtype=float)
    spur = bump((col - 0.47 * shape[1] - 0.18 * (row - 110)) / 26)
    return 320 + 0.10 * col + noise(rng, shape, 90, 95) + spur * (36 + noise(rng, shape, 40, 25))


def plain(shape: tuple[int, int]) -> Grid:
    """Land falling 0.3 m a kilometre to the east, levelled fields, a canal between low banks."""
    rng = np.random.default_rng(21)
    row, col = np.indices(shape, dtype=float)
    across = col - 96 - 0.1 * row
    canal = 0.7 * bump(np.abs(across) - 2) - 1.6 * bump(across / 1.2)
    return 64 - 0.006 * col + noise(rng, shape, 60, 0.5) + noise(rng, shape, 8, 0.12) + canal


def wooded(shape: tuple[int, int]) -> tuple[Grid, Grid]:
    """A slope falling 90 m to the south-east, and trees of 8 m to 18 m in a belt along its shoulder."""
    rng = np.random.default_rng(22)
    row, col = np.indices(shape, dtype=float)
    down = (col / shape[1] + row / shape[0]) / 2
    ground = 510 - 90 * down * down * (3 - 2 * down) + noise(rng, shape, 45, 10)
    belt = bump((down - 0.52) / 0.09) + 0.5 * (noise(rng, shape, 22, 1))
    trees = np.where(belt > 0.45, 13 + noise(rng, shape, 6, 10), 0.0)
    return ground, trees


def noise(rng: np.random.Generator, shape: tuple[int, int], cells: float, height: float) -> Grid:
    """Hills up to `height` from low to high, `cells` apart, with ever finer and lower ones upon them."""
    total = np.zeros(shape)
    while height > 0.02 and cells >= 2:
        lattice = rng.random((int(shape[0] / cells) + 2, int(shape[1] / cells) + 2)) - 0.5
        y, x = (np.arange(n) / cells for n in shape)
        i, j = y.astype(int), x.astype(int)
        v, u = (smooth(t - t.astype(int)) for t in (y, x))
        top = lattice[i][:, j] * (1 - u) + lattice[i][:, j + 1] * u
        bottom = lattice[i + 1][:, j] * (1 - u) + lattice[i + 1][:, j + 1] * u
        total += height * (top * (1 - v[:, None]) + bottom * v[:, None])
        cells, height = cells / 2, height * 0.45
    return total


def smooth(t: Grid) -> Grid:
    """Run from 0 to 1 with level ends."""
    return t * t * (3 - 2 * t)


def bump(x: Grid) -> Grid:
    """Rise to 1 at 0 and fall off to nothing within a few units."""
    return 1 / ((1 + x * x) * (1 + x * x))


def write(path: Path, heights: NDArray[np.generic], *, scale: float = 1.0, **grid: object) -> None:
    """Write a small GeoTIFF."""
    predictor = 3 if heights.dtype == np.float32 else 2
    with rasterio.open(
        path, "w", driver="GTiff", count=1, height=heights.shape[0], width=heights.shape[1],
        dtype=heights.dtype, nodata=-9999, compress="deflate", zlevel=9, predictor=predictor, **grid,
    ) as file:  # fmt: skip
        file.write(heights, 1)
        file.units, file.scales = ["metre"], [scale]
        file.update_tags(TITLE=path.stem.replace("_", " "), COMMENT=INVENTED)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
