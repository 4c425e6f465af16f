"""What a notebook shows of a result: a card with the verdict, and the path as a picture."""

import base64
from dataclasses import dataclass
from html import escape
from importlib import import_module
from typing import TYPE_CHECKING

from linkcalc.answer import Answer
from linkcalc.errors import ArgumentError
from linkcalc.link.result import Direction, LinkResult, Result
from linkcalc.sweeps.table import QUANTITIES, Sweep
from linkcalc.views import style
from linkcalc.views.text import EFFORT_WORDS
from linkcalc.views.words import decibel_words, path_words, probability_words, required_margin_words

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
    ("LinkResult", "profile"): ("figures:profile_figure", "the path in profile"),
    ("LinkResult", "budget"): ("figures:budget_figure", "the budget, both directions"),
    ("LinkResult", "height"): ("figures:height_figure", "margin against the height of the far antenna"),
    ("TankAnswer", "cycle"): ("tank_figures:cycle_figure", "the level over a filling with a lost stop"),
    ("Survey", "margin"): ("survey_figures:margin_figure", "readings, and the margin before and after them"),
    ("Survey", "spots"): ("survey_figures:spots_figure", "margin at the spots that were tried"),
}


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
    >>> from linkcalc.sample_files import sample_path
    >>> from linkcalc.sweeps.sweeping import sweep_plan
    >>> card = show(sweep_plan(load_plan(sample_path("plain")), {"sf": [7, 8]}), pictures=False)
    >>> print(str(card).splitlines()[0])
    level and pump permit: 2 combinations
    """
    if not isinstance(result, Answer):
        if hasattr(result, "savefig"):
            return Card(picture(style.render(result, "png"), about), about or "a picture")
        raise ArgumentError(f"show takes an answer, such as check returns; not {type(result).__name__}")
    if only is not None:
        return _alone(result, only)
    if isinstance(result, Sweep) and type(result) is Sweep:
        return _of_sweep(result, pictures)
    if not isinstance(result, Result | LinkResult):
        return Card(result._repr_html_(), str(result))
    links = result.links if isinstance(result, Result) else (result,)
    parts = [_of_link(link, pictures) for link in links]
    if isinstance(result, Result):
        if result.title:
            parts.insert(0, f'<div style="font-weight:bold">{escape(result.title)}</div>')
        parts += [f'<div style="{_SMALL}">{escape(caution)}</div>' for caution in result.cautions]
    return Card(framed(parts), "\n".join(f"{link.name}: {link.headline}" for link in links))


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
    return Card(picture(style.render(drawn, "png"), words), words)


_SMALL = f"color:{style.MUTED};font-size:85%;margin-top:.3em"
_CELL = f"text-align:left;padding:.1em 1.2em .1em 0;color:{style.INK};background:{style.PAPER}"


def framed(parts: list[str]) -> str:
    """Put parts of a card into its frame."""
    look = (
        f"border:1px solid {style.HAIRLINE};padding:.8em 1em;max-width:62em;"
        f"color:{style.INK};background:{style.PAPER}"
    )
    return f'<div style="{look}">{"".join(parts)}</div>'


def _of_link(link: LinkResult, pictures: bool) -> str:
    colour, word = style.VERDICT[link.verdict]
    badge = f"color:{style.PAPER};background:{colour};padding:.1em .5em;font-weight:bold"
    parts = [
        f'<div style="margin-top:.6em"><span style="{badge}">{word}</span> <b>{escape(link.name)}</b></div>',
        f'<div style="margin-top:.3em">{escape(link.headline)}</div>',
        f'<div style="{_SMALL}">{escape(path_words(link))}</div>',
        _directions(link.directions),
    ]
    if link.advice:
        first = link.advice[0]
        words = f"{first.text} ({EFFORT_WORDS[first.effort]})"
        parts.append(f'<div style="margin-top:.3em"><b>First:</b> {escape(words)}</div>')
    parts += [f'<div style="{_SMALL}">{escape(words)}</div>' for words in link.warnings]
    if pictures:
        from linkcalc.views.figures import profile_figure

        parts.append(picture(style.render(profile_figure(link), "png"), f"{link.name}: the path in profile"))
    return "".join(parts)


def _directions(directions: tuple[Direction, ...]) -> str:
    rows = [
        ("", [f"{d.from_} to {d.to}" for d in directions]),
        ("margin", [decibel_words(d.fade_margin_db) for d in directions]),
        ("required", [required_margin_words(d.required_margin_db) for d in directions]),
        ("such sites work", [probability_words(d.site_share) for d in directions]),
        ("messages arrive there", [probability_words(d.success_where_it_works) for d in directions]),
        ("time on air", [f"{1e3 * d.time_on_air_s:.0f} ms" for d in directions]),
        ("limiting factor", [d.limited_by for d in directions]),
    ]
    return _table(rows)


def _of_sweep(found: Sweep, pictures: bool) -> Card:
    from linkcalc.views.sweep_text import parameter_words, quantity_words, sweep_report, value_words

    quantity = "weaker_fade_margin_db"
    numbers, verdicts = found[quantity], found["verdict"]
    rows = [
        (
            parameter_words(found, name, unit=False),
            [f"{len(values)} values, {value_words(name, values[0])} to {value_words(name, values[-1])}"],
        )
        for name, values in ((name, found.coords[name].tolist()) for name in found.dims)
    ]
    low, high = (f"{decibel_words(float(v))}" for v in (numbers.min(), numbers.max()))
    rows += [
        (quantity_words(found, quantity), [f"{low} to {high}"]),
        ("closes", [f"{int((verdicts == 'closes').sum())} of {found.size}"]),
    ]
    parts = [f"<div><b>{escape(found.link)}</b></div>", _table(rows)]
    parts.append(f'<div style="{_SMALL}">Holds {escape(", ".join(QUANTITIES))}.</div>')
    if pictures:
        from linkcalc.views.sweep_figures import sweep_figure

        parts.append(picture(style.render(sweep_figure(found, quantity), "png"), f"{found.link}: sweep"))
    return Card(framed(parts), sweep_report(found, quantity).rstrip())


def _table(rows: list[tuple[str, list[str]]]) -> str:
    lines = []
    for name, cells in rows:
        head = f'<th scope="row" style="{_CELL};font-weight:normal;color:{style.MUTED}">{escape(name)}</th>'
        body = "".join(f'<td style="{_CELL}">{escape(cell)}</td>' for cell in cells)
        lines.append(f'<tr style="background:{style.PAPER}">{head}{body}</tr>')
    return f'<table style="border-collapse:collapse;font-size:inherit;margin:.4em 0">{"".join(lines)}</table>'


def picture(png: bytes, words: str) -> str:
    """Put a picture into a card, with words for who cannot see it."""
    data = base64.b64encode(png).decode("ascii")
    look = "max-width:100%;margin-top:.4em"
    return f'<img alt="{escape(words)}" style="{look}" src="data:image/png;base64,{data}">'
