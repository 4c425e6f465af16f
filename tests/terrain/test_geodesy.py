"""Positions against geographiclib, rasterio's own transformations and a surveyor's worked example."""

import numpy as np
import pytest
import rasterio.warp
from geographiclib.geodesic import Geodesic

from linkcalc.errors import DomainError
from linkcalc.terrain.geodesy import from_grid, path_between, points_along, position_text, transformer

PATHS = [
    (36.2, -84.3, 36.3, -84.2),
    (-33.91, 18.42, -33.95, 18.40),
    (64.1, -21.9, 64.1, -21.8),
    (-17.0, 179.95, -17.05, -179.95),
    (0.0, 10.0, 0.001, 10.0),
    (51.0, 0.0, -20.0, 140.0),
]


@pytest.mark.parametrize("ends", PATHS)
def test_distance_and_azimuths_agree_with_geographiclib(ends):
    expected = Geodesic.WGS84.Inverse(*ends)
    distance, there, back = path_between(*ends)
    assert distance == pytest.approx(expected["s12"], abs=1e-6)
    assert there == pytest.approx(expected["azi1"] % 360, abs=1e-9)
    assert back == pytest.approx((expected["azi2"] + 180) % 360, abs=1e-9)


@pytest.mark.parametrize("ends", PATHS)
def test_points_along_a_path_agree_with_geographiclib_to_a_tenth_of_a_millimetre(ends):
    line = Geodesic.WGS84.InverseLine(*ends)
    at = np.linspace(0.0, line.s13, 7)
    lat, lon = points_along(*ends, at)
    for x, y, s in zip(lon, lat, at, strict=True):
        expected = line.Position(s)
        assert Geodesic.WGS84.Inverse(y, x, expected["lat2"], expected["lon2"])["s12"] < 1e-4


def test_a_geodesic_is_the_same_line_from_either_end():
    ends = PATHS[0]
    at = np.linspace(0.0, path_between(*ends)[0], 11)
    there = np.array(points_along(*ends, at))
    back = np.array(points_along(*ends[2:], *ends[:2], at))
    assert there == pytest.approx(back[:, ::-1], abs=1e-11)


def test_flinders_peak_to_buninyong_as_in_the_surveyors_manual():
    # Geocentric Datum of Australia technical manual (ICSM), Vincenty's inverse worked example, on
    # GRS 80 (from memory; the ellipsoids differ by 0.1 mm in the semi-minor axis).
    flinders = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
    buninyong = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
    distance, there, back = path_between(*flinders, *buninyong)
    assert distance == pytest.approx(54_972.271, abs=1e-3)
    assert there == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=0.005 / 3600)
    assert back == pytest.approx(127 + 10 / 60 + 25.07 / 3600, abs=0.005 / 3600)
    # The same manual's grid coordinates of the two peaks, MGA94 zone 55 (from memory).
    lat, lon = from_grid([273_741.297, 228_854.052], [5_796_489.777, 5_828_259.038], 28355)
    assert lat == pytest.approx([flinders[0], buninyong[0]], abs=1e-8)
    assert lon == pytest.approx([flinders[1], buninyong[1]], abs=1e-8)


@pytest.mark.parametrize(
    ("epsg", "easting", "northing"),
    [(32616, 560_000.0, 4_010_000.0), (2193, 1_600_000.0, 5_400_000.0), (32760, 300_000.0, 8_100_000.0)],
)
def test_grid_coordinates_agree_with_rasterios_own_transformation(epsg, easting, northing):
    (x,), (y,) = rasterio.warp.transform(f"EPSG:{epsg}", "EPSG:4326", [easting], [northing])
    lat, lon = from_grid(easting, northing, epsg)
    assert (lat, lon) == pytest.approx((y, x), abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((4_000_000.0, 560_000.0, 32616), "swapped"),
        ((560_000.0, 4_000_000.0, 4326), "latitude_deg and longitude_deg"),
        ((560_000.0, 4_000_000.0, 2264), "US survey foot"),
        ((560_000.0, 4_000_000.0, 20999), "not a coordinate system"),
        ((float("nan"), 4_000_000.0, 32616), "easting_m must be finite"),
    ],
)
def test_grid_coordinates_that_cannot_be_meant_are_refused(arguments, said):
    with pytest.raises(DomainError, match=said):
        from_grid(*arguments)


def test_a_station_just_outside_its_grid_zone_is_accepted():
    # Zone 16 ends at 84 W; surveys carry a zone on over the border.
    x, y = transformer("EPSG:4326", "EPSG:32616").transform(-83.0, 36.0)
    assert from_grid(x, y, 32616) == pytest.approx((36.0, -83.0), abs=1e-9)


@pytest.mark.parametrize("ends", [(91.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, float("inf"))])
def test_positions_off_the_globe_are_refused(ends):
    with pytest.raises(DomainError, match=r"latitude|longitude"):
        path_between(*ends)


def test_positions_are_written_with_their_hemispheres():
    assert position_text(-33.9, 18.4) == "33.90000 S 18.40000 E"
