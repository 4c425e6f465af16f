"""The record of a link: complete, escaped, the same again, and signed for by its digest."""

import base64
import builtins
import functools
import hashlib
import re
import shutil
import sys
from collections import Counter
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.errors import LinkcalcError
from linkcalc.files import sample_path
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from linkcalc.site.acceptance import judge
from linkcalc.site.readings import read_readings
from linkcalc.site.record import MAP_ASPECT, Record, Taken, make_record, recheck
from linkcalc.views import style
from linkcalc.views.html import minus
from linkcalc.views.record import pictures, record_html, record_pdf
from linkcalc.views.words import decibel_words, probability_words
from tests.sites import case, plan_file, profile, ridge

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
DAY = date(2031, 5, 2)
READINGS = """\
time,direction,rssi_dbm,snr_db,sent,received,near_height_m,engine_running,note
2031-05-02T09:10,there,-108,3.5,40,40,4.2,no,
2031-05-02T09:14,there,-111,0.25,40,39,4.2,yes,by the <b>ladder</b> & "gate"
2031-05-02T09:35,back,-106,9,60,60,4.2,yes,
2031-05-02T09:40,back,105,9,60,60,4.2,yes,
"""
SECTIONS = [
    "Question and answer",
    "Cautions",
    "What makes it close",
    "Stations",
    "Map",
    "Parts",
    "Path in profile",
    "Budget",
    "Legal limits",
    "Settings for both radios",
    "As built",
    "Readings",
    "Acceptance test",
    "Tests beyond the radio",
    "Measure again",
    "Conditions, warnings, assumptions",
    "Inputs and versions",
    "Signatures",
]

_DANGEROUS = '<script>alert("1")</script>'
_VOID = {"meta", "br", "hr", "col"}


def plan_of(folder: Path, name: str = "upland") -> Path:
    """One of the sample plans with its rasters, in a folder of its own."""
    for file in SAMPLES.glob(f"{name}*"):
        shutil.copy(file, folder)
    return folder / f"{name}.toml"


def record_of(plan: Path, readings: str | None = None, **how: Any) -> Record:
    loaded = load_plan(plan)
    link = loaded.plan.link[0]
    taken = None
    if readings is not None:
        path = plan.with_name("readings.csv")
        path.write_text(readings)
        taken = Taken(read_readings(path, (link.from_, link.to)), [path])
    return make_record(loaded, link, taken=taken, **how)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Record:
    return record_of(plan_of(tmp_path_factory.mktemp("planned")))


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Record:
    return record_of(plan_of(tmp_path_factory.mktemp("measured")), READINGS, day=DAY)


@pytest.fixture(scope="module")
def named_dangerously(tmp_path_factory: pytest.TempPathFactory) -> Record:
    site = case(
        profile(1500.0, ridge(8.0, 700.0, 200.0), points=31),
        tank={"name": _DANGEROUS, "extra_loss": [{"loss_db": 1.0, "reason": "<i>plug</i> onload=x"}]},
        link={"name": "</title><img src=x onerror=alert(1)>", "from": _DANGEROUS},
    )
    file = plan_file(tmp_path_factory.mktemp("dangerous"), site)
    # the direction of text may not be turned either
    file.write_text(file.read_text().replace('title = "invented"', 'title = "<b>title</b> & \\u202egnirts"'))
    return record_of(file)


html_of = functools.cache(record_html)
"""The page of one of the records above, made once."""


class Page(HTMLParser):
    """What a browser makes of a page: elements, attributes, and the text outside drawings and style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str | None]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.headings: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in _VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")
        elif tag == "h2":
            self.headings.append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "svg" in self.open or "style" in self.open:
            return
        data = data.replace("\u00a0", " ")
        self.words.append(data)
        if "h2" in self.open:
            self.headings[-1] += data
        if "td" in self.open or "th" in self.open:
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def row(self, name: str) -> list[str]:
        return next(cells[1:] for cells in self.rows if cells and cells[0] == name)


def test_a_record_with_readings_says_each_caution_once(measured):
    cautions = html_of(measured).partition("<h2>Cautions</h2>")[2].partition("</div>")[0]
    assert cautions.count("not a safety function") == 1
    assert cautions.count("<li>") == 4
    assert "Measured on one day" in cautions


def test_every_part_of_a_record_is_there_in_its_order(planned: Record, measured: Record) -> None:
    for record in (planned, measured):
        page = Page(html_of(record))
        assert page.open == []
        assert [h.partition(":")[0] for h in page.headings] == SECTIONS
        for expected in (
            "Does the radio link from tank to generator shed (5.00 km, azimuth 95°, 868.3 MHz, CSS SF8, "
            "125 kHz, 4/5) reach in each direction what is required of it: 99 % of the messages "
            "(up to 3 tries each) at 90 % of such sites, and 20 dB of fade margin?",
            "A radio link is not a safety function and not an emergency stop.",
            "Check with your regulator; this is not legal advice.",
            "man-made noise (rural) is extrapolated to 868.3 MHz",
            "common practice, no source: station",
            f"linkcalc {dict(record.versions)['linkcalc']}, Python",
            "Installed and measured by: name, signature, date",
        ):
            assert expected in page.text


def test_figures_of_the_record_are_those_of_a_check(planned: Record, tmp_path: Path) -> None:
    page = Page(html_of(planned))
    link = check_plan(load_plan(plan_of(tmp_path))).links[0]
    ways = link.directions
    assert page.row("Margin predicted") == [minus(decibel_words(d.fade_margin_db)) for d in ways]
    assert page.row("A message arrives, all such sites, with its tries") == [
        probability_words(d.delivery_probability) for d in ways
    ]
    margins = page.row("Margin, received over sensitivity")[:2]
    assert margins == [minus(decibel_words(d.fade_margin_db)) for d in ways]
    assert page.row("Received power")[:2] == [minus(f"{d.received_power_dbm:.1f} dBm") for d in ways]
    assert page.row("Spreading factor") == ["8", "8"]
    assert page.row("Low data rate optimisation") == ["off", "off"]
    # by hand: 14 dBm into a dipole without a cable is 14 dBm ERP; 10^1.4 = 25.1 mW
    assert page.row("Radiated in the main beam")[0] == "16.2 dBm EIRP, 14.0 dBm ERP"
    assert page.row("Transmit power at the connector") == ["14.0 dBm (25.1 mW)"] * 2
    assert page.row("Azimuth of the other, from true north") == ["095.3°", "275.3°"]
    assert page.row("Position, WGS 84") == ["40.01736 S 20.03736 W", "40.02153 S 19.97903 W"]


def test_the_printed_budget_adds_up(planned: Record) -> None:
    rows = Page(html_of(planned)).rows
    start = next(i for i, r in enumerate(rows) if r and r[0] == "dB")
    end = next(i for i, r in enumerate(rows) if r and r[0].startswith("Margin, received"))

    def tenths(cell: str) -> int:
        return round(10 * float(cell.replace("−", "-").split()[0])) if cell else 0

    for column in (1, 2):
        level, terms = 0, 0
        sums = {}
        for cells in rows[start + 1 : end]:
            if cells[0] in ("EIRP", "Received power", "Sensitivity"):
                # each figure is off by half a tenth at most
                assert abs(level - tenths(cells[column])) <= (terms + 1) / 2
                level = sums[cells[0]] = tenths(cells[column])
                level, terms = (0, 0) if cells[0] == "Received power" else (level, 1)
            else:
                level, terms = level + tenths(cells[column]), terms + bool(tenths(cells[column]))
        assert abs(sums["Received power"] - sums["Sensitivity"] - tenths(rows[end][column])) <= 1
    assert not any(cells and cells[0] == "rounding" for cells in rows)


def test_fields_are_left_to_fill_in_where_nothing_is_known_yet(planned: Record) -> None:
    page = Page(html_of(planned))
    assert "predicted, not yet measured" in page.text
    assert ("span", "class", "blank") in page.attributes
    assert ["Time", "From, to", "RSSI, dBm", "SNR, dB"] in [row[:4] for row in page.rows]
    # the smallest test of 95 % at 95 % confidence: 0.95^59 = 0.0485, any handbook of reliability
    assert page.row("59") == ["0", "4.8 %", "55 %"]
    assert page.row("Antenna above ground, m") == ["", ""]
    assert page.row("Passed?") == ["", ""]


def test_readings_and_acceptance_are_in_the_record(measured: Record) -> None:
    page = Page(html_of(measured))
    assert measured.survey is not None
    assert "(as measured)" in page.text
    assert f"Predicted before the readings: {'at risk'}." in page.text
    ways = measured.survey.directions
    assert page.row("Margin as measured") == [minus(decibel_words(d.fade_margin_db)) for d in ways]
    there, back = judge(1, 80, 0.95), judge(0, 60, 0.95)
    assert page.row("Packets sent") == ["80", "60"]
    assert page.row("Result") == ["NOT PROVEN", "PASSED"]
    assert (there.passed, back.passed) == (False, True)
    assert page.row("Share lost, exact (Clopper-Pearson)") == [
        f"{100 * low:.2f} to {100 * high:.2f} %" for low, high in (there.exact_interval, back.exact_interval)
    ]
    assert page.row("3")[:3] == ["2031-05-02 09:14", "forward", "−111"]
    assert "Row 5: rssi_dbm = 105 is positive" in page.text
    assert page.row("Antenna above ground, m") == ["4.2", ""]
    assert "On: 15 December 2031" in page.text
    assert "2 May 2031" in page.text


def test_the_same_files_give_the_same_bytes_wherever_they_lie(tmp_path: Path) -> None:
    pages = []
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        record = record_of(plan_of(tmp_path / folder, "plain"), READINGS, day=DAY)
        pages.append(record_html(record).encode())
    assert pages[0] == pages[1]
    assert str(tmp_path).encode() not in pages[0]


def test_the_digest_changes_with_any_byte_of_any_input(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, "plain")
    first = record_of(plan, READINGS)
    seen = {first.digest}
    for changed in ("plan", "ground raster", "readings"):
        file = {"plan": plan, "ground raster": tmp_path / "plain.tif"}.get(changed)
        whole = b"" if file is None else file.read_bytes()
        if file is not None:
            file.write_bytes(whole + (b"\n" if changed == "plan" else b"\0"))
        record = record_of(plan, READINGS if file is not None else READINGS.replace("-108,", "-109,"))
        if file is not None:
            file.write_bytes(whole)
        same = {a.role: a.sha256 == b.sha256 for a, b in zip(first.inputs, record.inputs, strict=True)}
        assert [role for role, equal in same.items() if not equal] == [changed]
        seen.add(record.digest)
    assert len(seen) == 4


def test_every_file_that_heights_come_from_is_an_input(tmp_path: Path) -> None:
    record = record_of(plan_of(tmp_path, "wooded"))
    assert [f.role for f in record.inputs] == ["plan", "ground raster", "surface raster", "profile as used"]
    assert [f.name for f in record.inputs[:3]] == ["wooded.toml", "wooded.tif", "wooded_surface.tif"]


def test_the_digest_is_what_sha256sum_gives(measured: Record, tmp_path: Path) -> None:
    import hashlib

    by_hand = hashlib.sha256((SAMPLES / "upland.tif").read_bytes()).hexdigest()
    assert {f.role: f.sha256 for f in measured.inputs}["ground raster"] == by_hand
    lines = "".join(f"{f.sha256}  {f.role}: {f.name}\n" for f in measured.inputs)
    assert measured.digest == hashlib.sha256(lines.encode()).hexdigest()
    page = Page(html_of(measured))
    assert measured.digest in page.text
    assert all(f.sha256 in page.text for f in measured.inputs if f.sha256)


def test_a_surveyed_profile_is_an_input_and_needs_no_map(named_dangerously: Record) -> None:
    roles = [f.role for f in named_dangerously.inputs]
    assert roles == ["plan", "surveyed profile", "profile as used"]
    page = Page(html_of(named_dangerously))
    assert "The plan gives no positions: there is no map." in page.text
    assert page.tags["svg"] == 1
    assert page.row("Position, WGS 84") == ["not in the plan"] * 2
    assert "the plan gives no position" in page.text


def test_names_that_are_markup_stay_names(named_dangerously: Record) -> None:
    html = html_of(named_dangerously)
    page = Page(html)
    assert page.open == []
    assert page.tags["script"] == page.tags["img"] == page.tags["i"] == 0
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    assert _DANGEROUS in page.text
    assert "</title><img src=x onerror=alert(1)>" in page.text
    assert "<i>plug</i> onload=x" in page.text
    assert "\u202e" not in html


def test_a_page_asks_for_nothing_from_anywhere(measured: Record, named_dangerously: Record) -> None:
    for record in (measured, named_dangerously):
        html = html_of(record)
        for tag, name, value in Page(html).attributes:
            if name in ("src", "href", "xlink:href", "action", "srcset", "data", "poster"):
                assert value is not None
                assert value.startswith(("#", "data:image/png")), (tag, name, value)
        assert set(re.findall(r"url\((.)", html)) <= {"#"}
        assert "@import" not in html
        assert "<link" not in html
        assert len(html) < 1_000_000


def test_no_two_parts_of_a_page_share_a_name(measured: Record) -> None:
    page = Page(html_of(measured))
    names = Counter(value for _, name, value in page.attributes if name == "id")
    assert [name for name, times in names.items() if times > 1] == []
    used = {
        value for _, name, value in page.attributes if name == "xlink:href" and str(value).startswith("#")
    }
    assert {str(value)[1:] for value in used} <= set(map(str, names))


def test_no_figure_has_more_digits_than_it_deserves(planned: Record, measured: Record) -> None:
    for record in (planned, measured):
        text = Page(html_of(record)).text
        text = re.sub(r"[0-9a-f]{12,}", "", text)
        assert re.findall(r"\d+\.\d{6,}", text) == []
        assert not re.search(r"\b(nan|inf|True|False)\b", text)


@pytest.mark.parametrize(
    ("day", "latitude_deg", "on"),
    [
        (date(2031, 2, 3), 48.0, date(2031, 6, 15)),
        (date(2031, 5, 16), 48.0, date(2031, 6, 15)),
        (date(2031, 6, 14), 48.0, date(2031, 6, 15)),
        (date(2031, 6, 15), 48.0, date(2032, 6, 15)),
        (date(2031, 7, 20), 48.0, date(2032, 6, 15)),
        (date(2031, 12, 31), -36.0, date(2032, 12, 15)),
        (date(2031, 5, 2), -36.0, date(2031, 12, 15)),
        (date(2031, 8, 31), 10.0, date(2032, 2, 28)),
        (date(2031, 5, 2), None, None),
        (None, 48.0, None),
        (None, 10.0, None),
    ],
)
def test_the_link_is_measured_again_in_the_next_full_leaf_season(
    day: date | None, latitude_deg: float | None, on: date | None
) -> None:
    # the seasons: common practice, no source
    found = recheck(day, latitude_deg)
    assert found.on == on
    assert found.rule


def test_the_acceptance_test_proves_what_the_plan_asks_where_messages_have_one_try(tmp_path: Path) -> None:
    path = profile(400.0, points=11)
    one = plan_file(tmp_path, case(path, link={"required_success": 0.98}), name="one.toml")
    three = plan_file(tmp_path, case(path, link={"required_success": 0.98, "tries": 3}), name="three.toml")
    assert record_of(one).success == 0.98
    assert record_of(three).success == 0.95
    assert record_of(three, success=0.9).success == 0.9


def test_assumptions_about_other_links_are_left_out(tmp_path: Path) -> None:
    path = profile(900.0, points=21)
    other = case(path, link={"name": "other", "from": "far tank"}, tank={"name": "far tank"})
    text = record_html(record_of(plan_file(tmp_path, case(path), other)))
    assert "far tank" not in text
    assert "station &#34;tank&#34; antenna.polarisation" not in text  # stated nowhere, so it is assumed:
    assert "antenna.polarisation = vertical" in text


def test_a_slope_that_faces_the_light_is_the_brighter_one() -> None:
    east, north = np.meshgrid(np.linspace(0.0, 1.0, 40), np.linspace(1.0, 0.0, 40))
    ridge_m = 100.0 * (1.0 - np.abs(east - north))  # runs from south-west to north-east
    tones = pictures._shaded(ridge_m, 25.0).mean(axis=2)
    assert tones[10, 10] > tones[30, 30] + 0.1  # north-west of it, and south-east


def test_a_map_is_true_to_scale_and_names_no_station_over_another(planned: Record) -> None:
    from tests.views.test_figures import overlaps

    figure, caption = pictures.map_figure(planned)
    faults, texts = overlaps(figure)
    assert faults == []
    assert {words for words, _ in texts} >= {"tank", "generator shed", "N", "500 m"}
    assert caption.endswith("North is up.")
    ax = figure.axes[0]
    box = ax.get_window_extent()
    across, up = (hi - lo for lo, hi in (ax.get_xlim(), ax.get_ylim()))
    assert box.width / across == pytest.approx(box.height / up, rel=0.001)
    m = planned.map
    assert m is not None
    length = float(np.hypot(m.east_m[-1] - m.east_m[0], m.north_m[-1] - m.north_m[0]))
    assert length == pytest.approx(planned.result.path.distance_m, rel=1e-4)
    assert m.heights_m is not None
    assert m.heights_m.shape[1] / m.heights_m.shape[0] == pytest.approx(MAP_ASPECT, rel=0.01)


def test_trees_and_the_worst_point_lie_on_the_map_where_the_profile_has_them(tmp_path: Path) -> None:
    path = profile(1000.0, points=5)
    path = replace(path, clutter_m=np.array([0, 0, 0, 9.0, 0]), clutter_kind=("", "", "", "trees", ""))
    uneven = replace(path, distance_m=np.array([0.0, 100.0, 200.0, 800.0, 1000.0]))
    here = {"latitude_deg": 44.0, "longitude_deg": -20.0}
    there = {"latitude_deg": 44.009, "longitude_deg": -20.0}
    record = record_of(plan_file(tmp_path, case(uneven, tank=here, shed=there)))
    figure, caption = pictures.map_figure(record)
    assert "Thick stretches of the path: trees." in caption
    lines = figure.axes[0].lines
    trees = next(line for line in lines if line.get_linewidth() == 5.0)
    worst = next(line for line in lines if line.get_marker() == "D")
    # half a kilometre from the middle to either end, northward; the trees at 800 m, half a step to both sides
    assert np.asarray(trees.get_ydata())[[0, -1]] == pytest.approx([0.500 - 0.500, 0.900 - 0.500], abs=0.005)
    assert float(np.asarray(worst.get_ydata())[0]) == pytest.approx(0.800 - 0.500, abs=0.005)


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 133.0, 180.0, 270.0])
def test_stations_are_on_the_map_whichever_way_the_path_runs(planned: Record, azimuth: float) -> None:
    from tests.views.test_figures import overlaps

    m = planned.map
    assert m is not None
    along = np.linspace(-2500.0, 2500.0, len(m.east_m))
    turned = replace(
        m,
        east_m=along * np.sin(np.radians(azimuth)),
        north_m=along * np.cos(np.radians(azimuth)),
        heights_m=None,
    )
    half = 0.68 * max(abs(turned.east_m[-1] * 2), MAP_ASPECT * abs(turned.north_m[-1] * 2) * 1.15)
    figure, caption = pictures.map_figure(replace(planned, map=replace(turned, half_width_m=half)))
    assert overlaps(figure)[0] == []
    assert "No elevation raster holds this ground" in caption


def _pdf(html: str, paper: str = "a4") -> bytes:
    try:
        return record_pdf(html, paper)  # type: ignore[arg-type]
    except LinkcalcError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="module")
def letter(named_dangerously: Record) -> bytes:
    return _pdf(html_of(named_dangerously), "letter")


def test_a_pdf_holds_the_whole_record_page_by_page(named_dangerously: Record, letter: bytes) -> None:
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(BytesIO(letter))
    assert 6 <= len(reader.pages) <= 10
    texts = [page.extract_text() for page in reader.pages]
    text = " ".join(" ".join(texts).split())
    for title in SECTIONS:
        assert title in text
    number = named_dangerously.digest[:12]
    assert all(f"Link record {number}" in page for page in texts)
    assert all(f"{i} / {len(texts)}" in page for i, page in enumerate(texts, 1))
    assert '<script>alert("1")</script>' in " ".join(texts[0].split())


def test_a_pdf_is_as_large_as_its_paper(letter: bytes) -> None:
    pypdf = pytest.importorskip("pypdf")
    # 8.5 by 11 inches; ISO 216, A4
    for pdf, points in ((letter, (612.0, 792.0)), (_pdf("<p>one line</p>"), (595.3, 841.9))):
        size = pypdf.PdfReader(BytesIO(pdf)).pages[0].mediabox
        assert (float(size.width), float(size.height)) == pytest.approx(points, abs=0.1)


@pytest.mark.slow
def test_the_same_page_gives_the_same_pdf(named_dangerously: Record, letter: bytes) -> None:
    assert _pdf(html_of(named_dangerously), "letter") == letter


def test_without_the_pdf_library_one_line_names_the_extra(
    planned: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(LinkcalcError, match=r"needs the extra pdf: pip install 'linkcalc\[pdf\]'"):
        record_pdf("<p>")


def test_without_what_the_pdf_library_needs_one_line_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = builtins.__import__

    def broken(name: str, *rest: Any, **more: Any) -> Any:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0': cannot open shared object file")
        return usual(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", broken)
    with pytest.raises(LinkcalcError, match=r"system library libpango-1.0-0 \(Debian: apt install"):
        record_pdf("<p>")


def test_places_to_sign_are_as_many_as_asked_for(planned: Record) -> None:
    def places(lines: int) -> int:
        return Page(record_html(planned, lines)).text.count("name, signature, date")

    assert [places(n) for n in (0, 1, 2, 3, 5)] == [0, 1, 2, 3, 5]
    assert "Signatures" not in Page(record_html(planned, 0)).headings


def test_the_record_says_what_becomes_of_the_water_and_the_batteries(tmp_path: Path) -> None:
    loaded = load_plan(sample_path("upland"))
    record = make_record(loaded, loaded.plan.link[0])
    lines = [s.line for n, s in lc.check(loaded).sections.items() if n in ("messages", "tank", "energy")]
    assert len(lines) == 3
    assert list(record.operation) == lines
    page = record_html(record)
    for line in lines:
        assert minus(line.partition("; linkcalc")[0].partition("; see linkcalc")[0]) in Page(page).text
    assert "linkcalc tank" not in page, "a customer has no terminal"
    assert "What happens when a stop is lost" in page


def test_photos_become_part_of_the_record(tmp_path: Path) -> None:
    pixel = style.render(style.new_figure(1.0, 1.0), "png")
    photo = tmp_path / 'mast <"1">.png'
    photo.write_bytes(pixel)
    loaded = load_plan(sample_path("plain"))
    record = make_record(loaded, loaded.plan.link[0], photos=[photo])
    page = record_html(record)
    assert f"data:image/png;base64,{base64.b64encode(pixel).decode()}" in page
    assert "mast &lt;&#34;1&#34;&gt;.png" in page
    assert ("photo", photo.name, hashlib.sha256(pixel).hexdigest()) in [
        (f.role, f.name, f.sha256) for f in record.inputs
    ]
    assert "Photos" not in record_html(make_record(loaded, loaded.plan.link[0]))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"GIF89a", "is neither JPEG nor PNG"),
        (b"\xff\xd8\xff" + bytes(10_000_001), "a photo may have 10 MB"),
        (None, "cannot be read"),
    ],
)
def test_what_is_no_photo_is_one_line(content: bytes | None, said: str, tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    if content is not None:
        photo.write_bytes(content)
    loaded = load_plan(sample_path("plain"))
    with pytest.raises(LinkcalcError, match=said):
        make_record(loaded, loaded.plan.link[0], photos=[photo])
