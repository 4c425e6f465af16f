"""When a message arrives: the share delivered by a time, each message a line that ends at what is lost."""

import re
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from linkcalc.operation.messages import MessageAnswer, MessagesSection, often_words
from linkcalc.views import canvas, style
from linkcalc.views.messages.text import delay_words, duration_words, name_words, odds_words, share_words
from linkcalc.views.words import decibel_words

_AT_THE_END: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "ha": "right", "va": "top"}
_SHARED = "Tries share the slow state of the link: a shadowed link is not made good by asking again. "
_BOUND = "Dashed: as if each try had a state of its own, the optimistic bound. "
_NOT_SAFE = (
    "A radio link is not a safety function: fit independent hard-wired stops. Automatic start, transfer switching and "
    "wiring are for licensed people under local codes."
)


def delay_figure(message: MessageAnswer) -> Figure:
    lost = often_words(message.loss_working_site, "lost")
    tries = "one try" if message.tries == 1 else f"{message.tries} tries"
    margin = canvas.true_minus(decibel_words(message.fade_margin_db))
    facts = (
        f"{message.from_} to {message.to}, {tries}, fade margin {margin}; chance that it works"
        f" {share_words(message.working_chance)}, that it is dead {odds_words(message.dead_chance)}"
    )
    facts = f"{facts}\n{delay_words(message)}"
    caption = _SHARED + (_BOUND if message.tries > 1 else "") + _NOT_SAFE
    with style.styled_figure(*style.TALL_IN) as figure:
        draw_delay(figure.add_axes((0.125, 0.19, 0.84, 0.64)), message)
        canvas.write_title(figure, 0.955, f"{name_words(message)}: {lost} where it works")
        canvas.write_facts(figure, 0.895, _raised(facts))
        canvas.write_caption(figure, caption, lines=3)
    return figure


def draw_delay(ax: Axes, message: MessageAnswer) -> Axes:
    """Draw the share of messages not yet delivered, on a logarithmic scale, against seconds or minutes."""
    curve = message.delay.drawing
    time_s = np.array(curve.time_s)
    minutes = time_s[-1] > 180.0
    unit = 60.0 if minutes else 1.0
    # The optimistic bound may lie far below: it leaves the picture before it makes it flat.
    smallest = max(message.loss_independent_tries, 0.03 * message.loss, 1e-12)
    floor = 10.0 ** np.floor(np.log10(smallest) - 0.35)
    ax.set_yscale("log")
    ax.set_ylim(floor, 1.6)
    ax.set_xlim(0.0, time_s[-1] / unit)
    ax.grid(True)
    missing, optimistic = (np.maximum(1.0 - np.array(c), 1e-16) for c in (curve.delivered, curve.independent))
    if message.tries > 1:
        ax.plot(time_s / unit, optimistic, color=style.FRESNEL_EDGE, ls=style.DASHED, lw=1.2, zorder=3)
        apart = 10.0 ** (0.11 * np.log10(1.6 / floor))
        if floor < message.loss_independent_tries < message.loss / apart:
            words = _raised(f"were tries independent: {odds_words(message.loss_independent_tries)}")
            at = 1.0, message.loss_independent_tries
            # under its line, but for one that has no room above the axis
            low = message.loss_independent_tries < floor * apart
            look = _AT_THE_END | {"va": "bottom" if low else "top"}
            canvas.write_note(
                ax, words, at, (-6, 5 if low else -5), paper=0.15, zorder=6, **look, **style.CAPTION
            )
    ax.plot(time_s / unit, missing, color=style.RAY, lw=2.2, zorder=4)
    ax.axhline(message.loss, color=style.ACCENT, lw=1.0, ls=style.SHORT_DASHED, zorder=2)
    if message.loss >= 1e-9:  # the title says it when it is less
        words, look = (
            _raised(f"lost after all tries: {odds_words(message.loss)}"),
            style.UNDER | {"color": style.ACCENT},
        )
        canvas.write_note(
            ax, words, (1.0, message.loss), (-6, -5), paper=0.15, zorder=3, **_AT_THE_END, **look
        )
    _quantiles(ax, message, unit, floor)
    # Plain words: the house style draws no mathematical type.
    ax.yaxis.set_major_formatter(FuncFormatter(lambda share, _: _share_words(share)))
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("Time since the message was due, " + ("min" if minutes else "s"))
    ax.set_ylabel("Share not yet delivered")
    return ax


def _share_words(share: float) -> str:
    """A whole power of ten in few characters."""
    power = round(np.log10(share))
    return f"{100.0 * 10.0**power:g} %" if power >= -4 else _raised(f"1 in 10^{-power}")


def _raised(words: str) -> str:
    """Powers of ten as they are printed."""
    return re.sub(r"\^(\d+)", lambda m: m[1].translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")), words)


def _quantiles(ax: Axes, message: MessageAnswer, unit: float, floor: float) -> None:
    """Mark by when 95 and 99 % are delivered."""
    marks = [(message.delay.p95_s, 0.05, "95 %"), (message.delay.p99_s, 0.01, "99 %")]
    for time_s, missing, words in marks:
        if time_s is None or missing <= floor or missing < 2.5 * message.loss:
            continue  # too near the line of what is lost; the caption has it
        ax.plot(time_s / unit, missing, "o", color=style.RAY, ms=5, zorder=5)
        left = time_s / unit > 0.6 * ax.get_xlim()[1]
        canvas.write_beside(
            ax, f"{words} delivered within {duration_words(time_s)}", (time_s / unit, missing),
            (8, -4 if left else 4), left=left, va="top" if left else "bottom", size=style.SMALL_PT,
            color=style.INK, paper=0.15, zorder=6,
        )  # fmt: skip


def write_all(section: MessagesSection, out_dir: Path) -> list[Path]:
    """Write `<message>-delay.svg` and `.png` of every message; LinkcalcError if that cannot be."""
    named = [(message.name, message) for message in section.messages]
    return canvas.write_each(out_dir, named, delay_figure, "delay", "delay of delivery")
