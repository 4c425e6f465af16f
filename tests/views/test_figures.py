import itertools
import math
import re

import numpy as np
import pytest

from linkcalc.views import style
from linkcalc.views.canvas import spread_apart
from linkcalc.views.check import figures
from tests.views import factory

PICTURES = {
    "profile": figures.profile_figure,
    "budget": lambda link: figures.budget_figure(*link.directions),
    "height": figures.height_figure,
}
SWEEP_M = (50.0, 73.0, 180.0, 420.0, 999.0, 1999.0, 2001.0, 4700.0, 13e3, 37e3, 60e3)


def shown_texts(figure):
    """Every text of the figure that is drawn, with its box in pixels."""
    texts = list(figure.texts)
    for ax in figure.axes:
        texts += ax.texts
        for axis in (ax.xaxis, ax.yaxis):
            if axis.get_visible():
                # Only the ticks within the limits are drawn; matplotlib has no public name for them.
                texts += [axis.label, axis.offsetText, *(tick.label1 for tick in axis._update_ticks())]
    renderer = figure.canvas.get_renderer()
    return [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text().strip()]


def overlaps(figure):
    """Pairs of texts whose boxes share area, and texts that leave the picture."""
    with style.styled():
        figure.canvas.draw()
        texts = shown_texts(figure)
    faults = []
    for (a, box_a), (b, box_b) in itertools.combinations(texts, 2):
        wide = min(box_a.x1, box_b.x1) - max(box_a.x0, box_b.x0)
        high = min(box_a.y1, box_b.y1) - max(box_a.y0, box_b.y0)
        if wide > 0.5 and high > 0.5:
            faults.append((a, b))
    frame = figure.bbox
    faults += [
        (words, "outside the picture")
        for words, box in texts
        if box.x0 < 0 or box.y0 < 0 or box.x1 > frame.x1 or box.y1 > frame.y1
    ]
    return faults, texts


def crossed_by_curves(figure):
    """Texts inside the axes that a drawn curve runs through; a label's own leader is no curve."""
    with style.styled():
        figure.canvas.draw()
        texts = shown_texts(figure)
    faults = []
    for ax in figure.axes:
        for line in ax.lines:
            if line.get_gid() == "leader":
                continue
            points = line.get_transform().transform(line.get_xydata())
            dense = np.concatenate([np.linspace(p, q, 40) for p, q in itertools.pairwise(points)] or [points])
            for words, box in texts:
                inside = (
                    (dense[:, 0] > box.x0)
                    & (dense[:, 0] < box.x1)
                    & (dense[:, 1] > box.y0)
                    & (dense[:, 1] < box.y1)
                )
                if inside.any():
                    faults.append(words)
    return faults


@pytest.mark.parametrize("picture", PICTURES)
@pytest.mark.parametrize("case", factory.CASES)
def test_no_label_overlaps_another_or_leaves_the_picture_or_is_struck_through(case, picture):
    figure = PICTURES[picture](factory.CASES[case]())
    faults, texts = overlaps(figure)
    assert faults == []
    assert len(texts) > 10
    if picture == "profile":
        assert crossed_by_curves(figure) == []


@pytest.mark.parametrize("length_m", SWEEP_M)
def test_profile_labels_stay_apart_at_any_path_length(length_m):
    for share, heights, height_m in (
        (0.5, (2.0, 2.0), 9.0),
        (0.03, (1.0, 80.0), 3.0),
        (0.97, (60.0, 4.0), 30.0),
    ):
        link = factory.link(
            length_m=length_m,
            ground=factory.ridge(share, height_m, 0.05),
            heights_m=heights,
            stations=(factory.LONG_NAME, factory.LONG_NAME[::-1]),
            clutter=((0.2, 0.22, 8.0, "trees"), (0.23, 0.25, 5.0, "building"), (0.9, 0.93, 12.0, "tank")),
        )
        figure = figures.profile_figure(link)
        assert overlaps(figure)[0] == []
        assert crossed_by_curves(figure) == []


def test_the_overlap_check_sees_an_overlap():
    figure = style.new_figure(4, 3)
    ax = figure.add_subplot()
    ax.text(0.5, 0.5, "one")
    ax.text(0.51, 0.5, "two")
    figure.text(0.98, 0.5, "cut off here")
    faults, _ = overlaps(figure)
    assert ("one", "two") in faults
    assert ("cut off here", "outside the picture") in faults


def test_the_curve_check_sees_a_curve_through_a_label():
    figure = style.new_figure(4, 3)
    ax = figure.add_subplot()
    ax.plot([0, 1], [0, 1])
    ax.text(0.5, 0.5, "in the way", ha="center", va="center")
    assert "in the way" in crossed_by_curves(figure)


def words_of(figure):
    return " | ".join(words for words, _ in overlaps(figure)[1])


def test_the_profile_says_how_far_the_hill_stands_into_the_ray_and_where():
    words = words_of(figures.profile_figure(factory.CASES["obstructed"]()))
    assert "worst point: terrain 51 m above the line of sight" in words
    assert "3.53 km from Tank 3" in words
    assert "−2.2 of the first Fresnel zone" in words
    assert "k = 1.33" in words
    assert "k = 0.90" in words
    assert "AT RISK" in words
    assert "Height above sea level, m" in words
    assert "Distance from Tank 3, km" in words


def test_a_short_path_is_drawn_in_metres():
    assert "Distance from Tank 3, m" in words_of(figures.profile_figure(factory.CASES["50 m"]()))


def test_the_ground_is_drawn_with_the_bulge_of_the_earth():
    link = factory.CASES["flat"]()
    ax = figures.profile_figure(link).axes[0]
    ground = next(line for line in ax.lines if line.get_label() == "ground").get_ydata()
    # Parabolic bulge in mid path, d^2 / (8 k a): Rec. ITU-R P.530, common geometry.
    assert max(ground) - ground[0] == pytest.approx(5000.0**2 / (8 * 4 / 3 * 6371000.0), abs=0.01)


def test_thinning_a_long_profile_keeps_its_highest_and_lowest_points():
    link = factory.CASES["60 km"]()
    spiked = link.drawing.ground_m.copy()
    spiked[1234], spiked[4321] = 700.0, -20.0
    drawing = factory.replace(link.drawing, ground_m=spiked)
    thin = figures._thinned(drawing, 31_000.0)
    assert len(thin.distance_m) <= 1300
    assert thin.ground_m.max() == 700.0
    assert thin.ground_m.min() == -20.0
    assert np.isclose(thin.distance_m, 31_000.0).any()
    assert (np.diff(thin.distance_m) > 0).all()


def test_every_kind_of_obstacle_on_the_path_is_named():
    words = words_of(figures.profile_figure(factory.CASES["many obstacles"]()))
    for kind in ("trees", "building", "tank"):
        assert f"{kind}, up to" in words


def test_the_budget_picture_ends_in_the_margin_and_names_every_term():
    link = factory.CASES["indoors"]()
    words = words_of(figures.budget_figure(*link.directions))
    for term in link.directions[0].terms:
        if term.group != "threshold" and term.value_db:
            assert term.name in words
    assert f"+{link.directions[0].fade_margin_db:.1f} dB" in words
    assert "sensitivity" in words
    assert "margin, 20.0 dB required" in words


def test_the_levels_in_the_budget_picture_lead_to_the_received_power():
    direction = factory.CASES["wooded"]().directions[1]
    steps = figures._steps(direction)
    assert steps[-1][2] == pytest.approx(direction.received_power_dbm, abs=1e-6)


def test_the_height_picture_marks_the_present_height():
    words = words_of(figures.height_figure(factory.CASES["clear"]()))
    assert "now 25 m: 44.2 dB" in words
    assert "two-ray" in words


def test_a_link_without_lobes_draws_one_curve():
    assert "two-ray" not in words_of(figures.height_figure(factory.CASES["60 km at 169 MHz"]()))


def test_a_margin_that_nothing_can_reach_still_draws():
    link = factory.CASES["grazing"]()
    directions = tuple(factory.replace(d, required_margin_db=math.inf) for d in link.directions)
    link = factory.replace(link, directions=directions)
    for draw in PICTURES.values():
        assert overlaps(draw(link))[0] == []


@pytest.mark.parametrize("points", [2, 3, 4])
def test_a_surveyed_profile_of_a_few_points_draws(points):
    link = factory.link(length_m=640.0, points=max(points, 3))
    if points == 2:
        d = link.drawing
        ends = {
            n: getattr(d, n)[[0, -1]] for n in ("distance_m", "ground_m", "clutter_m", "bulge_m", "ray_m")
        }
        ends |= {n: getattr(d, n)[[0, -1]] for n in ("fresnel_radius_m", "clearance_ratio")}
        link = factory.replace(link, drawing=factory.replace(d, clutter_kind=("", ""), **ends))
    assert overlaps(figures.profile_figure(link))[0] == []


def test_the_outline_of_the_zone_is_the_zone_of_the_profile():
    link = factory.CASES["clear"]()
    d = link.drawing
    x, ray, radius = figures._zone_outline(d.distance_m, d)
    assert np.interp(d.distance_m[1:-1], x, radius) == pytest.approx(d.fresnel_radius_m[1:-1], rel=2e-3)
    assert np.interp(d.distance_m, x, ray) == pytest.approx(d.ray_m)


@pytest.mark.usefixtures("undrawn")
def test_pictures_are_written_for_every_link_under_safe_names(tmp_path):
    links = [factory.link(name=name, points=61) for name in ("Tank 3/Shed", "tank 3 shed", "../../etc")]
    files = figures.write_all(factory.result(*links), tmp_path / "new")
    assert len(files) == 3 * 3 * 2
    assert len(set(files)) == len(files)
    assert all(f.parent == tmp_path / "new" and f.read_text() == f"a {f.suffix[1:]}" for f in files)
    assert all(re.fullmatch(r"[a-z0-9-]+\.(svg|png)", f.name) for f in files)
    assert "tank-3-shed-profile.svg" in {f.name for f in files}
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == sorted(f.name for f in files)


def test_the_same_link_gives_the_same_bytes():
    link = factory.CASES["wooded"]()
    for kind in ("svg", "png"):
        once, again = (style.render(figures.profile_figure(link), kind) for _ in range(2))
        assert once == again
    assert b"<dc:date>" not in style.render(figures.profile_figure(link), "svg")


def test_spread_labels_keep_their_order_and_never_overlap():
    rng = np.random.default_rng(7)
    for _ in range(200):
        n = int(rng.integers(1, 9))
        wanted = sorted(rng.uniform(-20, 120, n))
        sizes = list(rng.uniform(2, 12, n))
        placed = spread_apart(wanted, sizes, 0.0, 100.0)
        edges = [(p - s / 2, p + s / 2) for p, s in zip(placed, sizes, strict=True)]
        assert edges[0][0] >= -1e-9
        assert edges[-1][1] <= 100 + 1e-9
        assert all(a[1] <= b[0] + 1e-9 for a, b in itertools.pairwise(edges))
