"""Where something may be put up: polygons, tracks, slopes, nodata; and files that cannot be used."""

import itertools
import json
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from linkcalc.area.access import Access, Grid, allowed_cells, near_lines, slope_deg
from linkcalc.area.geojson import read_lines, read_polygons
from linkcalc.errors import DomainError, LinkcalcError

GRID = Grid(-40.0, -20.0, 30.0, 30)
LEVEL = np.full((61, 61), 100.0)
EVERYWHERE = np.ones((61, 61), dtype=bool)

OUTER = [[-20.008, -40.006], [-19.994, -40.005], [-19.991, -39.995], [-20.004, -39.993], [-20.008, -40.006]]
HOLE = [[-20.002, -40.002], [-20.002, -39.999], [-19.999, -39.999], [-19.999, -40.002], [-20.002, -40.002]]
TRACK = [[-20.02, -40.001], [-20.003, -39.999], [-20.001, -39.998], [-19.98, -40.004]]


def write(folder, kind, coordinates, **more):
    file = folder / f"{kind}.geojson"
    feature = {"type": "Feature", "properties": None, "geometry": {"type": kind, "coordinates": coordinates}}
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [feature], **more}))
    return file


def allowed(access, ground=LEVEL):
    return allowed_cells(GRID, ground, EVERYWHERE, access)


def inside(longitude, latitude, ring):
    """Whether a ray to the east crosses a ring oddly often: the even-odd rule, written out."""
    odd = False
    for (x1, y1), (x2, y2) in itertools.pairwise(ring):
        if (y1 > latitude) != (y2 > latitude):
            odd ^= longitude < x1 + (latitude - y1) / (y2 - y1) * (x2 - x1)
    return odd


def cells():
    rows, columns = np.indices((61, 61))
    return GRID.geographic(*GRID.east_north(rows, columns))


def test_cells_in_a_polygon_and_not_in_its_hole_are_left(tmp_path):
    found = allowed(Access(within=write(tmp_path, "Polygon", [OUTER, HOLE])))
    latitude, longitude = cells()
    want = np.array(
        [
            inside(x, y, OUTER) and not inside(x, y, HOLE)
            for x, y in zip(longitude.ravel(), latitude.ravel(), strict=True)
        ]
    ).reshape(found.mask.shape)
    assert (found.mask != want).sum() <= 2  # a cell's middle on an edge may fall either way
    assert len(found.outlines) == 2
    assert found.steps[-1] == ("within Polygon.geojson", int(found.mask.sum()))


def test_several_polygons_and_nested_geometries_count_together(tmp_path):
    west = [[-20.009, -40.002], [-20.007, -40.002], [-20.007, -40.0], [-20.009, -40.0], [-20.009, -40.002]]
    both = write(tmp_path, "MultiPolygon", [[OUTER], [west]])
    nested = tmp_path / "nested.json"
    parts = [{"type": "Polygon", "coordinates": [ring]} for ring in (west, OUTER)]
    nested.write_text(json.dumps({"type": "GeometryCollection", "geometries": parts}))
    np.testing.assert_array_equal(allowed(Access(within=both)).mask, allowed(Access(within=nested)).mask)


def test_a_polygon_around_it_all_rules_nothing_out(tmp_path):
    world = [[-179.9, -89.0], [179.9, -89.0], [179.9, 89.0], [-179.9, 89.0], [-179.9, -89.0]]
    assert allowed(Access(within=write(tmp_path, "Polygon", [world]))).mask.all()


def test_polygons_reach_over_the_180th_meridian(tmp_path):
    grid = Grid(10.0, 179.999, 30.0, 20)
    ring = [[179.99, 9.99], [180.0, 9.99], [180.0, 10.01], [179.99, 10.01], [179.99, 9.99]]
    other = [[-180.0, 9.99], [-179.99, 9.99], [-179.99, 10.01], [-180.0, 10.01], [-180.0, 9.99]]
    file = write(tmp_path, "MultiPolygon", [[ring], [other]])
    square = np.ones((41, 41), dtype=bool)
    assert allowed_cells(grid, np.zeros((41, 41)), square, Access(within=file)).mask.all()


def test_distance_from_a_track_is_that_of_the_ellipsoid(tmp_path):
    reach = 200.0
    file = write(tmp_path, "LineString", TRACK)
    found = allowed(Access(track=file, track_distance_m=reach))
    share = np.linspace(0.0, 1.0, 2000)[:, np.newaxis]
    points = np.concatenate([np.array(a) + (np.array(b) - a) * share for a, b in itertools.pairwise(TRACK)])
    latitude, longitude = cells()
    geod = Geod(ellps="WGS84")
    for row, column in np.random.default_rng(1).integers(0, 61, (60, 2)):
        here = np.full(len(points), longitude[row, column]), np.full(len(points), latitude[row, column])
        want = geod.inv(*here, points[:, 0], points[:, 1])[2].min()
        if abs(want - reach) > 1.5:
            assert found.mask[row, column] == (want <= reach)
        east, north = GRID.east_north(row, column)
        assert found.track_distance_m(float(east), float(north)) == pytest.approx(want, abs=1.0)


@settings(max_examples=40, deadline=None)
@given(
    ends=st.lists(st.tuples(st.floats(-3e3, 3e3), st.floats(-3e3, 3e3)), min_size=2, max_size=5),
    reach=st.floats(5.0, 2e3),
)
def test_cells_near_a_line_are_those_by_the_formula(ends, reach):
    line = np.array(ends)
    x, y = np.meshgrid(GRID.steps_m, -GRID.steps_m)
    nearest = np.full(x.shape, np.inf)
    for (x1, y1), (x2, y2) in itertools.pairwise(line):
        square = (x2 - x1) ** 2 + (y2 - y1) ** 2
        t = 0.0 if square < 1e-9 else np.clip(((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / square, 0, 1)
        nearest = np.minimum(nearest, np.hypot(x - x1 - t * (x2 - x1), y - y1 - t * (y2 - y1)))
    sure = np.abs(nearest - reach) > 1e-3
    np.testing.assert_array_equal(near_lines(GRID, [line], reach)[sure], (nearest <= reach)[sure])


@pytest.mark.parametrize("degrees", [3.0, 12.0, 40.0])
def test_the_slope_of_a_plane_is_its_slope(degrees):
    x, y = np.meshgrid(GRID.steps_m, GRID.steps_m)
    plane = np.tan(np.radians(degrees)) * (x * 0.6 + y * 0.8)
    np.testing.assert_allclose(slope_deg(plane, 30.0), degrees, atol=1e-9)
    assert allowed(Access(steepest_deg=degrees + 0.1), plane).mask.all()
    with pytest.raises(DomainError, match=f"steeper than 2°, the gentlest {degrees:.1f}°"):
        allowed(Access(steepest_deg=2.0), plane)


def test_beside_nodata_the_slope_is_unknown_and_not_taken_for_gentle():
    ground = LEVEL.copy()
    ground[20, 20] = np.nan
    left = allowed(Access(steepest_deg=10.0), ground).mask
    assert not left[19, 20]
    assert not left[20, 21]
    assert left[22, 20]


def test_the_distance_from_nodata_is_kept():
    ground = LEVEL.copy()
    ground[20, 20] = np.nan
    left = allowed(Access(nodata_distance_m=95.0), ground).mask
    rows, columns = np.indices(left.shape)
    np.testing.assert_array_equal(left, np.hypot(rows - 20, columns - 20) * 30.0 >= 95.0)
    with pytest.raises(DomainError, match="at most 1697 m from nodata, and 5000 m is required"):
        allowed(Access(nodata_distance_m=5000.0), ground)
    assert allowed(Access(nodata_distance_m=5000.0)).mask.all()  # there is none


@settings(max_examples=30, deadline=None)
@given(
    steepest=st.floats(1.0, 30.0), more=st.floats(0.0, 20.0), away=st.floats(0.0, 300.0),
)  # fmt: skip
def test_asking_more_never_leaves_more_cells(steepest, more, away):
    rng = np.random.default_rng(4)
    ground = 100.0 + np.cumsum(rng.normal(0.0, 6.0, (61, 61)), axis=0)
    ground[5:8, 40:44] = np.nan

    def left(access):
        try:
            return allowed(access, ground).mask
        except DomainError:
            return np.zeros((61, 61), dtype=bool)

    strict, lenient = left(Access(steepest_deg=steepest)), left(Access(steepest_deg=steepest + more))
    assert not (strict & ~lenient).any()
    assert not (left(Access(steepest_deg=steepest, nodata_distance_m=away)) & ~strict).any()


@pytest.mark.parametrize(
    ("access", "words"),
    [
        ({"track_distance_m": 50.0}, "go"),
        ({"steepest_deg": 0.0}, "steepest_deg must be above 0"),
        ({"steepest_deg": 91.0}, "steepest_deg must be at most 90"),
        ({"nodata_distance_m": -1.0}, "nodata_distance_m must be at least 0"),
        ({"nodata_distance_m": np.nan}, "nodata_distance_m must be finite"),
    ],
)
def test_what_does_not_go_together_is_refused(access, words):
    with pytest.raises(DomainError, match=words if words != "go" else "a track needs the largest distance"):
        Access(**access)


SWAPPED = [[y, x] for x, y in OUTER]
METRES = [[500000.0 + x, 4430000.0 + y] for x, y in OUTER]
BAD = [
    ("Polygon", [METRES], "is not a longitude and latitude in degrees, .* reproject it to EPSG:4326"),
    ("Polygon", [OUTER[:2]], "a Polygon needs 3 positions or more, and one has 2"),
    ("Polygon", [[*OUTER[:2], ["east", 3.0]]], r'a Polygon has \["east", 3.0\] where a pair of numbers'),
    ("Polygon", [[*OUTER[:2], [True, 3.0]]], r"a Polygon has \[true, 3.0\] where a pair of numbers"),
    ("Polygon", 5, "a Polygon lacks the list that holds its parts"),
    ("MultiPolygon", [5], "a MultiPolygon lacks the list that holds its parts"),
    ("LineString", TRACK, "holds no polygon; a Polygon or MultiPolygon is needed"),
    ("Polygone", [OUTER], '"Polygone" is not a GeoJSON type'),
    ("Polygon", [[[-20.0, 95.0], *OUTER]], "-20, 95 is not a longitude and latitude .* swapped"),
]


@pytest.mark.parametrize(("kind", "coordinates", "words"), BAD)
def test_a_polygon_that_cannot_be_used_is_one_line(tmp_path, kind, coordinates, words):
    file = write(tmp_path, kind, coordinates)
    with pytest.raises(LinkcalcError, match=words) as caught:
        read_polygons(file)
    assert str(caught.value).startswith(str(file))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not GeoJSON: Expecting value in line 1, column 1"),
        ('{"type": "FeatureCollection",\n "features": [}', "is not GeoJSON: Expecting value in line 2"),
        ("[]", 'is not GeoJSON: an object with a "type" is needed'),
        ('{"type": "Topology"}', '"Topology" is not a GeoJSON type'),
        ('{"type": "FeatureCollection"}', "a FeatureCollection lacks the list"),
        ('{"type": "FeatureCollection", "features": [null]}', "null is not a GeoJSON type"),
        ('{"type": "FeatureCollection", "features": []}', "holds no line"),
        ('{"type": "LineString", "coordinates": [[0.0, 1e400], [0.0, 0.0]]}', "where a pair of numbers"),
        ('{"type": "LineString", "coordinates": [[1' + "0" * 5000 + ", 0]]}", "where a pair of numbers"),
        ("[" * 100_000, "is not GeoJSON"),
    ],
)
def test_a_file_that_is_no_geojson_is_one_line(tmp_path, text, words):
    file = tmp_path / "tracks.geojson"
    file.write_text(text)
    with pytest.raises(LinkcalcError, match=re.escape(words)) as caught:
        read_lines(file)
    assert "\n" not in str(caught.value)


def test_files_that_cannot_be_read_are_one_line(tmp_path):
    for file, words in ((tmp_path / "absent.geojson", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(LinkcalcError, match=words):
            read_lines(file)
    binary = tmp_path / "binary.geojson"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LinkcalcError, match="is not text in UTF-8"):
        read_lines(binary)


def test_another_coordinate_system_is_refused_and_the_own_one_taken(tmp_path):
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32727"}}
    with pytest.raises(LinkcalcError, match="states another coordinate system than GeoJSON has"):
        read_lines(write(tmp_path, "LineString", TRACK, crs=crs))
    crs["properties"]["name"] = "urn:ogc:def:crs:OGC:1.3:CRS84"
    assert len(read_lines(write(tmp_path, "LineString", TRACK, crs=crs))[0]) == 4


def test_heights_in_coordinates_and_open_rings_are_taken(tmp_path):
    rings = [[[x, y, 12.0] for x, y in OUTER[:-1]]]
    (found,) = read_polygons(write(tmp_path, "Polygon", rings))
    assert found[0].tolist() == OUTER


def test_a_distance_from_a_track_is_met_by_cells_exactly_that_far():
    north_south = np.array([[1e-9, -5e3], [-1e-9, 5e3]])
    near = near_lines(GRID, [north_south], 3.0 * GRID.cell_m)
    assert near.any(axis=0).sum() == near.all(axis=0).sum() == 7


def test_what_lies_between_the_middles_of_cells_asks_for_smaller_cells(tmp_path):
    east, north = GRID.steps_m[32] + GRID.cell_m / 2.0, GRID.steps_m[33] + GRID.cell_m / 2.0
    corner = np.array([-4.0, 4.0, 4.0, -4.0, -4.0]), np.array([-4.0, -4.0, 4.0, 4.0, -4.0])
    latitude, longitude = GRID.geographic(east + corner[0], north + corner[1])
    yard = write(tmp_path, "Polygon", [np.stack([longitude, latitude], axis=-1).tolist()])
    with pytest.raises(DomainError, match="lies between the middles of cells: take smaller cells"):
        allowed(Access(within=yard))


def test_a_file_that_lies_elsewhere_says_how_far(tmp_path):
    away = [[x + 0.05, y] for x, y in OUTER]
    with pytest.raises(DomainError, match=r"none lies within a polygon of .* comes no nearer than 2\.\d km"):
        allowed(Access(within=write(tmp_path, "Polygon", [away])))
    with pytest.raises(DomainError, match=r"lies more than 50 km away: are longitude and latitude swapped"):
        allowed(Access(within=write(tmp_path, "Polygon", [SWAPPED])))
    far = [[x, y + 0.02] for x, y in TRACK]
    with pytest.raises(DomainError, match=r"none lies within 50 m of a line of LineString.geojson, which"):
        allowed(Access(track=write(tmp_path, "LineString", far), track_distance_m=50.0))


def test_land_without_heights_has_no_cell():
    with pytest.raises(DomainError, match="no cell of the area has a height"):
        allowed(Access(), np.full((61, 61), np.nan))
