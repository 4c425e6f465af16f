"""What a notebook shows of a result: a card with the verdict, and the path as a picture."""

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from linkcalc._kinds import kinds_checked
from linkcalc.answer import Answer
from linkcalc.errors import ArgumentError
from linkcalc.link.result import LinkResult, Result
from linkcalc.sweeps.table import QUANTITIES, Sweep
from linkcalc.views import style
from linkcalc.views.check.text import EFFORT_WORDS
from linkcalc.views.html import data_url, page
from linkcalc.views.words import (
    VERDICT_WORDS,
    decibel_words,
    path_words,
    probability_words,
    required_margin_words,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Card:
    """Something to be shown; a notebook calls `_repr_html_`, everything else prints `text`."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


_ONLY: dict[tuple[str, str], tuple[str, str]] = {
    ("LinkResult", "profile"): ("check.figures:profile_figure", "the path in profile"),
    ("LinkResult", "budget"): ("check.figures:budget_figure", "the budget, both directions"),
    ("LinkResult", "height"): ("check.figures:height_figure", "margin against the height of the far antenna"),
    ("TankAnswer", "cycle"): ("tank.figures:cycle_figure", "the level over a filling with a lost stop"),
    ("Survey", "margin"): ("survey.figures:margin_figure", "readings, and the margin before and after them"),
    ("Survey", "spots"): ("survey.figures:spots_figure", "margin at the spots that were tried"),
}


@kinds_checked
def show(
    result: "Answer | Figure", *, pictures: bool = True, only: str | None = None, about: str = ""
) -> Card:
    """Make a card of a result for a notebook's cell.

    Parameters
    ----------
    result : Answer or Figure
        What any command answers (of a Result, every link has a part), or a picture of yours.
    pictures : bool
        Whether the path in profile, or the sweep's picture, is in it.
    only : str, optional
        One picture alone: ``profile``, ``budget`` or ``height`` of a link, ``cycle`` of a tank, ``margin`` or
        ``spots`` of a survey.
    about : str
        What a picture of yours shows, for who cannot see it.

    Returns
    -------
    Card
        Its `html` stands alone: nothing is fetched, pictures are in it. Equal for equal results.

    Raises
    ------
    DomainError
        If the sweep has more parameters than can be drawn.

    Examples
    --------
    >>> from linkcalc.plan import load_plan
    >>> from linkcalc.files import sample_path
    >>> from linkcalc.sweeps.sweeping import sweep_plan
    >>> card = show(sweep_plan(load_plan(sample_path("plain")), {"sf": [7, 8]}), pictures=False)
    >>> print(str(card).splitlines()[0])
    level and pump permit: 2 combinations
    """
    if not isinstance(result, Answer):
        return _picture_card(result, about or "a picture")
    if only is not None:
        return _alone(result, only)
    if isinstance(result, Sweep) and type(result) is Sweep:
        return _of_sweep(result, pictures)
    if not isinstance(result, Result | LinkResult):
        return Card(result._repr_html_(), str(result))
    links = result.links if isinstance(result, Result) else (result,)
    html = page(
        "card/links.html",
        title=result.title if isinstance(result, Result) else "",
        links=[_link_data(link, pictures) for link in links],
        cautions=result.cautions if isinstance(result, Result) else (),
    )
    return Card(html, "\n".join(f"{link.name}: {link.headline}" for link in links))


def _alone(result: Answer, only: str) -> Card:
    """One picture of an answer."""
    if isinstance(result, Result):
        result = result.links[0]
    kind = type(result).__name__
    home, words = _ONLY.get((kind, only), ("", ""))
    if not home:
        known = ", ".join(name for of, name in _ONLY if of == kind) or "none"
        raise ArgumentError(f"only = {only!r}: unknown picture of this {kind}; pictures: {known}")
    module, _, function = home.partition(":")
    draw = getattr(import_module(f"linkcalc.views.{module}"), function)
    drawn = draw(*result.directions) if only == "budget" and isinstance(result, LinkResult) else draw(result)
    return _picture_card(drawn, words)


def text_card(text: str, drawn: "Figure | None", words: str) -> str:
    """Return a card of an answer as its command prints it, with its picture."""
    return page("card/text.html", text=text.rstrip(), picture=_picture(drawn, words))


def _picture_card(drawn: "Figure", words: str) -> Card:
    return Card(page("card/picture.html", picture=_picture(drawn, words)), words)


def _picture(drawn: "Figure | None", words: str) -> dict[str, str] | None:
    """A picture as a template takes it, with words for who cannot see it."""
    if drawn is None:
        return None
    return {"words": words, "source": data_url("image/png", style.render(drawn, "png"))}


def _link_data(link: LinkResult, pictures: bool) -> dict[str, Any]:
    drawn = None
    if pictures:
        from linkcalc.views.check.figures import profile_figure

        drawn = profile_figure(link)
    ways = link.directions
    return {
        "name": link.name,
        "colour": style.VERDICT[link.verdict],
        "verdict": VERDICT_WORDS[link.verdict],
        "headline": link.headline,
        "path": path_words(link),
        "rows": [
            ("", [f"{d.from_} to {d.to}" for d in ways]),
            ("margin", [decibel_words(d.fade_margin_db) for d in ways]),
            ("required", [required_margin_words(d.required_margin_db) for d in ways]),
            ("such sites work", [probability_words(d.site_share) for d in ways]),
            ("messages arrive there", [probability_words(d.success_where_it_works) for d in ways]),
            ("time on air", [f"{1e3 * d.time_on_air_s:.0f} ms" for d in ways]),
            ("limiting factor", [d.limited_by for d in ways]),
        ],
        "first": f"{link.advice[0].text} ({EFFORT_WORDS[link.advice[0].effort]})" if link.advice else "",
        "warnings": link.warnings,
        "picture": _picture(drawn, f"{link.name}: the path in profile"),
    }


def _of_sweep(found: Sweep, pictures: bool) -> Card:
    from linkcalc.views.sweep.figures import sweep_figure
    from linkcalc.views.sweep.text import parameter_words, quantity_words, sweep_report, value_words

    quantity = "weaker_fade_margin_db"
    numbers = found[quantity]
    rows = [
        (
            parameter_words(found, name, unit=False),
            [f"{len(values)} values, {value_words(name, values[0])} to {value_words(name, values[-1])}"],
        )
        for name, values in ((name, found.coords[name].tolist()) for name in found.dims)
    ]
    low, high = (decibel_words(float(v)) for v in (numbers.min(), numbers.max()))
    closes = int((found["verdict"] == "closes").sum())
    html = page(
        "card/sweep.html",
        link=found.link,
        rows=[
            *rows,
            (quantity_words(found, quantity), [f"{low} to {high}"]),
            ("closes", [f"{closes} of {found.size}"]),
        ],
        quantities=QUANTITIES,
        picture=_picture(sweep_figure(found, quantity) if pictures else None, f"{found.link}: sweep"),
    )
    return Card(html, sweep_report(found, quantity).rstrip())
