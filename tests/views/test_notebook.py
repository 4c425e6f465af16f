"""Cards for a notebook: they stand alone, hold what matters, and escape what a plan may contain."""

import base64
import re
from html.parser import HTMLParser

import pytest

import linkcalc as lc
from linkcalc.views.words import VERDICT_WORDS
from tests.test_sweep import site
from tests.views import factory

EMPTY = {"img", "br"}


class Balanced(HTMLParser):
    """Collects what is shown, and complains of tags that are not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.shown: list[str] = []
        self.sources: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in EMPTY:
            self.open.append(tag)
        self.sources += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.shown.append(data.replace("\u00a0", " ").replace("−", "-"))


def read(html: str) -> Balanced:
    parser = Balanced()
    parser.feed(html)
    parser.close()
    assert parser.open == []
    assert not re.search(r"<script|javascript:|https?://", html)
    return parser


@pytest.mark.parametrize("case", factory.CASES)
def test_a_links_card_is_sound_html_with_verdict_margins_and_picture(case: str) -> None:
    link = factory.CASES[case]()
    card = lc.show(link)
    page = read(card._repr_html_())
    text = " ".join(page.shown)
    assert VERDICT_WORDS[link.verdict] in text
    assert link.name in text
    for direction in link.directions:
        assert f"{direction.fade_margin_db:.1f} dB" in text
    (source,) = page.sources
    assert base64.b64decode(source.removeprefix("data:image/png;base64,"))[1:4] == b"PNG"
    assert read(lc.show(link, pictures=False).html).sources == []


def test_a_result_shows_every_link_and_the_cautions() -> None:
    result = lc.check_plan(site(title="<b>& tank"))
    card = lc.show(result, pictures=False)
    text = " ".join(read(card.html).shown)
    assert "<b>& tank" in text
    assert result.links[0].headline in text
    assert result.cautions[0] in text
    assert repr(card) == f"level: {result.links[0].headline}"


def test_a_sweep_shows_its_range_and_its_picture() -> None:
    found = lc.sweep_plan(site(), {"sf": range(7, 13), "power": [10, 14]})
    page = read(lc.show(found).html)
    text = " ".join(page.shown)
    assert "6 values, 7 to 12" in text
    assert f"{(found['verdict'] == 'closes').sum()} of 12" in text
    assert len(page.sources) == 1
    assert str(lc.show(found)).startswith("level: 12 combinations")


def test_a_card_is_the_same_every_time() -> None:
    found = lc.sweep_plan(site(), {"sf": [7, 9]})
    assert lc.show(found).html == lc.show(found).html


def test_plots_take_an_axes_of_ones_own() -> None:
    from matplotlib.figure import Figure

    link = lc.check_plan(site()).links[0]
    axes = Figure(figsize=(10, 12)).subplots(3)
    assert lc.draw_profile(axes[0], link) is axes[0]
    assert lc.draw_budget(axes[1], link.directions[0]) is axes[1]
    assert lc.draw_height(axes[2], link) is axes[2]
    assert all(ax.has_data() for ax in axes)


def test_one_picture_alone_can_be_shown_and_one_of_ones_own() -> None:
    import linkcalc as lc

    link = lc.check(lc.sample_path("plain"), sections=False).links[0]
    for only in ("profile", "budget", "height"):
        html = lc.show(link, only=only).html
        assert html.startswith("<img alt=")
        assert "base64," in html
    with pytest.raises(lc.ArgumentError, match="pictures: profile, budget, height"):
        lc.show(link, only="map")
    with lc.styled():
        from matplotlib.figure import Figure

        own = Figure(figsize=(3, 2))
        own.add_subplot().plot([1, 2])
        assert 'alt="mine"' in lc.show(own, about="mine").html
