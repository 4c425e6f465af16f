"""Which files heights are read from: names, folders, archives, addresses; nothing remote unless allowed.

A raster is opened only by drivers that read heights from a file: a picture server's description, a catalogue
or an address dressed up as a file is no raster here. A mosaic description (VRT) is looked through first, and
so is every file it names.

Every function here raises `TerrainError` where a name stands for nothing that may be opened.
"""

import glob
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linkcalc.errors import TerrainError

ENDINGS = (".tif", ".tiff", ".hgt", ".asc", ".img", ".bil", ".dem", ".dt0", ".dt1", ".dt2", ".vrt")
"""What a raster's file name ends with, in a folder or an archive."""

DRIVERS = (
    "GTiff", "VRT", "SRTMHGT", "AAIGrid", "EHdr", "HFA", "DTED", "USGSDEM", "ENVI", "RST", "SAGA", "GSBG",
    "GSAG", "GS7BG", "AIG", "BT", "JP2OpenJPEG", "netCDF", "XYZ",
)  # fmt: skip
"""Formats of files of heights that no driver fetches from elsewhere."""

REMOTE_DRIVERS = ("GTiff",)
"""What is read by parts over the network."""

OFFLINE = {
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
    # whatever should still try, a file beside the raster for instance, finds a closed door at once
    "GDAL_HTTP_PROXY": "http://127.0.0.1:9",
    "GDAL_HTTP_CONNECTTIMEOUT": "1",
    "GDAL_HTTP_TIMEOUT": "1",
    # files beside a raster are asked for by name: a folder of a thousand tiles is not listed for each
    "GDAL_DISABLE_READDIR_ON_OPEN": "TRUE",
}
"""Options under which GDAL reaches no network."""

ONLINE = {
    "GDAL_HTTP_CONNECTTIMEOUT": "10",
    "GDAL_HTTP_TIMEOUT": "40",
    "GDAL_HTTP_LOW_SPEED_LIMIT": "500",
    "GDAL_HTTP_LOW_SPEED_TIME": "10",
    "GDAL_HTTP_MAX_RETRY": "0",
    # no search for files beside the raster, each a request of its own
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
}
"""Options of reading over the network: times in seconds, speeds in bytes a second."""

LARGEST_BLOCK_BYTES = 300_000_000
"""What one block of a raster may unpack to: a block is read whole."""

_MOST_FILES = 20_000
_LARGEST_VRT_BYTES = 20_000_000
_DEEPEST_VRT = 4
_LOCAL_VSI = {"vsizip", "vsigzip", "vsitar", "vsi7z", "vsirar", "vsimem", "vsisubfile"}
_SAYS_ONLY = {"SRS", "MDI", "Description", "GeoTransform"}
"""Elements of a VRT whose text is never opened."""


@dataclass(frozen=True)
class Source:
    """One raster that is to be opened."""

    name: str
    location: str
    """What GDAL calls it."""
    listed: str
    """The entry of the list that led to it: itself, a folder, or a pattern."""

    @property
    def remote(self) -> bool:
        """Whether it lies on the network."""
        return is_remote(self.location)


def is_remote(name: str) -> bool:
    """Whether a name is read over the network."""
    return name.lower().startswith(("http://", "https://", "/vsicurl/"))


def is_elsewhere(name: str) -> bool:
    """Whether a name is no path of a file: an address, or one of GDAL's virtual names."""
    return "://" in name or name.startswith("/vsi")


def is_pattern(name: str) -> bool:
    """Whether a name stands for several files: ``tiles/*.tif``."""
    return not is_elsewhere(name) and glob.has_magic(name)


def sources(names: Sequence[str | Path], base_dir: str | Path | None = None) -> list[Source]:
    """Find the rasters that a list of names stands for, in the order named; within a folder or a pattern by name.

    Names are files, folders (all rasters in them, at any depth, zipped or not), patterns such as ``tiles/*.tif``
    (``**`` for any depth), addresses, and GDAL's names of files in archives; relative ones are taken from `base_dir`.
    """
    found: list[Source] = []
    for name in names:
        found += _sources_of(str(name), Path(base_dir or "."))
        if len(found) > _MOST_FILES:
            raise TerrainError(f"{name}: more than {_MOST_FILES} rasters; name the folder of your region")
    return found


def _sources_of(name: str, base: Path) -> Iterator[Source]:
    if name.startswith("file://"):
        yield Source(name, _regular(name, Path(name.removeprefix("file://"))), name)
        return
    if is_remote(name):
        yield Source(name, name if name.startswith("/vsicurl/") else f"/vsicurl/{name}", name)
        return
    if is_elsewhere(name):
        _refuse_other_names(name, name)
        yield Source(name, name, name)
        return
    path = base / name
    if path.is_dir():
        # folders are sorted in place, so that the walk takes one order on every machine
        inside = [
            Path(folder, file)
            for folder, folders, files in os.walk(path)
            for file in sorted(files)
            if folders.sort() is None and file.lower().endswith((*ENDINGS, ".zip"))
        ]
        # a mosaic description names its tiles, which lie there too
        hits = [p for p in inside if p.suffix.lower() != ".vrt"] or inside
        at = name.rstrip("/")
        found = [s for hit in hits for s in _in_file(hit, f"{at}/{hit.relative_to(path).as_posix()}", name)]
        if not found:
            raise TerrainError(f"raster {name} is a folder ({path}) without rasters ({', '.join(ENDINGS)})")
        yield from found
    elif is_pattern(name) and not path.exists():
        hits = [Path(hit) for hit in sorted(glob.glob(str(path), recursive=True))]
        hits = [hit for hit in hits if hit.is_file() and hit.suffix.lower() in (*ENDINGS, ".zip")]
        if not hits:
            raise TerrainError(f"raster {name}: no file matches {path}")
        for hit in hits:
            yield from _in_file(hit, os.path.relpath(hit, base), name)
    elif not os.path.lexists(path):
        raise TerrainError(f"raster {name}: there is no file {path}")
    elif path.suffix.lower() == ".zip":
        members = _members(name, path)
        if len(members) != 1:
            what = f"{len(members)} rasters ({', '.join(members[:3])}, ...)" if members else "no raster"
            raise TerrainError(
                f"raster {name} holds {what}; name one as /vsizip/{path.resolve()}/NAME, or the folder that "
                "the archive lies in for all of them"
            )
        yield Source(name, f"/vsizip/{path.resolve()}/{members[0]}", name)
    else:
        yield Source(name, _regular(name, path), name)


def _in_file(path: Path, name: str, listed: str) -> Iterator[Source]:
    if path.suffix.lower() != ".zip":
        yield Source(name, _regular(name, path), listed)
        return
    for member in _members(name, path):
        yield Source(f"{name}/{member}", f"/vsizip/{path.resolve()}/{member}", listed)


def _members(name: str, file: Path) -> list[str]:
    from zipfile import BadZipFile, ZipFile

    try:
        with ZipFile(file) as archive:
            return sorted(m for m in archive.namelist() if m.lower().endswith(ENDINGS))
    except (BadZipFile, OSError) as error:
        raise TerrainError(f"raster {name} is not a readable zip file: {error}") from error


def _regular(name: str, path: Path) -> str:
    if path.exists() and not path.is_file():
        raise TerrainError(f"raster {name} is not a plain file ({path})")
    return str(path)


def _refuse_other_names(name: str, value: str) -> None:
    """Of GDAL's virtual names those that stay on this machine are let through."""
    kinds = {part.split("/")[0].lower() for part in value.split("/vsi")[1:]}
    if not value.startswith("/vsi") or "://" in value or not {f"vsi{k}" for k in kinds} <= _LOCAL_VSI:
        raise TerrainError(
            f"raster {name[:200]}: this kind of address is never opened; name a file, or an https:// address"
        )


def opened(source: Source, *, network: bool = False) -> Any:
    """Open a raster with the drivers that it may be opened with, to be read in a ``rasterio.Env`` of `options`."""
    if source.remote:
        if not network:
            raise TerrainError(
                f"raster {source.name} lies on the network, and nothing is read from there unless the plan "
                "says network = true in [terrain]"
            )
    elif not source.location.startswith("/vsi"):
        _inspected(source.name, Path(source.location), network, depth=0)
    data = _dataset(source.name, source.location, REMOTE_DRIVERS if source.remote else DRIVERS)
    # in an archive it has not been looked through, and may name what lies on the network
    if data.driver == "VRT" and source.location.startswith("/vsi") and "/vsimem/" not in source.location:
        data.close()
        raise TerrainError(f"raster {source.name} is a mosaic description in an archive: unpack it")
    try:
        _refuse_large_blocks(source.name, data)
    except BaseException:
        data.close()
        raise
    return data


def options(*, network: bool) -> Mapping[str, str]:
    """GDAL's options for rasters that may or may not lie on the network."""
    return ONLINE if network else OFFLINE


def _dataset(name: str, location: str, drivers: Collection[str]) -> Any:
    from rasterio.errors import RasterioError
    from rasterio.io import DatasetReader

    try:
        return DatasetReader(location, driver=list(drivers), sharing=False)
    except (RasterioError, OSError) as error:
        why = one_line(error)
        if is_remote(location):
            raise TerrainError(f"raster {name} cannot be reached or is not a GeoTIFF: {why}") from error
        raise TerrainError(f"raster {name} cannot be opened as a raster of heights: {why}") from error


def _refuse_large_blocks(name: str, data: Any) -> None:
    import numpy as np

    if not data.count:
        return
    rows, columns = data.block_shapes[0]
    size = rows * columns * np.dtype(data.dtypes[0]).itemsize
    # bands that are stored cell by cell are unpacked together
    size *= data.count if data.interleaving is not None and data.interleaving.name == "pixel" else 1
    if size > LARGEST_BLOCK_BYTES:
        raise TerrainError(
            f"raster {name} is stored in blocks of {columns} by {rows} cells, {size / 1e9:.1f} GB each, and "
            "a block is read whole; rewrite it in tiles"
        )


def _inspected(name: str, path: Path, network: bool, depth: int) -> bool:
    """Look through a mosaic description and all that it names; say whether it is one."""
    from xml.etree import ElementTree

    try:
        with path.open("rb") as file:
            head = file.read(4096)
            if b"<VRTDataset" not in head:
                return False
            text = head + file.read(_LARGEST_VRT_BYTES)
    except OSError as error:
        raise TerrainError(
            f"raster {name} cannot be opened as a raster of heights: {error.strerror or error}"
        ) from None
    if depth >= _DEEPEST_VRT:
        raise TerrainError(f"raster {name} is a mosaic of mosaics of mosaics: name its tiles")
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        raise TerrainError(f"raster {name} is a damaged mosaic description: {error}") from None
    seen: set[str] = set()
    for element in root.iter():
        value = (element.text or "").strip()
        if element.tag in ("SourceFilename", "SourceDataset"):
            near = element.get("relativeToVRT", "0").strip() not in ("0", "", "false")
            if value not in seen:
                seen.add(value)
                _inspect_source(name, value, path.parent if near else Path("."), network, depth)
        elif element.tag in ("PixelFunctionCode", "PixelFunctionLanguage"):
            raise TerrainError(f"raster {name} holds a program ({element.tag}), which is not run: rewrite it")
        elif element.tag not in _SAYS_ONLY and any(
            is_elsewhere(v) for v in (value, *element.attrib.values())
        ):
            raise TerrainError(f"raster {name} names {value[:80]!r} in {element.tag}, which is not opened")
    return True


def _inspect_source(name: str, value: str, folder: Path, network: bool, depth: int) -> None:
    import rasterio

    inside = f"{name} (its source {' '.join(value.split())[:120]})"
    if is_remote(value):
        if not network:
            raise TerrainError(
                f"raster {name} reads {value[:120]} over the network, and nothing is read from there unless "
                "the plan says network = true in [terrain]"
            )
        return
    if is_elsewhere(value):
        _refuse_other_names(inside, value)
        # whatever has not been looked through must not be opened as a mosaic description
        location, drivers = value, set(DRIVERS) - {"VRT"}
    else:
        location = str(folder / value)
        if not os.path.isfile(location):
            raise TerrainError(f"raster {inside}: there is no file {location[:200]}")
        if _inspected(inside, Path(location), network, depth + 1):
            return
        drivers = set(DRIVERS) - {"VRT"}
    with rasterio.Env(**OFFLINE), _dataset(inside, location, sorted(drivers)) as data:
        _refuse_large_blocks(inside, data)


def one_line(error: BaseException) -> str:
    """The text of an error without line breaks."""
    return " ".join(str(error).split()) or type(error).__name__
