"""What is opened and what is not: nothing remote, nothing disguised, nothing that unpacks to gigabytes."""

import os
import threading
import zipfile
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pytest
import rasterio

from linkcalc.errors import TerrainError
from linkcalc.terrain import rasters, sources
from linkcalc.terrain.rasters import open_mosaic
from tests.terrain.conftest import CELL_DEG, north_up


@pytest.fixture
def listener() -> Iterator[tuple[str, list[str]]]:
    """A server on this machine that notes every request."""
    asked: list[str] = []

    class Note(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        do_HEAD = do_GET

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Note)
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    server.server_close()


def vrt_of(source: str, extra: str = "") -> str:
    return (
        '<VRTDataset rasterXSize="10" rasterYSize="10"><SRS>EPSG:4326</SRS>'
        "<GeoTransform>20, 0.001, 0, 45, 0, -0.001</GeoTransform>"
        f'<VRTRasterBand dataType="Int16" band="1">{extra}<SimpleSource>'
        f"<SourceFilename>{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
        "</VRTRasterBand></VRTDataset>"
    )


def picture_server(url: str) -> str:
    return (
        f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}/${{x}}/${{y}}.png</ServerUrl></Service>'
        "<DataWindow><UpperLeftX>-180</UpperLeftX><UpperLeftY>90</UpperLeftY><LowerRightX>180</LowerRightX>"
        "<LowerRightY>-90</LowerRightY><TileLevel>5</TileLevel><YOrigin>top</YOrigin></DataWindow>"
        "<Projection>EPSG:4326</Projection><BlockSizeX>256</BlockSizeX><BlockSizeY>256</BlockSizeY>"
        "<BandsCount>1</BandsCount></GDAL_WMS>"
    )


def escaped(xml: str) -> str:
    return xml.replace("<", "&lt;").replace(">", "&gt;")


REACHING_OUT = {
    "address": ("{url}/a.tif", None),
    "gdal_address": ("/vsicurl/{url}/a.tif", None),
    "streamed": ("/vsicurl_streaming/{url}/a.tif", None),
    "bucket": ("/vsis3/bucket/a.tif", None),
    "address_in_archive": ("/vsizip//vsicurl/{url}/a.zip/a.tif", None),
    "bucket_scheme": ("s3://bucket/a.tif", None),
    "file_transfer": ("ftp://127.0.0.1/a.tif", None),
    "mosaic_of_an_address": ("m.vrt", lambda url: vrt_of(f"/vsicurl/{url}/a.tif")),
    "mosaic_of_a_plain_address": ("m.vrt", lambda url: vrt_of(f"{url}/a.tif")),
    "mosaic_called_tif": ("m.tif", lambda url: vrt_of(f"/vsicurl/{url}/a.tif")),
    "mosaic_of_a_picture_server": ("m.vrt", lambda url: vrt_of(escaped(picture_server(url)))),
    "mosaic_with_a_mask_elsewhere": (
        "m.vrt",
        lambda url: vrt_of("here.tif", f"<Other>/vsicurl/{url}/a.tif</Other>"),
    ),
    "mosaic_with_a_program": (
        "m.vrt",
        lambda url: vrt_of("here.tif", "<PixelFunctionCode>import urllib</PixelFunctionCode>"),
    ),
    "picture_server": ("wms.xml", picture_server),
    "picture_server_called_tif": ("wms.tif", picture_server),
    "catalogue": (
        "a.json",
        lambda url: '{"stac_version": "1.0.0", "assets": {"a": {"href": "' + url + '"}}}',
    ),
}


@pytest.mark.parametrize("how", REACHING_OUT)
def test_nothing_reaches_the_network_unless_the_plan_says_so(tmp_path, listener, how):
    url, asked = listener
    name, content = REACHING_OUT[how]
    if content is not None:
        (tmp_path / name).write_text(content(url))
    with pytest.raises(TerrainError) as caught, open_mosaic([name.format(url=url)], tmp_path) as mosaic:
        mosaic.sample(44.999, 20.001)
    assert asked == []
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_a_file_beside_a_raster_does_not_fetch_anything_either(tmp_path, listener, write_raster, hills):
    url, asked = listener
    path = write_raster("hills.tif", hills)
    (tmp_path / "hills.tif.aux.xml").write_text(
        '<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">'
        f"/vsicurl/{url}/hills.ovr</MDI></Metadata></PAMDataset>"
    )
    (tmp_path / "hills.tif.msk").write_text(picture_server(url))
    with open_mosaic([path]) as mosaic:
        assert mosaic.sample(45 - 0.5 * CELL_DEG, 20 + 0.5 * CELL_DEG) == pytest.approx(hills[0, 0])
    assert asked == []


def test_a_mosaic_of_local_tiles_is_read(tmp_path, write_raster):
    flat = np.full((10, 10), 77, np.int16)
    write_raster("tile.tif", flat, transform=north_up(20, 45, 0.001))
    text = vrt_of("tile.tif").replace("<SourceFilename>", '<SourceFilename relativeToVRT="1">')
    (tmp_path / "m.vrt").write_text(text)
    (tmp_path / "n.vrt").write_text(text.replace("tile.tif", "m.vrt"))
    for name in ("m.vrt", "n.vrt"):
        with open_mosaic([name], tmp_path) as mosaic:
            assert mosaic.sample(44.995, 20.005) == pytest.approx(77)


def test_a_mosaic_of_itself_ends(tmp_path):
    text = vrt_of("m.vrt").replace("<SourceFilename>", '<SourceFilename relativeToVRT="1">')
    (tmp_path / "m.vrt").write_text(text)
    with pytest.raises(TerrainError, match="mosaic of mosaics"):
        open_mosaic(["m.vrt"], tmp_path)


def test_a_file_of_bytes_that_unpacks_to_gigabytes_is_refused(tmp_path):
    path = tmp_path / "bomb.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=30_000, height=30_000, count=1, dtype="float32", compress="deflate",
        blockysize=30_000, sparse_ok=True, crs="EPSG:32631", transform=north_up(4e5, 5e6, 1.0),
    ):  # fmt: skip
        pass
    assert path.stat().st_size < 2000
    with pytest.raises(TerrainError, match=r"blocks of 30000 by 30000 cells, 3.6 GB each, .* in tiles"):
        open_mosaic([path])
    (tmp_path / "m.vrt").write_text(vrt_of(str(path)))
    with pytest.raises(TerrainError, match=r"3.6 GB"):
        open_mosaic(["m.vrt"], tmp_path)


def test_a_pipe_is_no_raster(tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    with pytest.raises(TerrainError, match="not a plain file"):
        open_mosaic(["pipe.tif"], tmp_path)


def tiled(write_raster, hills, tmp_path):
    for k, part in enumerate((hills[:, :40], hills[:, 40:])):
        write_raster(f"t{k}.tif", part, transform=north_up(20 + 40 * k * CELL_DEG, 45, CELL_DEG))
    deep = tmp_path / "tiles" / "east"
    deep.mkdir(parents=True)
    (tmp_path / "t0.tif").rename(tmp_path / "tiles" / "west.tif")
    with zipfile.ZipFile(deep / "east.zip", "w") as archive:
        archive.write(tmp_path / "t1.tif", "some/where/e.tif")
    (tmp_path / "t1.tif").unlink()
    (tmp_path / "tiles" / "readme.txt").write_text("tiles of an invented country")


@pytest.mark.parametrize("names", [["tiles"], ["tiles/"], ["tiles/**/*.*"], ["tiles/*.tif", "tiles/east"]])
def test_a_folder_or_a_pattern_is_all_that_is_in_it(write_raster, hills, tmp_path, names):
    tiled(write_raster, hills, tmp_path)
    with open_mosaic(names, tmp_path) as mosaic:
        assert len(mosaic.rasters) == 2
        for row, col in ((3, 5), (40, 70), (20, 39.6)):
            height = mosaic.sample(45 - (row + 0.5) * CELL_DEG, 20 + (col + 0.5) * CELL_DEG)
            left = int(col)
            share = col - left
            expected = hills[row, left] * (1 - share) + hills[row, min(left + 1, 79)] * share
            assert height == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(("name", "said"), [("empty", "without rasters"), ("*.tiff", "no file matches")])
def test_what_stands_for_nothing_is_said(tmp_path, name, said):
    (tmp_path / "empty").mkdir()
    with pytest.raises(TerrainError, match=said):
        open_mosaic([name], tmp_path)


def test_of_many_tiles_only_those_being_read_are_open(write_raster, hills, tmp_path, monkeypatch):
    tiled(write_raster, hills, tmp_path)
    monkeypatch.setattr(rasters, "_MOST_KEPT_OPEN", 1)
    with open_mosaic(["tiles"], tmp_path) as mosaic:
        assert all(r._data.closed for r in mosaic.rasters)
        assert mosaic.sample(45 - 3.5 * CELL_DEG, 20 + 5.5 * CELL_DEG) == pytest.approx(hills[3, 5])


def test_an_allowed_address_that_does_not_answer_is_one_line(listener):
    url, asked = listener
    with pytest.raises(TerrainError, match="cannot be reached or is not a GeoTIFF") as caught:
        open_mosaic([f"{url}/a.tif"], network=True)
    assert "\n" not in str(caught.value)
    assert asked


def test_a_server_that_says_nothing_is_given_up(monkeypatch):
    import socket

    monkeypatch.setattr(sources, "ONLINE", sources.ONLINE | {"GDAL_HTTP_TIMEOUT": "1"})
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}/a.tif"
        with pytest.raises(TerrainError, match="cannot be reached"):
            open_mosaic([url], network=True)
    assert all(
        float(sources.ONLINE[k]) <= 60 for k in ("GDAL_HTTP_CONNECTTIMEOUT", "GDAL_HTTP_LOW_SPEED_TIME")
    )


def test_many_tiles_give_the_heights_of_the_whole(write_raster, hills):
    tiles = [
        write_raster(
            f"t{row}_{col}.tif",
            hills[row : row + 10, col : col + 10],
            transform=north_up(20 + col * CELL_DEG, 45 - row * CELL_DEG, CELL_DEG),
        )
        for row in range(0, 60, 10)
        for col in range(0, 80, 10)
    ]
    rng = np.random.default_rng(4)
    with open_mosaic(tiles) as many, open_mosaic([write_raster("whole.tif", hills)]) as whole:
        for _ in range(60):
            # points on and about seams, a few at a time
            row, col = rng.uniform(0, 59, 3), 10.0 * rng.integers(1, 8) - 0.5 + rng.normal(0.0, 0.4, 3)
            at = 45 - (row + 0.5) * CELL_DEG, 20 + (col + 0.5) * CELL_DEG
            assert many.sample(*at) == pytest.approx(whole.sample(*at), abs=1e-4)
            assert many.holding(*at)
