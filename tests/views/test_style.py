import itertools
import re
import sys

import matplotlib as mpl
import pytest

from linkcalc.errors import LinkcalcError
from linkcalc.views import style


def lightness(colour):
    """CIE L* of an sRGB colour (IEC 61966-2-1 and CIE 15)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def contrast(colour):
    """Contrast against white paper (WCAG 2.1, relative luminance)."""
    y = ((lightness(colour) + 16) / 116) ** 3
    return 1.05 / (y + 0.05)


def test_what_shares_a_picture_differs_in_grey_print():
    shares = [style.RAY, style.FRESNEL_EDGE, style.FRESNEL, style.GROUND, style.GROUND_EDGE]
    steps = sorted(lightness(c) for c in shares)
    assert all(b - a >= 8 for a, b in itertools.pairwise(steps))


def test_map_steps_darken_evenly():
    steps = [lightness(c) for c in style.SEQUENCE]
    assert all(a - b >= 8 for a, b in itertools.pairwise(steps))


def test_lines_that_share_a_plot_differ_in_dash_pattern():
    assert len({str(dash) for _, dash in style.SERIES}) == len(style.SERIES)


def test_text_colours_are_legible_on_paper():
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    for colour in (style.INK, style.MUTED, style.RAY, style.ACCENT, style.CAUTION):
        assert contrast(colour) >= 4.5


def test_obstacles_differ_in_hatch_not_only_in_colour():
    assert len({hatch for _, _, hatch in style.CLUTTER.values()}) == len(style.CLUTTER)


def test_the_users_own_settings_do_not_change_a_picture():
    figure = style.new_figure(2, 1)
    with style.styled():
        figure.add_subplot().plot([0, 1], [0, 1])
    plain = style.render(figure, "svg")
    with mpl.rc_context({"svg.fonttype": "none", "hatch.linewidth": 5.0, "svg.hashsalt": None}):
        assert style.render(figure, "svg") == plain


def test_drawing_leaves_the_users_settings_alone():
    with mpl.rc_context({"font.size": 23.0}):
        with style.styled():
            assert mpl.rcParams["font.size"] == style.TEXT_PT
        assert mpl.rcParams["font.size"] == 23.0


def test_drawing_needs_no_pyplot():
    assert "matplotlib.pyplot" not in sys.modules or mpl.get_backend()
    figure = style.new_figure(2, 1)
    assert type(figure.canvas).__name__ == "FigureCanvasAgg"


def test_a_failed_write_leaves_the_old_picture_and_no_litter(tmp_path, monkeypatch):
    stem = tmp_path / "picture"
    style.save(style.new_figure(2, 1), stem)
    before = (tmp_path / "picture.svg").read_bytes()
    monkeypatch.setattr("os.replace", lambda *a: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(LinkcalcError, match=r"picture\.svg: cannot be written: disk full"):
        style.save(style.new_figure(3, 1), stem)
    assert (tmp_path / "picture.svg").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["picture.png", "picture.svg"]


def test_a_dotted_link_name_keeps_its_dots_in_the_file_name(tmp_path):
    files = style.save(style.new_figure(2, 1), tmp_path / "a.b")
    assert [f.name for f in files] == ["a.b.svg", "a.b.png"]


def test_a_name_in_another_script_is_drawn_with_an_installed_font_that_has_it(tmp_path, clean_fonts):
    """A font made here, with one character of the Chinese script, stands for those that machines have."""
    from fontTools.fontBuilder import FontBuilder
    from fontTools.pens.ttGlyphPen import TTGlyphPen

    pen = TTGlyphPen(None)
    for x, y in ((0, 0), (0, 700), (600, 700), (600, 0)):
        (pen.lineTo if (x, y) != (0, 0) else pen.moveTo)((x, y))
    pen.closePath()
    made = FontBuilder(1000, isTTF=True)
    made.setupGlyphOrder([".notdef", "water"])
    made.setupCharacterMap({ord("水"): "water"})
    made.setupGlyf({".notdef": TTGlyphPen(None).glyph(), "water": pen.glyph()})
    made.setupHorizontalMetrics({".notdef": (700, 0), "water": (700, 0)})
    made.setupHorizontalHeader(ascent=800, descent=-200)
    made.setupNameTable({"familyName": "Invented Script", "styleName": "Regular", "psName": "InventedScript"})
    made.setupOS2()
    made.setupPost()
    file = tmp_path / "invented.ttf"
    made.save(file)
    clean_fonts.addfont(file)
    assert style.families("Tank 水") == [style.FONT, "Invented Script"]
    assert style.drawable("Tank 水") == "Tank 水"
    figure = style.new_figure(3, 1)
    with style.styled():
        figure.text(0.1, 0.5, "Tank 水")
    assert b"InventedScript" in style.render(figure, "svg")


@pytest.fixture
def clean_fonts(monkeypatch):
    """Matplotlib's list of fonts, put back after the test, and nothing remembered of it."""
    from matplotlib import font_manager

    manager = font_manager.fontManager
    monkeypatch.setattr(manager, "ttflist", [f for f in manager.ttflist if f.name.startswith("DejaVu")])
    monkeypatch.setattr(style, "_boxes", {})
    remembered = (style.family_with, style._installed, style._glyphs)
    for cached in remembered:
        cached.cache_clear()
    yield manager
    for cached in remembered:
        cached.cache_clear()


def test_what_no_font_has_is_a_box_and_one_note(clean_fonts):
    def picture():
        figure = style.new_figure(3, 1)
        with style.styled():
            for place, words in ((0.2, "水タ"), (0.5, "水"), (0.8, "Süd")):
                figure.text(0.1, place, words)
        return figure

    with pytest.warns(UserWarning, match="no installed font has 水タ: drawn as boxes") as said:
        _ = [style.render(picture(), kind) for kind in ("png", "svg")]
    assert len(said) == 1


def test_every_name_keeps_a_file_name_of_its_own_script():
    names = ["水タンク", "насосная", "किसान टंकी", "خزان", "Tank 1", "TANK 1", "☂", "☀"]
    slugs = style.unique_slugs(names)
    assert slugs[:4] == ["水タンク", "насосная", "किसान-टंकी", "خزان"]
    assert slugs[4:] == ["tank-1", "tank-1-2", "unnamed", "unnamed-2"]
    for hostile in ("../x\\y:z*?<>|", "a" * 300, "水" * 300, "\n\0", "-", ".."):
        made = style.slug(hostile)
        assert made
        assert len(made.encode()) <= 120
        assert not set(made) & set("/\\:*?<>|.\0\n \"'")


def test_red_is_what_does_not_close_wherever_it_is_shown():
    from importlib.resources import files

    bad = {style.VERDICT[word] for word in ("at_risk", "does_not_close")}
    assert bad == {style.CAUTION, style.ACCENT}
    assert not bad & {style.POINT, style.INK, *(colour for colour, _ in style.SERIES)}
    for page in ("record/record.css", "fieldsheet/page.css"):
        rules = files("linkcalc.views").joinpath(page).read_text("utf-8")
        assert "/* colours */" in rules
        # the style sheets have no colours of their own
        assert not re.search(r":[^;{}]*#[0-9a-f]{3,6}\b", rules)


def test_verdicts_are_legible_as_words_and_under_white_ones():
    # WCAG 2.1, success criterion 1.4.6: 7 to 1, for a phone in the sun
    assert all(contrast(colour) >= 7.0 for colour in style.VERDICT.values())
