import io
import itertools
import math
import re
import unicodedata
from types import SimpleNamespace

import pytest

from linkcalc.link.result import Term
from linkcalc.views.check import budget as budget_text
from linkcalc.views.check import text
from linkcalc.views.page import abilities
from linkcalc.views.words import VERDICT_WORDS, decibel_words, distance_words, probability_words
from tests.views import factory

ANSI = re.compile(r"\x1b\[[0-9;]*m")


def cells(line):
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in line
    )


def report(*cases, **how):
    return text.report(factory.result(*(factory.CASES[c]() for c in cases)), **how)


@pytest.mark.parametrize("width", [60, 72, 80, 100])
@pytest.mark.parametrize("case", factory.CASES)
def test_no_line_is_wider_than_the_terminal(case, width):
    for how in ({}, {"colour": True}, {"ascii_only": True}):
        page = report(case, "long names", width=width, **how)
        assert max(cells(ANSI.sub("", line)) for line in page.splitlines()) <= width
        assert not any(line != line.rstrip() for line in page.splitlines())


def test_the_report_answers_before_it_explains():
    lines = [line for line in report("obstructed").splitlines() if line.strip()]
    assert lines[2] == "AT RISK  level report"
    assert "13.1 dB of fade margin from Tank 3 to Engine shed, 6.9 dB short of" in lines[3]
    page = "\n".join(lines)
    order = (
        "Margin",
        "Such sites work",
        "Message arrives",
        "Limiting factor",
        "Budget",
        "  Path\n",
        "by model",
        "Uncertainty",
        "to change",
    )
    order += ("Also", "Assumed", "Warnings", "Cautions")
    places = [page.index(word) for word in order]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("case", "words"), [("clear", "CLOSES"), ("obstructed", "AT RISK"), ("wooded", "DOES NOT CLOSE")]
)
def test_the_verdict_stands_in_plain_words(case, words):
    assert f"\n{words}  level report\n" in report(case)


def test_several_links_start_with_an_overview():
    page = report("clear", "wooded")
    overview = page[: page.index("─")]
    assert re.search(r"level report +2\.40 km +44\.2 dB +99\.9 % +CLOSES", overview)
    assert re.search(r"level report +1\.85 km +-8\.6 dB +\S+ % +DOES NOT CLOSE", overview)
    assert "All links" not in report("clear")


@pytest.mark.parametrize("case", factory.CASES)
def test_the_printed_terms_add_up_to_every_printed_sum(case):
    for direction in factory.CASES[case]().directions:
        lines = budget_text.budget_lines(direction)
        start, level, seen = 0, 0.0, {}
        for i, line in enumerate(lines):
            if line.kind != "sum":
                continue
            block = sum(entry.value_db for entry in lines[start:i])
            if line.name in ("EIRP", "Received power"):
                level += block
            elif line.name == "Sensitivity":
                level = block
            else:
                level = seen["Received power"] - seen["Sensitivity"] + block
            assert line.value_db == pytest.approx(level, abs=1e-9)
            seen[line.name] = line.value_db
            start = i + 1
        assert list(seen) == ["EIRP", "Received power", "Sensitivity", "Margin, received over sensitivity"]
        assert seen["Received power"] == pytest.approx(direction.received_power_dbm, abs=0.05001)
        assert seen["Sensitivity"] == pytest.approx(direction.sensitivity_dbm, abs=0.05001)


def test_every_printed_term_is_the_nearest_tenth():
    values = [0.05, -0.05, 0.149999, 0.25, -2.349, 107.36]
    direction = SimpleNamespace(from_="a", to="b", terms=[Term("ground", v, "path") for v in values])
    printed = [line.value_db for line in budget_text.budget_lines(direction) if line.kind == "term"]
    assert printed == [0.1, 0.0, 0.1, 0.3, -2.3, 107.4]


def test_decimal_points_of_the_budget_stand_in_one_column():
    page = report("wooded")
    block = page[page.index("Budget, dB") : page.index("Neither gain")].splitlines()[3:]
    columns = [tuple(m.start() for m in re.finditer(r"\.\d(?!\d)", line[40:])) for line in block if line]
    allowed = {p for c in columns if len(c) == 2 for p in c}
    assert len(allowed) == 2
    assert all(set(c) <= allowed for c in columns)


def test_two_terms_of_one_name_keep_two_lines():
    link = factory.CASES["grazing"]()
    extra = tuple(Term("extra_loss", db, "transmitter", station="Tank 3") for db in (-1.0, -2.0))
    directions = tuple(factory.replace(d, terms=extra + d.terms) for d in link.directions)
    page = text.report(factory.result(factory.replace(link, directions=directions)))
    assert re.search(r"extra loss +-1\.0 +-1\.0\n +extra loss +-2\.0 +-2\.0\n", page)


def test_a_term_of_one_direction_only_leaves_the_other_column_empty():
    line = next(line for line in report("grazing").splitlines() if "  noise rise" in line)
    assert re.fullmatch(r"    noise rise +\+4\.0", line)


def test_probabilities_are_never_certain():
    words = [probability_words(p) for p in (0.0, 1e-12, 0.5, 0.9, 0.999, 0.9994, 0.9999999, 1.0)]
    assert words == ["<0.1 %", "<0.1 %", "50 %", "90.0 %", "99.9 %", ">99.9 %", ">99.9 %", ">99.9 %"]
    for case in factory.CASES:
        assert "100 %" not in report(case).replace("100.0", "")


def test_probability_words_never_fall_as_the_probability_rises():
    figures = [float(probability_words(k / 20000).strip("<>% ").replace(" %", "")) for k in range(20, 19990)]
    assert all(a <= b for a, b in itertools.pairwise(figures))


def test_no_figure_has_more_digits_than_it_deserves():
    for case in factory.CASES:
        page = report(case)
        page = page[: page.index("linkcalc 0.1.0")]
        assert not re.search(r"\d\.\d{4,}", page)
        assert not re.search(r"(nan|inf)\b", page)


@pytest.mark.parametrize(
    ("metres", "words"),
    [
        (0.0, "0.0 m"),
        (9.94, "9.9 m"),
        (9.96, "10 m"),
        (50.0, "50 m"),
        (999.4, "999 m"),
        (999.6, "1.00 km"),
        (6420.0, "6.42 km"),
        (9994.0, "9.99 km"),
        (9996.0, "10.0 km"),
        (60e3, "60.0 km"),
        (math.nan, "unknown"),
    ],
)
def test_distances_read_well_on_both_sides_of_each_change(metres, words):
    assert distance_words(metres) == words


def test_a_budget_never_prints_minus_zero():
    assert decibel_words(-0.0499) == "0.0 dB"
    assert "-0.0" not in report("tall masts")


def test_the_worst_point_is_told_in_words():
    page = " ".join(report("obstructed").split())
    assert "3.53 km from Tank 3: terrain 51 m above the line of sight" in page
    assert "-2.2 of the first Fresnel zone with k = 1.33" in page
    page = " ".join(report("clear").split())
    assert "terrain 20 m below the line of sight" in page


def test_the_model_that_gave_the_number_is_marked():
    lines = [line for line in report("obstructed").splitlines() if "governing model" in line]
    assert len(lines) == 1
    assert "delta-Bullington" in lines[0]


def test_what_a_site_reading_removes_is_shown_beside_each_uncertainty():
    line = next(line for line in report("obstructed").splitlines() if "path loss model" in line)
    assert line.split()[-4:] == ["12.0", "dB", "2.0", "dB"]
    page = report("obstructed")
    assert "antenna gain as mounted" not in page  # the fourth largest


def test_advice_names_its_effort_and_whether_it_is_enough():
    page = " ".join(report("obstructed").split())
    assert "1. Spreading factor 12 instead of 10" in page
    assert "(a setting; margin of the weaker direction 18.1 dB, not enough alone)" in page
    assert "(a mast or more; margin of the weaker direction 25.1 dB, enough)" in page
    assert "What to change" not in report("clear")


def test_sections_assumptions_warnings_and_cautions_are_all_printed():
    page = " ".join(report("clear").split())
    assert "legal limits: not checked, the plan names no country" in page
    assert "conditions.wet_foliage = true" in page
    assert "states no country" in page
    assert "not a safety function" in page


def test_colour_comes_only_when_asked_for():
    assert "\x1b" not in report("wooded")
    page = report("wooded", colour=True)
    assert "\x1b[1;31mDOES NOT CLOSE\x1b[0m" in page
    assert ANSI.sub("", page) == report("wooded")


def test_control_characters_in_a_plan_never_reach_the_terminal():
    link = factory.link(name="a\x1b[2Jb\r\nc\u202ed", stations=("T\x07ank", "Shed\x9b31m"))
    page = text.report(factory.result(link))
    assert {c for c in page if unicodedata.category(c) in ("Cc", "Cf")} == {"\n"}


def test_the_plain_report_is_ascii():
    for case in factory.CASES:
        report(case, ascii_only=True).encode("ascii")
    page = report("odd characters", ascii_only=True)
    assert "to Sud_{Pumpe} ?" in page


class Terminal(io.StringIO):
    def __init__(self, encoding, tty=True):
        super().__init__()
        self._encoding, self._tty = encoding, tty

    encoding = property(lambda self: self._encoding)

    def isatty(self):
        return self._tty


@pytest.mark.parametrize(
    ("stream", "environ", "expected"),
    [
        (Terminal("utf-8"), {}, (True, False)),
        (Terminal("utf-8"), {"NO_COLOR": "1"}, (False, False)),
        (Terminal("utf-8"), {"NO_COLOR": ""}, (True, False)),
        (Terminal("utf-8"), {"TERM": "dumb"}, (False, False)),
        (Terminal("utf-8", tty=False), {}, (False, False)),
        (Terminal("cp1252"), {}, (True, True)),
        (Terminal("ascii", tty=False), {}, (False, True)),
        (Terminal(None), {}, (True, True)),
        (Terminal("no-such-codec"), {}, (True, True)),
    ],
)
def test_the_stream_decides_colour_and_characters(stream, environ, expected):
    assert abilities(stream, environ) == expected


def test_a_term_that_changes_nothing_takes_no_row_but_is_named():
    page = report("clear")
    assert re.search(r"Neither gain nor loss \(0\.0 dB\): off the beam", page)
    assert not re.search(r"off the beam +-?0\.0", page)


def test_the_terms_of_both_stations_share_rows_and_notes_say_which_is_which():
    page = report("grazing")
    assert re.search(r"    antenna gain +\+2\.2 +\+5\.2\n", page)
    assert re.search(r"    antenna gain +\+5\.2 +\+2\.2\n", page)
    words = " ".join(page.split())
    assert "antenna gain: half-wave dipole (Tank 3), collinear (Engine shed)" in words
    assert "required SNR: SF10" in words


def test_assumptions_are_gathered_by_source_and_subject():
    words = " ".join(report("clear").split())
    assert 'station "Tank 3" noise_figure_db = 6, antenna.polarisation = vertical; conditions' in words
    assert words.count("common practice, no source:") == 1


def test_the_verdict_is_not_said_twice():
    link = factory.CASES["clear"]()
    assert link.headline == f"Closes: {link.statement}"
    assert f"\n  {link.statement.split(' dB')[0]} dB of fade margin" in text.report(factory.result(link))


def test_a_path_without_positions_shows_no_azimuth():
    link = factory.CASES["clear"]()
    link = factory.replace(link, path=factory.replace(link.path, azimuth_deg=math.nan))
    assert "  2.40 km, 868 MHz" in text.report(factory.result(link))


def test_the_first_screen_is_short_whatever_the_path():
    for make in factory.CASES.values():
        link = make()
        page = text.report(factory.result(link), full=False)
        assert VERDICT_WORDS[link.verdict] in page
        assert link.directions[0].limited_by in " ".join(page.split())
        assert "--full" in page
        assert len(page.splitlines()) < len(text.report(factory.result(link)).splitlines()) / 2


@pytest.mark.parametrize("value_db", [2.15, -2.15, 0.05, -0.05, 107.35, 1.005, -0.049999, 12.0, 1234567.85])
def test_a_figure_reads_the_same_in_the_budget_and_elsewhere(value_db):
    direction = SimpleNamespace(from_="a", to="b", terms=[Term("ground", value_db, "path")])
    printed = budget_text.budget_lines(direction)[1].value_db
    assert decibel_words(value_db) == f"{printed + 0.0:.1f} dB"
