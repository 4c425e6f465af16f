"""Coverage from plan to files: tiles, resuming, bad input, and what the files hold."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import rasterio
from matplotlib.colors import to_rgb

from linkcalc.area import tiles
from linkcalc.area.coverage import coverage, plan_coverage, prepared_job
from linkcalc.area.gridded import geotiff
from linkcalc.area.losses import losses
from linkcalc.area.scheduler import Local
from linkcalc.area.tiles import BANDS, Progress, Run, TileStore, tile_answer
from linkcalc.errors import DomainError, LinkcalcError, TerrainError
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from linkcalc.terrain.geodesy import path_between
from linkcalc.views import style
from linkcalc.views.coverage.text import coverage_report
from linkcalc.views.maps import figures as map_figures
from linkcalc.views.maps.figures import coverage_figure, hillshade, lit
from linkcalc.views.maps.frame import Mark, draw_marks
from linkcalc.views.style import render
from tests.area.test_same_as_check import SAMPLES, UPLAND_MIDDLE

pytestmark = pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")

RADIUS_M = 1000.0


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """The hills, with the shed in the middle."""
    text = (SAMPLES / "upland.toml").read_text()
    text = text.replace('rasters = ["', f'rasters = ["{SAMPLES.as_posix()}/')
    text = text.replace("-40.02153", str(UPLAND_MIDDLE[0])).replace("-19.97903", str(UPLAND_MIDDLE[1]))
    plan = tmp_path_factory.mktemp("plan") / "plan.toml"
    plan.write_text(text)
    return load_plan(plan)


@pytest.fixture(scope="module")
def result(loaded):
    return plan_coverage(loaded, "generator shed", RADIUS_M)


def job_of(loaded, radius_m=RADIUS_M, **options):
    return prepared_job(loaded, "generator shed", radius_m, **options)


def test_the_lowest_factor_that_suffices_closes_and_the_next_lower_does_not(loaded, result):
    link = loaded.plan.link[0]
    factors = result.bands["spreading_factor"]
    enough = result.bands["margin_db"] >= result.bands["required_margin_db"]
    # so near that the raster does not show the ground between: at risk at best
    unknown = enough & (result.bands["verdict"] == VERDICTS.index("at_risk"))
    assert 0 < unknown.sum() < 100
    for factor in (7, 9, 12):
        m = link.modulation.model_copy(update={"spreading_factor": factor})
        changed = loaded.plan.model_copy(update={"link": [link.model_copy(update={"modulation": m})]})
        other = plan_coverage(type(loaded)(**{**vars(loaded), "plan": changed}), "generator shed", RADIUS_M)
        closes = other.bands["verdict"] == VERDICTS.index("closes")
        assert ((closes == ((factors > 0) & (factors <= factor))) | unknown).all()


def test_a_cell_holds_the_answer_of_its_middle(loaded, result):
    job = job_of(loaded)
    row, column = 20, 50
    east, north = (column - job.grid.half) * 30.0, (job.grid.half - row) * 30.0
    (hop,) = job.hops
    alone = losses(hop.land, hop.template, hop.fixed, [east], [north])
    assert result.bands["path_loss_db"][row, column] == pytest.approx(alone.loss_db[0], abs=1e-4)
    assert result.bands["margin_db"].shape == (67, 67)
    assert np.isnan(result.bands["margin_db"][33, 33])  # the station's own cell
    assert result.cells == result.cells_within


class Breaks:
    """A scheduler that stops after some tiles."""

    def __init__(self, after: int, error: BaseException) -> None:
        self.after, self.error = after, error

    def run(self, work, job, tiles):
        for i, tile in enumerate(tiles):
            if i == self.after:
                raise self.error
            yield tile, work(job, tile)


def test_an_interrupted_run_is_taken_up_and_ends_the_same(loaded, result, tmp_path, monkeypatch):
    monkeypatch.setattr(tiles, "TILE_CELLS", 20)
    job = job_of(loaded)
    store = TileStore(tmp_path, job.digest())
    with pytest.raises(KeyboardInterrupt):
        coverage(job, Run(Breaks(5, KeyboardInterrupt())), store)
    kept = sorted(store.folder.iterdir())
    assert len(kept) == 5
    kept[0].write_bytes(kept[0].read_bytes()[:100])  # a damaged tile is made again
    worked, lines = [], []

    class Counts(Local):
        def run(self, work, job, tiles):
            worked.extend(tiles)
            return super().run(work, job, tiles)

    whole = coverage(job, Run(Counts(2), say=lines.append), TileStore(tmp_path, job.digest()))
    assert len(worked) == len(job.tiles()) - 4
    assert any("taking over 4 of" in line for line in lines)
    for band in BANDS:
        np.testing.assert_array_equal(whole[band.name], result.bands[band.name])
    store.remove()
    assert not list(tmp_path.iterdir())


def test_tiles_are_not_taken_over_when_an_input_changed(loaded):
    one = job_of(loaded)
    (hop,) = one.hops
    link = hop.template.link.model_copy(update={"tries": 2})
    same = hop.template.near.model_copy(update={"surroundings": hop.template.near.surroundings})
    changed, stated = (
        replace(one, hops=(replace(hop, template=replace(hop.template, **update)),))
        for update in ({"link": link}, {"near": same})
    )
    digests = {
        one.digest(),
        changed.digest(),
        stated.digest(),
        job_of(loaded, cell_m=31.0).digest(),
        job_of(loaded, 990.0).digest(),
    }
    assert len(digests) == 5
    assert job_of(loaded).digest() == one.digest()


def test_progress_ends_at_all_of_the_work(loaded):
    seen: list[tuple[float, float | None]] = []
    coverage(job_of(loaded, 600.0), Run(progress=lambda at: seen.append((at.share, at.seconds_left))))
    assert seen[-1] == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-6))
    assert Progress(total_m=5.0).seconds_left is None


def test_a_full_disk_is_one_line_and_keeps_the_tiles_before(loaded, tmp_path, monkeypatch):
    monkeypatch.setattr(tiles, "TILE_CELLS", 20)
    job = job_of(loaded)
    store = TileStore(tmp_path, job.digest())
    own, count = tiles.atomic_write, []

    def fills_up(path, content):
        count.append(path)
        if len(count) > 3:
            raise LinkcalcError(f"{path}: cannot be written: No space left on device")
        own(path, content)

    monkeypatch.setattr(tiles, "atomic_write", fills_up)
    with pytest.raises(LinkcalcError, match="No space left"):
        coverage(job, store=store)
    assert len(list(store.folder.iterdir())) == 3


@pytest.mark.parametrize(
    ("station", "radius_m", "options", "error", "words"),
    [
        ("barn", 500.0, {}, LinkcalcError, 'unknown station "barn"; stations: "tank"'),
        ("tank", 500.0, {"link": "x"}, LinkcalcError, 'unknown link "x" at station "tank"'),
        ("tank", 20.0, {}, DomainError, "no cell lies within 0.02 km"),
        ("tank", -1.0, {}, DomainError, "radius_m must be above 0"),
        ("tank", 500.0, {"cell_m": 0.0}, DomainError, "cell_m must be above 0"),
        ("tank", 9e5, {"cell_m": 1.0}, DomainError, "are too many"),
        ("tank", 5e4, {}, TerrainError, "reaches beyond the rasters"),
    ],
)
def test_bad_input_is_one_clear_line(loaded, station, radius_m, options, error, words):
    with pytest.raises(error, match=re.escape(words)) as caught:
        prepared_job(loaded, station, radius_m, **options)
    assert "\n" not in str(caught.value)


def test_the_geotiff_holds_every_band_in_place(loaded, result):
    with rasterio.MemoryFile(geotiff("coverage.tif", result.raster())) as memory, memory.open() as file:
        assert file.count == len(BANDS)
        assert file.profile["tiled"]
        assert file.compression.value == "DEFLATE"
        assert file.nodata == -9999.0
        assert file.units == tuple(b.unit for b in BANDS)
        assert all(text.startswith(b.name) for text, b in zip(file.descriptions, BANDS, strict=True))
        for number, band in enumerate(BANDS, start=1):
            read = file.read(number, masked=True).filled(np.nan)
            np.testing.assert_array_equal(read, result.bands[band.name])
        # a cell lies where its row and column say, by an independent geodesic
        x, y = file.xy(10, 40)
        from pyproj import Transformer

        lon, lat = Transformer.from_crs(file.crs.to_wkt(), "EPSG:4326", always_xy=True).transform(x, y)
    distance, azimuth, _ = path_between(*UPLAND_MIDDLE, lat, lon)
    east, north = (40 - 33) * 30.0, (33 - 10) * 30.0
    assert distance == pytest.approx(np.hypot(east, north), abs=0.01)
    assert azimuth == pytest.approx(np.degrees(np.arctan2(east, north)), abs=0.001)


def test_the_closing_area_is_that_of_its_cells(result):
    made = json.loads(result.to_geojson())
    area_feature, station, _ = made["features"]
    assert station["geometry"]["coordinates"] == pytest.approx([UPLAND_MIDDLE[1], UPLAND_MIDDLE[0]])
    from pyproj import Geod

    total = 0.0
    for polygon in area_feature["geometry"]["coordinates"]:
        for number, ring in enumerate(polygon):
            assert ring[0] == ring[-1]
            signed, _ = Geod(ellps="WGS84").polygon_area_perimeter(*np.array(ring).T)
            assert (signed > 0.0) == (number == 0)  # anticlockwise outside, clockwise holes
            total += signed
    assert total / 1e6 == pytest.approx(result.area_km2("closes"), rel=1e-4)
    assert area_feature["properties"]["area_km2"] == pytest.approx(result.area_km2("closes"))


def test_the_report_answers_first_and_adds_up(result):
    text = coverage_report(result)
    assert text.startswith("Coverage around generator shed: closes on ")
    assert max(map(len, text.splitlines())) <= 80
    shares = re.findall(r"^  (?:closes|at risk|does not close) +[<>]?([\d.]+) %", text, re.M)
    assert sum(map(float, shares)) == pytest.approx(100.0, abs=0.3)
    assert "not a safety function" in text


def test_the_map_is_drawn_with_labelled_lines(result):
    figure = coverage_figure(result)
    verdict, margin, _ = figure.axes
    for ax in (verdict, margin):
        assert "generator shed" in [t.get_text() for t in ax.texts]
    assert any("dB" in t.get_text() for t in margin.texts)
    assert not any("dB" in t.get_text() for t in verdict.texts)
    assert render(figure, "png")[1:4] == b"PNG"
    light = steps_colours() @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(light) < 0.0).all()  # ordered by lightness


def steps_colours():
    return map_figures._ramp()[:, :3]


def test_no_slope_makes_a_step_of_the_key_look_like_another():
    colours = steps_colours()
    for shade in np.linspace(0.0, 1.0, 11):
        shown = lit(colours, np.full(len(colours), shade))
        away = np.linalg.norm(shown[:, np.newaxis] - colours, axis=-1)
        assert (away.argmin(axis=1) == np.arange(len(colours))).all()
    level = np.sin(np.radians(40.0))
    np.testing.assert_allclose(lit(colours, np.full(len(colours), level)), colours)


def test_the_picture_of_the_margins_has_the_keys_colours(result):
    _, margin, key = coverage_figure(result).axes
    drawn = margin.images[0].get_array()
    known = np.isfinite(result.bands["margin_db"])
    step = np.digitize(result.bands["margin_db"], map_figures.STEPS_DB)
    away = np.linalg.norm(drawn[known][:, np.newaxis, :3] - steps_colours(), axis=-1)
    assert (away.argmin(axis=1) == step[known]).all()
    assert (drawn[~known][:, 3] == 0.0).all()
    assert [t.get_text() for t in key.get_yticklabels()] == ["−20", "−10", "0", "10", "20", "30", "40"]


def test_verdicts_on_the_map_differ_in_lightness_and_have_the_areas_shares(result):
    figure = coverage_figure(result)
    legend = [t.get_text() for t in figure.legends[0].get_texts()]
    assert [words.split(",")[0] for words in legend] == ["closes", "at risk", "does not close", "station"]
    drawn = figure.axes[0].images[0].get_array()[..., :3]
    fills = np.array([to_rgb(style.VERDICT_FILL[name][0]) for name in VERDICTS])
    known = np.isfinite(result.bands["verdict"])
    away = np.linalg.norm(drawn[known][:, np.newaxis] - fills, axis=-1)
    assert (away.argmin(axis=1) == result.bands["verdict"][known]).all()
    light = sorted(fills @ [0.2126, 0.7152, 0.0722])
    assert (np.diff(light) > 0.09).all()


def test_degrees_stand_at_the_edges_where_they_are(result):
    import re

    from pyproj import Transformer

    figure = coverage_figure(result)
    ax = figure.axes[0]
    to_plane = Transformer.from_crs("EPSG:4326", result.crs, always_xy=True)
    for axis, edge, sign in (
        (ax.xaxis, ax.get_ylim()[0], {"E": 1, "W": -1}),
        (ax.yaxis, ax.get_xlim()[0], {"N": 1, "S": -1}),
    ):
        ticks, labels = axis.get_ticklocs(), [t.get_text() for t in axis.get_ticklabels()]
        assert len(ticks) == len(labels) >= 3
        for tick, label in zip(ticks, labels, strict=True):
            degrees, side = re.fullmatch(r"([\d.]+)° ([NSEW])", label).groups()
            value = float(degrees) * sign[side]
            x, y = (tick, edge) if axis is ax.xaxis else (edge, tick)
            at = Transformer.from_crs(result.crs, "EPSG:4326", always_xy=True).transform(1e3 * x, 1e3 * y)
            assert at[0 if axis is ax.xaxis else 1] == pytest.approx(value, abs=2e-6)
    assert to_plane.transform(result.longitude_deg, result.latitude_deg) == pytest.approx(
        (0.0, 0.0), abs=1e-6
    )


def boxes(ax):
    renderer = ax.figure.canvas.get_renderer()
    shown = [t for t in ax.texts if t.get_visible() and t.get_text()]
    return {t.get_text(): t.get_window_extent(renderer) for t in shown}


def test_names_on_a_map_do_not_lie_on_each_other():
    figure = style.new_figure(5.0, 5.0)
    ax = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    ax.set_xlim(-1.0, 1.0)
    ax.set_ylim(-1.0, 1.0)
    rng = np.random.default_rng(1)
    marks = [Mark(f"station {n}", *rng.uniform(-0.98, 0.98, 2), "o", 6.0) for n in range(60)]
    written = draw_marks(ax, marks, most_names=60)
    assert 20 <= len(written) < 60
    found = list(boxes(ax).values())
    for n, one in enumerate(found):
        assert not any(one.overlaps(other) for other in found[:n])


def test_labels_of_the_coverage_do_not_overlap_the_stations_name(result):
    ax = coverage_figure(result).axes[1]
    shown = boxes(ax)
    name = shown.pop("generator shed")
    labels = {words: box for words, box in shown.items() if "dB" in words}
    assert not any(name.overlaps(box) for box in labels.values())


def test_slopes_to_the_north_west_are_lit():
    x, y = np.meshgrid(np.arange(20.0), np.arange(20.0))
    facing_north_west, facing_south_east = hillshade(5.0 * (x + y), 30.0), hillshade(-5.0 * (x + y), 30.0)
    assert facing_north_west.min() > facing_south_east.max()


def test_without_numba_the_same_cells_come_out(loaded, tmp_path):
    one, other = (
        plan_coverage(loaded, "generator shed", 150.0, cell_m=25.0, run=Run(use_numba=use))
        for use in (False, True)
    )
    for band in BANDS:
        np.testing.assert_allclose(one.bands[band.name], other.bands[band.name], atol=1e-4)


def test_a_job_can_be_sent_elsewhere(loaded):
    import pickle

    job = job_of(loaded, 300.0)
    sent = pickle.loads(pickle.dumps(job))
    tile = job.tiles()[0]
    np.testing.assert_array_equal(tile_answer(sent, tile), tile_answer(job, tile))
