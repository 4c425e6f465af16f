"""Positions as people write them, and lists of sites from files: GPX, KML, KMZ, GeoJSON, CSV.

Every function here raises `LinkcalcError`, in one line, where what is written is not understood.
"""

import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from linkcalc.errors import LinkcalcError
from linkcalc.plan.stations import DEGREE_KEYS, GRID_KEYS, POSITION_KEYS
from linkcalc.tabular import TableError, decoded, table_of

MOST_SITES = 1000
_LARGEST_BYTES = 20_000_000
_LONGEST_NAME = 60

_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_DECIMAL_COMMA = re.compile(r"^([-+]?\d{1,3}),(\d+)\s*[;\s]\s*([-+]?\d{1,3}),(\d+)$")
_DECIMAL = re.compile(rf"^({_NUMBER})\s*[,;\s]\s*({_NUMBER})$")
_GRID = re.compile(rf"^EPSG:(\d+)\s*[,;\s]\s*({_NUMBER})\s*[,;\s]\s*({_NUMBER})$", re.IGNORECASE)
_UTM = re.compile(
    rf"^(?:UTM\s*)?(\d{{1,2}})\s*([C-HJ-NP-X])\s+({_NUMBER})\s*m?\s*E?[,;\s]\s*({_NUMBER})\s*m?\s*N?$",
    re.IGNORECASE,
)
_ANGLE = re.compile(
    r"""([NSEWO])?\s*([-+]?\d+(?:\.\d+)?)\s*(?:°|º|deg|d|[:\s])?\s*
        (?:(\d+(?:\.\d+)?)\s*(?:['′’m:]|\s)\s*)?
        (?:(\d+(?:\.\d+)?)\s*(?:["″”]|'')?\s*)?([NSEW])?""",
    re.IGNORECASE | re.VERBOSE,
)
_SQUARES = re.compile(r"^\d{1,2}[C-X]\s*[A-Z]{2}\s*\d|^[23456789CFGHJMPQRVWX]{4,8}\+", re.IGNORECASE)

FORMS = "write 32.6,-97.4 or 32.6 N 97.4 W, 32°36'00\"N 97°24'00\"W, or a grid as EPSG:32614 650000 3608000"


@dataclass(frozen=True)
class Site:
    """A named position, WGS 84."""

    name: str
    latitude_deg: float
    longitude_deg: float
    antenna_height_m: float | None = None


def parse_position(text: str) -> tuple[float, float]:
    """Read a position as latitude and longitude, WGS 84: decimal degrees, degrees with minutes and seconds, UTM, or a
    grid by its EPSG code. Latitude comes before longitude unless letters say otherwise; easting before northing.

    >>> parse_position("32.60,-97.40"), parse_position("97.4 W 32.6 N")
    ((32.6, -97.4), (32.6, -97.4))
    >>> parse_position("32°36'00\\"N 97°24'36\\"W")
    (32.6, -97.41)
    >>> [round(x, 4) for x in parse_position("EPSG:32616 500000 4000000")]
    [36.1447, -87.0]
    """
    said = " ".join(text.replace("−", "-").split())
    if found := _DECIMAL_COMMA.match(said):
        return _on_earth(text, float(f"{found[1]}.{found[2]}"), float(f"{found[3]}.{found[4]}"))
    if found := _DECIMAL.match(said):
        return _on_earth(text, float(found[1]), float(found[2]))
    if found := _GRID.match(said):
        return _from_grid(float(found[2]), float(found[3]), int(found[1]))
    if found := _UTM.match(said):
        return _from_utm(int(found[1]), found[2].upper(), float(found[3]), float(found[4]))
    if _SQUARES.match(said):
        raise LinkcalcError(f"position {text!r}: grid squares and plus codes are not read; {FORMS}")
    return _from_angles(text, said)


def _on_earth(text: str, latitude: float, longitude: float) -> tuple[float, float]:
    if abs(latitude) > 90.0:
        swapped = abs(longitude) <= 90.0 and abs(latitude) <= 180.0
        remedy = f"latitude comes first: {longitude:g},{latitude:g}?" if swapped else FORMS
        raise LinkcalcError(f"position {text!r}: a latitude of {latitude:g} does not exist; {remedy}")
    if abs(longitude) > 180.0:
        raise LinkcalcError(f"position {text!r}: a longitude of {longitude:g} does not exist; {FORMS}")
    return latitude, longitude


def _from_grid(easting: float, northing: float, epsg: int) -> tuple[float, float]:
    from linkcalc.terrain.geodesy import from_grid

    latitude, longitude = from_grid(easting, northing, epsg)
    # seven decimals of a degree are about a centimetre
    return round(float(latitude), 7), round(float(longitude), 7)


def _from_utm(zone: int, letter: str, easting: float, northing: float) -> tuple[float, float]:
    """A zone's letter is a band of latitude; but many write N and S for the halves of the Earth."""
    if not 1 <= zone <= 60:
        raise LinkcalcError(f"UTM zone {zone} does not exist: 1 to 60")
    north, south = f"EPSG:{32600 + zone}", f"EPSG:{32700 + zone}"
    figures = f"{easting:.0f} {northing:.0f}"
    # northings of band S; on the southern half they lie 50 to 59 degrees south, where there is land too
    if letter == "S" and 3_500_000.0 < northing < 4_500_000.0:
        raise LinkcalcError(
            f"UTM zone {zone}S {figures} may be band S (32 to 40 N) or the southern half of the Earth: write "
            f"{north} {figures} or {south} {figures}"
        )
    northern = letter >= "N" and letter != "S"
    latitude, longitude = _from_grid(easting, northing, (32600 if northern else 32700) + zone)
    bands = "CDEFGHJKLMNPQRSTUVWX"
    lowest = -80.0 + 8.0 * bands.index(letter)
    # N and S were taken for halves of the Earth, on which they allow any latitude
    if letter not in "NS" and not lowest - 0.5 <= latitude <= lowest + (12.5 if letter == "X" else 8.5):
        raise LinkcalcError(
            f"UTM zone {zone}{letter} {figures} lies at a latitude of {latitude:.2f}, outside band {letter} "
            f"({lowest:g} to {lowest + 8:g})"
        )
    return latitude, longitude


def _from_angles(text: str, said: str) -> tuple[float, float]:
    angles: list[tuple[float, str]] = []
    # letters part the two angles; without letters a comma or a semicolon does
    parts = re.split(r"[;,]\s*", said)
    if len(parts) != 2:
        lettered = re.match(r"^(.*?[NSEW])\s*(\S.*[NSEW])$", said, re.IGNORECASE)
        leading = re.match(r"^([NSEW].*?)\s*([NSEW].*)$", said, re.IGNORECASE)
        chosen = leading if said[:1].upper() in "NSEW" else lettered
        parts = list(chosen.groups()) if chosen else []
    for part in parts:
        found = _ANGLE.fullmatch(part.strip())
        if found is None or (found[1] and found[5]):
            break
        degrees, minutes, seconds = (float(found[k] or 0.0) for k in (2, 3, 4))
        if minutes >= 60.0 or seconds >= 60.0:
            raise LinkcalcError(f"position {text!r}: minutes and seconds are below 60")
        letter = (found[1] or found[5] or "").upper()
        if letter and found[2].startswith("-"):
            raise LinkcalcError(f"position {text!r}: a minus sign or a letter, not both")
        size = abs(degrees) + minutes / 60.0 + seconds / 3600.0
        negative = found[2].startswith("-") or letter in ("S", "W")
        angles.append((round(-size if negative else size, 9), letter))
    if len(angles) != 2 or len([letter for _, letter in angles if letter]) == 1:
        raise LinkcalcError(f"position {text!r} is not understood; {FORMS}")
    (first, one), (second, other) = angles
    if one and (one in "NS") == (other in "NS"):
        raise LinkcalcError(f"position {text!r} gives two of one kind; {FORMS}")
    return _on_earth(text, second, first) if one and one in "EW" else _on_earth(text, first, second)


def read_sites(path: str | Path) -> list[Site]:
    """Read a list of sites, in the file's order; those without a name are called site 1, site 2, ...; equal names get
    a number.

    GPX (way points, else route points), KML or KMZ (place marks with a point), GeoJSON (points), or CSV with a
    header: name, and latitude and longitude (decimal degrees, or degrees with minutes and seconds), or easting,
    northing and epsg; optionally antenna_height_m.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise LinkcalcError(f"{path}: cannot be read: {error.strerror or error}") from None
    if len(raw) > _LARGEST_BYTES:
        raise LinkcalcError(f"{path}: is larger than {_LARGEST_BYTES // 1_000_000} MB: not a list of sites")
    with _told_of(path):
        found = list(_sites_in(path, raw))
    if not found:
        raise LinkcalcError(f"{path}: holds no site (way point, place mark, point or row)")
    if len(found) > MOST_SITES:
        raise LinkcalcError(f"{path}: holds {len(found)} sites, and a plan takes {MOST_SITES}")
    return _named_apart(found)


@contextmanager
def _told_of(where: str | Path) -> Iterator[None]:
    """Name the place in front of what is wrong there."""
    try:
        yield
    except (LinkcalcError, TableError) as error:
        raise LinkcalcError(f"{where}: {error}") from None


def _sites_in(path: Path, raw: bytes) -> Iterator[Site]:
    ending = path.suffix.lower()
    head = raw[:2048].lstrip(b"\xef\xbb\xbf \t\r\n")
    if raw[:2] == b"PK" or ending == ".kmz":
        yield from _from_kml(_unzipped(raw))
    elif head.startswith(b"<"):
        yield from _from_gpx(raw) if b"<gpx" in raw[:4096] else _from_kml(raw)
    elif head.startswith(b"{"):
        yield from _from_geojson(raw)
    elif ending in (".csv", ".txt", ".tsv"):
        yield from _from_csv(raw)
    else:
        raise LinkcalcError("is not a list of sites: GPX, KML, KMZ, GeoJSON and CSV are read")


def _unzipped(raw: bytes) -> bytes:
    from zipfile import BadZipFile, ZipFile

    try:
        with ZipFile(io.BytesIO(raw)) as archive:
            inside = [i for i in archive.infolist() if i.filename.lower().endswith(".kml")]
            if not inside:
                raise LinkcalcError(
                    "holds no .kml; a workbook is read once it is saved as CSV"
                    if any(n.startswith("xl/") for n in archive.namelist())
                    else "holds no .kml"
                )
            # a small archive may unpack to gigabytes
            if inside[0].file_size > _LARGEST_BYTES:
                raise LinkcalcError("unpacks to more than a list of sites")
            return archive.read(inside[0])
    except (BadZipFile, OSError, RuntimeError) as error:
        raise LinkcalcError(f"is not a readable archive: {error}") from None


def _tree(raw: bytes) -> ElementTree.Element:
    # entities may unfold to gigabytes, and no list of sites needs them
    if b"<!DOCTYPE" in raw or b"<!ENTITY" in raw:
        raise LinkcalcError("declares a document type, which is not read")
    try:
        return ElementTree.fromstring(raw)
    except ElementTree.ParseError as error:
        raise LinkcalcError(f"is damaged: {error}") from None


def _local(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _text_below(element: ElementTree.Element, tag: str) -> str:
    return next(("".join(e.itertext()).strip() for e in element if _local(e) == tag), "")


def _from_gpx(raw: bytes) -> Iterator[Site]:
    root = _tree(raw)
    for tag in ("wpt", "rtept"):
        points = [e for e in root.iter() if _local(e) == tag]
        for number, point in enumerate(points, 1):
            name = _text_below(point, "name")
            yield _site(name, point.get("lat", ""), point.get("lon", ""), f"way point {name or number}")
        if points:
            return


def _from_kml(raw: bytes) -> Iterator[Site]:
    marks = [e for e in _tree(raw).iter() if _local(e) == "Placemark"]
    for number, mark in enumerate(marks, 1):
        point = next((e for e in mark.iter() if _local(e) == "Point"), None)
        if point is None:
            continue
        name = _text_below(mark, "name")
        figures = (_text_below(point, "coordinates").split() or [""])[0].split(",")
        if len(figures) < 2:
            raise LinkcalcError(f"place mark {name or number} has no coordinates")
        # KML, like GeoJSON, puts longitude before latitude
        yield _site(name, figures[1], figures[0], f"place mark {name or number}")


def _from_geojson(raw: bytes) -> Iterator[Site]:
    try:
        data = json.loads(raw.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise LinkcalcError(f"is damaged: {error}") from None
    crs = json.dumps(data.get("crs") or "") if isinstance(data, dict) else ""
    if crs != '""' and not re.search(r"CRS84|4326", crs):
        raise LinkcalcError("is in another coordinate system than WGS 84, which GeoJSON (RFC 7946) asks for")
    for number, (properties, point) in enumerate(_points(data), 1):
        wanted = ("name", "title", "label", "id")
        name = next((str(properties[k]) for k in wanted if properties.get(k) not in (None, "")), "")
        if not isinstance(point, list) or len(point) < 2:
            raise LinkcalcError(f"point {name or number} has no coordinates")
        yield _site(name, str(point[1]), str(point[0]), f"point {name or number}")


def _points(data: Any, properties: Any = None) -> Iterator[tuple[dict[str, Any], Any]]:
    if not isinstance(data, dict):
        return
    own = properties if isinstance(properties, dict) else {}
    match data.get("type"):
        case "FeatureCollection":
            for feature in data.get("features") or []:
                yield from _points(feature)
        case "Feature":
            said = data.get("properties")
            yield from _points(data.get("geometry"), {"id": data.get("id"), **(said if said else {})})
        case "Point":
            yield own, data.get("coordinates")


_COLUMNS = ("name", *POSITION_KEYS, "antenna_height_m")
_USUAL_NAMES = {
    usual: key
    for key, names in (
        ("name", "site station title label id"),
        ("latitude_deg", "latitude lat lat_deg y"),
        ("longitude_deg", "longitude lon long lng lon_deg x"),
        ("easting_m", "easting east"),
        ("northing_m", "northing north"),
        ("epsg", "crs"),
        ("antenna_height_m", "antenna_height mast_m"),
    )
    for usual in names.split()
}


def _from_csv(raw: bytes) -> Iterator[Site]:
    text = decoded(raw)
    if not text.strip():
        return
    table = table_of(text, "write a header name,latitude,longitude and a row for each site")
    keys = table.keys(_COLUMNS, _USUAL_NAMES)
    geographic = set(DEGREE_KEYS) <= set(keys)
    if not geographic and not set(GRID_KEYS) <= set(keys):
        raise LinkcalcError(
            "has no columns latitude and longitude, nor easting, northing and epsg; it has "
            f"{', '.join(table.header)}"
        )
    for row in table.rows:
        with _told_of(f"row {row.number}"):
            if row.fault:
                raise LinkcalcError(row.fault)
            cells = dict.fromkeys(_COLUMNS, "")
            for key, cell in zip(keys, row.cells, strict=True):
                cells[key] = cell if key == "name" else table.plain(key, cell)
            degrees = cells["latitude_deg"], cells["longitude_deg"]
            position = _position(*degrees) if geographic else _on_grid(cells)
            site = Site(cells["name"], *position, _height(cells["antenna_height_m"]))
        yield site


def _on_grid(cells: Mapping[str, str]) -> tuple[float, float]:
    epsg = re.sub(r"(?i)^epsg:", "", cells["epsg"])
    try:
        return _from_grid(float(cells["easting_m"]), float(cells["northing_m"]), int(epsg))
    except ValueError as error:
        raise LinkcalcError(str(error)) from None


def _height(text: str) -> float | None:
    if not text:
        return None
    try:
        height_m = float(text)
    except ValueError:
        raise LinkcalcError(f"antenna height {text!r} is not a number of metres") from None
    if not 0.1 <= height_m <= 3000.0:
        raise LinkcalcError(f"an antenna height of {text} m cannot be; 0.1 to 3000")
    return height_m


def _site(name: str, latitude: str, longitude: str, where: str) -> Site:
    with _told_of(where):
        return Site(name, *_position(latitude, longitude))


def _position(latitude: str, longitude: str) -> tuple[float, float]:
    said = f"{latitude}, {longitude}"
    try:
        degrees = float(latitude.replace(",", ".")), float(longitude.replace(",", "."))
    except ValueError:
        return parse_position(said)
    if not all(isfinite(x) for x in degrees):
        raise LinkcalcError(f"position {latitude!r}, {longitude!r} is not understood")
    return _on_earth(said, *degrees)


def _named_apart(found: Sequence[Site]) -> list[Site]:
    """Names as a plan takes them: printable, one line, short, none twice."""
    taken: set[str] = set()
    named = []
    for number, site in enumerate(found, 1):
        clean = "".join(c if c.isprintable() else " " for c in site.name)
        # room is left for the number behind equal names
        base = " ".join(clean.split())[: _LONGEST_NAME - 5].strip() or f"site {number}"
        name, again = base, 2
        while name in taken:
            name, again = f"{base} {again}", again + 1
        taken.add(name)
        named.append(replace(site, name=name))
    return named
