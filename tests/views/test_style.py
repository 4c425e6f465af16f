import itertools
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
