"""Candidates side by side as a picture: what each has over its required margin, and how sure that is."""

import textwrap
from pathlib import Path

from matplotlib.figure import Figure

from linkcalc.sweeps.comparing import Candidates
from linkcalc.views import style
from linkcalc.views.canvas import write_each, write_facts, write_title
from linkcalc.views.check.remedies import money
from linkcalc.views.compare.text import candidate_words, weaker_margins_db
from linkcalc.views.words import VERDICTS_IN_TEXT

_KEY = "dot: predicted; bar: 90 % interval before anybody has measured; right of the line: closes"


def compare_figure(found: Candidates, link: str) -> Figure:
    rows = [r for r in found.rows if r.link == link]
    height = 2.0 + 0.62 * len(rows)
    with style.styled_figure(10.0, height) as figure:
        ax = figure.add_axes((0.33, 0.9 / height, 0.45, 1.0 - 1.8 / height))
        for y, row in enumerate(rows):
            colour = style.VERDICT[row.verdict]
            margin, spare = weaker_margins_db(row)
            low, high = (v - (margin - spare) for v in row.fade_margin_interval_db)
            ax.plot([low, high], [y, y], color=colour, lw=7, alpha=0.35, solid_capstyle="butt")
            ax.plot(spare, y, "o", color=colour, ms=9)
            parts = money(round(row.parts_cost), row.currency)
            words = f"{VERDICTS_IN_TEXT[row.verdict]}, {spare:+.1f} dB\nparts {parts}"
            beside = ax.get_yaxis_transform()
            ax.text(1.02, y, words.replace("-", "−"), va="center", size=style.TEXT_PT, transform=beside)
        ax.axvline(0.0, color=style.INK, lw=1.2)
        names = [textwrap.fill(style.drawable(candidate_words(r, found)), 42) for r in rows]
        ax.set_yticks(range(len(rows)), names, size=style.TEXT_PT)
        ax.set_ylim(len(rows) - 0.5, -0.5)
        ax.set_xlabel("margin over the required one, weaker direction, dB")
        ax.grid(axis="x")
        write_title(figure, 1.0 - 0.3 / height, f"Candidates for {link}")
        write_facts(figure, 1.0 - 0.62 / height, _KEY)
    return figure


def write_all(found: Candidates, folder: Path) -> list[Path]:
    """Write `<link>-compared.svg` and `.png` of each link; LinkcalcError if that cannot be."""
    named = [(name, name) for name in found.links]
    return write_each(folder, named, lambda link: compare_figure(found, link), "compared", "candidates")
