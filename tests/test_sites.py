"""Positions as people write them, and their lists of sites."""

import io
import zipfile
from pathlib import Path

import pytest

from linkcalc.errors import LinkcalcError
from linkcalc.plan.sites import Site, parse_position, read_sites

HERE = (32.6, -97.41)


@pytest.mark.parametrize(
    "text",
    [
        "32.60,-97.41",
        "32.60, -97.41",
        "32.6 -97.41",
        "32,60 -97,41",
        "32.6;-97.41",
        "32.6 N 97.41 W",
        "97.41 W 32.6 N",
        "N32.6 W97.41",
        "32°36'00\"N 97°24'36\"W",
        "32° 36.0' N, 97° 24.6' W",
        "32 36 00 N 97 24 36 W",
        "N32 36 00 W97 24 36",
        "32:36:00 N, 97:24:36 W",
        "32°36′00″ N 97°24′36″ W",
        "32.6, −97.41",
    ],
)
def test_a_position_is_read_however_it_is_written(text: str) -> None:
    assert parse_position(text) == pytest.approx(HERE, abs=1e-8)


def test_the_letter_of_the_south_is_no_mark_of_seconds() -> None:
    assert parse_position("19 54 58 S 20 57 30 E") == pytest.approx((-19.916111111, 20.958333333), abs=1e-8)
    assert parse_position("S19 54 58, E20 57 30") == pytest.approx((-19.916111111, 20.958333333), abs=1e-8)


def test_utm_of_a_well_known_tower() -> None:
    # Worked example of the encyclopaedia's article on UTM (from memory): zone 17T 630084 E 4833438 N is
    # 43 deg 38 min 33.24 s N, 79 deg 23 min 13.7 s W.
    expected = (43 + 38 / 60 + 33.24 / 3600, -(79 + 23 / 60 + 13.7 / 3600))
    for text in ("17T 630084 4833438", "UTM 17 T 630084 4833438", "EPSG:32617 630084 4833438"):
        assert parse_position(text) == pytest.approx(expected, abs=1e-5)


def test_zone_letters_south_of_the_equator() -> None:
    assert parse_position("56H 334000 6252000") == parse_position("EPSG:32756 334000 6252000")
    assert parse_position("56S 334000 6252000") == parse_position("EPSG:32756 334000 6252000")


REFUSED = {
    "14S 650000 3608000": "may be band S .* write EPSG:32614 650000 3608000 or EPSG:32714",
    "14R 650000 4100000": "outside band R",
    "61N 500000 100000": "zone 61 does not exist",
    "-97.4, 32.6": "latitude comes first: 32.6,-97.4",
    "32.6, -190": "a longitude of -190 does not exist",
    "97.4W": "is not understood",
    "32.6 N 97.4 N": "two of one kind",
    "-32.6 S 97.4 E": "a minus sign or a letter",
    "32°61'00\"N 97°24'00\"W": "below 60",
    "14SPB1234567890": "grid squares and plus codes are not read",
    "somewhere": "is not understood; write 32.6,-97.4",
    "": "is not understood",
    "EPSG:4978 1 2": "not a grid",
    "EPSG:2264 1500000 600000": "US survey foot",
    "10 20 30 40": "is not understood",
}


@pytest.mark.parametrize("text", REFUSED)
def test_a_position_that_may_mean_two_places_or_none_is_refused(text: str) -> None:
    with pytest.raises(LinkcalcError, match=REFUSED[text]):
        parse_position(text)


KML = """<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder>
<Placemark><name>north tank</name><Point><coordinates> -97.41,32.6,120 </coordinates></Point></Placemark>
<Placemark><name>fence</name><LineString><coordinates>1,2 3,4</coordinates></LineString></Placemark>
<Placemark><name>shed</name><Point><coordinates>-97.38,32.61</coordinates></Point></Placemark>
</Folder></Document></kml>"""
GPX = """<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">
<wpt lat="32.6" lon="-97.41"><ele>120</ele><name>north tank</name></wpt>
<wpt lat="32.61" lon="-97.38"><name>shed</name></wpt>
<trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk></gpx>"""
GEOJSON = """{"type": "FeatureCollection", "features": [
{"type": "Feature", "properties": {"name": "north tank"}, "geometry": {"type": "Point",
 "coordinates": [-97.41, 32.6, 5]}},
{"type": "Feature", "properties": null, "geometry": null},
{"type": "Feature", "id": "shed", "properties": {}, "geometry": {"type": "Point",
 "coordinates": [-97.38, 32.61]}}]}"""
CSV = "Name,Latitude,Longitude\nnorth tank,32.6,-97.41\n# a note\nshed,32 36 36 N,97 22 48 W\n"
GRID = """site;easting;northing;epsg
north tank;649190.98;3608161.12;32614
shed;651991.86;3609313.25;EPSG:32614
"""
SPREADSHEET = "name\tlat\tlong\nnorth tank\t32,6\t-97,41\nshed\t32,61\t-97,38\n"


def zipped(text: str) -> bytes:
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w") as archive:
        archive.writestr("doc.kml", text)
    return memory.getvalue()


FILES = {
    "sites.kml": KML.encode(),
    "sites.kmz": zipped(KML),
    "sites.gpx": GPX.encode(),
    "sites.geojson": GEOJSON.encode(),
    "sites.json": b"\xef\xbb\xbf" + GEOJSON.encode(),
    "sites.csv": CSV.encode("cp1252"),
    "grid.csv": GRID.encode(),
    "sheet.txt": SPREADSHEET.encode("utf-16"),
}


@pytest.mark.parametrize("name", FILES)
def test_a_list_of_sites_is_read_whatever_wrote_it(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(FILES[name])
    tank, shed = read_sites(tmp_path / name)
    assert (tank.name, shed.name) == ("north tank", "shed")
    assert (tank.latitude_deg, tank.longitude_deg) == pytest.approx(HERE, abs=2e-3)
    assert (shed.latitude_deg, shed.longitude_deg) == pytest.approx((32.61, -97.38), abs=2e-3)


def test_names_are_made_fit_for_a_plan(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("name,lat,lon,antenna_height_m\ntank,1,2,3.5\ntank,1,3,\n,1,4,\n" + "x" * 90 + ",1,5,\n")
    sites = read_sites(path)
    assert [s.name for s in sites[:3]] == ["tank", "tank 2", "site 3"]
    assert len(sites[3].name) <= 60
    assert sites[0] == Site("tank", 1.0, 2.0, 3.5)


UNREADABLE = {
    "empty.csv": (b"", "holds no site"),
    "none.gpx": (b"<gpx></gpx>", "holds no site"),
    "columns.csv": (b"a,b\n1,2\n", "no columns latitude and longitude, .* it has a, b"),
    "grid_without_code.csv": (b"name,easting,northing\na,1,2\n", "no columns"),
    "place.csv": (b"name,lat,lon\nx,1,2\na,95,10\n", r"row 3: position .* latitude of 95"),
    "words.csv": (b"name,lat,lon\na,here,there\n", r"row 2: position 'here, there' is not understood"),
    "nan.csv": (b"name,lat,lon\na,nan,1\n", "is not understood"),
    "mast.csv": (b"name,lat,lon,antenna_height_m\na,1,2,tall\n", "'tall' is not a number of metres"),
    "bomb.gpx": (b'<!DOCTYPE x [<!ENTITY a "b">]><gpx><wpt lat="&a;" lon="1"/></gpx>', "document type"),
    "damaged.kml": (b"<kml><Document>", "is damaged"),
    "damaged.kmz": (b"PK\x03\x04 nothing", "not a readable archive"),
    "damaged.geojson": (b'{"type": ', "is damaged"),
    "elsewhere.geojson": (
        b'{"type": "FeatureCollection", "crs": {"properties": {"name": "EPSG:32614"}}, "features": []}',
        "another coordinate system",
    ),
    "half.geojson": (b'{"type": "Point", "coordinates": [1]}', "no coordinates"),
    "other.doc": (b"\x00\x01", "is not a list of sites"),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_list_that_cannot_be_read_is_one_line_that_names_the_file(tmp_path: Path, name: str) -> None:
    content, said = UNREADABLE[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(LinkcalcError, match=said) as caught:
        read_sites(tmp_path / name)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_more_sites_than_a_plan_takes_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("name,lat,lon\n" + "a,1,2\n" * 1001)
    with pytest.raises(LinkcalcError, match="a plan takes 1000"):
        read_sites(tmp_path / "a.csv")
