"""What stands around a station and along a path, from land cover and canopy."""

import numpy as np
import pytest

from linkcalc.errors import DomainError, TerrainError
from linkcalc.link.surroundings import Surroundings
from linkcalc.propagation import clutter
from linkcalc.terrain.land_cover import (
    BUILT_UP,
    BUILT_UP_M,
    CLASSES,
    CROPS,
    GRASS,
    KINDS,
    MANGROVES,
    REACH_M,
    TREES,
    TREES_M,
    WATER,
    Layers,
    neighbourhood,
    open_land_cover,
    shown_along,
    surroundings_of,
)
from linkcalc.terrain.raster import CANOPY_LIMITS_M
from linkcalc.terrain.rasters import open_mosaic
from tests.terrain.conftest import north_up

AWAY = np.linspace(5.0, 95.0, 20)
GRID = {"crs": "EPSG:32633", "transform": north_up(500_000.0, 5_000_600.0, 10.0)}
"""120 by 60 cells of 10 m."""


def of(main, share=1.0, other=GRASS, canopy_m=None):
    """Kind and height where the farther cells are of one class."""
    cover = np.full((1, 20), other)
    cover[0, 20 - round(20 * share) :] = main
    found = surroundings_of(AWAY, cover, None if canopy_m is None else np.full((1, 20), canopy_m))
    return KINDS[found.kind[0]], found.height_m[0]


@pytest.mark.parametrize(
    ("main", "share", "expected"),
    [
        (CROPS, 1.0, "open"),
        (WATER, 1.0, "open"),
        (TREES, 0.3, "woodland"),
        (TREES, 0.2, "open"),
        (MANGROVES, 1.0, "woodland"),
        (BUILT_UP, 0.2, "suburban"),
        (BUILT_UP, 0.1, "open"),
        (BUILT_UP, 0.75, "urban"),
    ],
)
def test_what_covers_enough_of_the_circle_names_it(main, share, expected):
    assert of(main, share)[0] == expected


def test_one_tree_or_roof_beside_the_antenna_counts():
    cover = np.full((1, 20), GRASS)
    cover[0, 1] = TREES
    assert KINDS[surroundings_of(AWAY, cover).kind[0]] == "woodland"
    cover[0, 1] = BUILT_UP
    assert KINDS[surroundings_of(AWAY, cover).kind[0]] == "suburban"


def test_heights_are_those_of_the_recommendations_where_no_canopy_is_known():
    # Rec. ITU-R P.1812-7, table 2 (from memory): suburban 10 m, trees and forest 15 m; Rec. ITU-R P.2108-1, 3.1
    assert (TREES_M, BUILT_UP_M) == (15.0, 10.0)
    assert (clutter.CLUTTER_HEIGHT_M["trees"], clutter.CLUTTER_HEIGHT_M["suburban"]) == (TREES_M, BUILT_UP_M)
    assert np.isnan(of(TREES)[1])


def test_the_height_of_a_wood_is_what_nine_tenths_of_its_trees_stay_below():
    trees = np.linspace(5.0, 24.0, 20)[np.newaxis]
    found = surroundings_of(AWAY, np.full((1, 20), TREES), trees)
    assert found.height_m[0] == 22.0
    assert of(TREES, canopy_m=20.0) == ("woodland", 20.0)


def test_trees_that_the_canopy_shows_count_where_the_land_cover_has_none():
    found = surroundings_of(AWAY, canopy_m=np.full((1, 20), 12.0))
    assert (KINDS[found.kind[0]], found.height_m[0]) == ("woodland", 12.0)
    assert of(CROPS, canopy_m=12.0) == ("woodland", 12.0)


def test_bushes_are_no_wood():
    assert of(TREES, canopy_m=1.0)[0] == "open"


def test_nothing_known_is_not_open():
    found = surroundings_of([10.0, 200.0], [[0, GRASS], [GRASS, 0]])
    assert [KINDS[k] for k in found.kind] == ["unknown", "open"]
    assert (found.words(0), found.words(1)) == ("", "open land in 100 % of the 100 m around")


@pytest.mark.parametrize(
    ("cover", "canopy"),
    [([[1, 2]], None), ([[GRASS]], None), ([[GRASS, 255]], None), ([[GRASS, GRASS]], [[1.0]]), (None, None)],
)
def test_what_is_no_land_cover_is_refused(cover, canopy):
    with pytest.raises(DomainError):
        surroundings_of([10.0, 20.0], cover, canopy)


@pytest.mark.parametrize("frequency_hz", [151e6, 434e6, 868e6, 2.4e9])
@pytest.mark.parametrize("kind", ["open", "suburban", "urban", "woodland"])
@pytest.mark.parametrize("height_m", [None, 3.0, 6.0, 25.0])
def test_what_a_raster_shows_never_loses_less_than_open_country_assumed(frequency_hz, kind, height_m):
    antennas = np.array([0.5, 1.0, 2.0, 4.0, 7.0, 9.9, 10.0, 12.0, 20.0])
    for rise in (0.0, 0.2):
        shown = Surroundings(kind, False, height_m, shown="by raster").loss_db(frequency_hz, antennas, rise)
        assert (shown >= Surroundings("open", False).loss_db(frequency_hz, antennas, rise)).all()


@pytest.fixture
def land(write_raster):
    """Grass; a wood in the west, a village in the east, nothing known in the far north-east."""
    cover = np.full((60, 120), GRASS, dtype=np.uint8)
    cover[:, :20] = TREES
    cover[20:40, 100:] = BUILT_UP
    cover[:10, 100:] = 0
    path = write_raster("WorldCover.tif", cover, nodata=0, **GRID)
    opened = open_land_cover([path])
    yield opened
    for mosaic in opened:
        mosaic.close()


def position(column: float, row: float) -> tuple[float, float]:
    import pyproj

    to = pyproj.Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True)
    lon, lat = to.transform(500_000.0 + 10.0 * column, 5_000_600.0 - 10.0 * row)
    return lat, lon


def test_the_cells_around_a_position_are_found_on_the_rasters_own_grid(land):
    found = neighbourhood(Layers(open_mosaic([]), cover=land), *position(60, 30), 700.0)
    at = {
        "wood": (10, 30),
        "edge": (22.6, 30.4),
        "grass": (60, 30),
        "village": (112, 30),
        "unknown": (112, -11),
    }
    lat, lon = np.transpose([position(*p) for p in at.values()])
    kinds = dict(zip(at, (KINDS[k] for k in found.around(lat, lon).kind), strict=True))
    assert kinds == {
        "wood": "woodland", "edge": "woodland", "grass": "open", "village": "urban", "unknown": "unknown",
    }  # fmt: skip
    # the share of a circle that a straight edge 26 m from its middle cuts off is 33.6 %
    share = found.around(*position(22.6, 30.4)).share[0]
    assert share == pytest.approx(0.336, abs=0.02)


@pytest.mark.parametrize(
    ("rows", "columns"),
    [((0, 28), (0, 120)), ((33, 60), (0, 120)), ((0, 60), (63, 120)), ((0, 60), (0, 58))],
)
def test_woods_to_every_side_are_looked_for_on_that_side(write_raster, rows, columns):
    cover = np.full((60, 120), GRASS, dtype=np.uint8)
    cover[slice(*rows), slice(*columns)] = TREES
    layers = Layers(open_mosaic([]), cover=open_land_cover([write_raster("side.tif", cover, **GRID)]))
    # 25 m to 95 m beyond the middle of a circle its edge cuts off 34 % to 0.6 %
    for away, least, most in ((2.6, 0.31, 0.37), (9.5, 0.0, 0.03)):
        at = [60.5, 30.5]
        if rows != (0, 60):
            at[1] = rows[1] + away if rows[0] == 0 else rows[0] - away
        else:
            at[0] = columns[1] + away if columns[0] == 0 else columns[0] - away
        found = neighbourhood(layers, *position(*at), 10.0).around(*position(*at))
        trees = found.share[0] if KINDS[found.kind[0]] == "woodland" else 1.0 - found.share[0]
        assert least <= trees <= most


def test_a_single_tall_tree_gives_its_height():
    canopy = np.zeros((1, 20))
    canopy[0, 1] = 18.0
    found = surroundings_of(AWAY, canopy_m=canopy)
    assert (KINDS[found.kind[0]], found.height_m[0]) == ("woodland", 18.0)


def test_the_answer_is_the_same_from_a_small_window_and_from_a_large_one(land):
    here = position(22, 33)
    layers = Layers(open_mosaic([]), cover=land)
    small, large = (neighbourhood(layers, *here, reach).around(*here) for reach in (0.0, 900.0))
    assert (small.kind, small.share) == (large.kind, large.share)


def test_the_finest_canopy_that_knows_a_cell_is_asked(write_raster):
    fine = np.full((60, 120), 255, dtype=np.uint8)
    fine[:, 60:] = 8
    paths = [
        write_raster("fine.tif", fine, nodata=255, **GRID),
        write_raster(
            "coarse_canopy.tif", np.full((20, 40), 20, dtype=np.uint8), nodata=255, crs="EPSG:32633",
            transform=north_up(500_000.0, 5_000_600.0, 30.0),
        ),
    ]  # fmt: skip
    with open_mosaic(paths, limits_m=CANOPY_LIMITS_M) as canopy:
        found = neighbourhood(Layers(open_mosaic([]), canopy=canopy), *position(60, 30), 600.0)
        lat, lon = np.transpose([position(30, 30), position(90, 30)])
        assert found.around(lat, lon).height_m.tolist() == [20.0, 8.0]


def test_along_a_path_classes_stand_for_heights_but_not_beside_the_stations(land):
    lat, lon = np.transpose([position(column, 30.5) for column in np.linspace(2, 118, 117)])
    distance = np.linspace(0.0, 1160.0, 117)
    woods, built = shown_along(land, lat, lon, distance)
    inside = (distance >= REACH_M) & (distance <= 1160.0 - REACH_M)
    assert np.isnan(woods[~inside]).all()
    assert np.isnan(built[~inside]).all()
    assert woods[inside][:5].tolist() == pytest.approx([TREES_M] * 5)
    assert built[inside][-5:].tolist() == pytest.approx([BUILT_UP_M] * 5)
    assert np.nanmax(woods[40:]) == 0.0


def test_classes_that_are_not_of_this_kind_are_refused(write_raster):
    cover = np.full((60, 120), 41, dtype=np.uint8)
    with pytest.raises(TerrainError, match=r"holds 41, which is not a known land cover class.*10, 20, 30"):
        neighbourhood(
            Layers(open_mosaic([]), cover=open_land_cover([write_raster("other.tif", cover, **GRID)])),
            *position(60, 30),
            100.0,
        )
    with pytest.raises(TerrainError, match="whole numbers"):
        open_land_cover([write_raster("heights.tif", cover.astype(np.float32), **GRID)])


def test_every_class_of_the_set_is_known():
    assert CLASSES == (10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100)
