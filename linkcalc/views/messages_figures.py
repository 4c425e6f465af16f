"""When a message arrives: the share delivered by a time, each message a line that ends at what is lost."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FuncFormatter, NullFormatter

from linkcalc.errors import LinkcalcError
from linkcalc.operation.messages import MessageAnswer, MessagesSection, often_words
from linkcalc.views import style
from linkcalc.views.messages_text import delay_words, duration_words, name_words, odds_words, share_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def delay_figure(message: MessageAnswer) -> "Figure":
    """Draw the share of messages not yet delivered against time, with title and caption.

    Parameters
    ----------
    message : MessageAnswer

    Returns
    -------
    Figure
        Save it with `linkcalc.views.style.save`.
    """
    with style.styled():
        figure = style.new_figure(*style.TALL_IN)
        ax = figure.add_axes((0.125, 0.19, 0.84, 0.64))
        draw_delay(ax, message)
        figure.text(
            0.02,
            0.955,
            style.drawable(
                f"{name_words(message)}: {often_words(message.loss_working_site, 'lost')} where it works"
            ),
            size=style.TITLE_PT,
            weight="bold",
            va="center",
        )
        tries = "one try" if message.tries == 1 else f"{message.tries} tries"
        figure.text(
            0.02,
            0.895,
            style.drawable(
                f"{message.from_} to {message.to}, {tries}, fade margin {message.fade_margin_db:.1f} dB;"
                f" chance that it works {share_words(message.working_chance)}, that it is dead"
                f" {odds_words(message.dead_chance)}"
            )
            + "\n"
            + delay_words(message),
            size=style.TEXT_PT,
            color=style.MUTED,
            va="center",
        )
        dashed = " Dashed: as if each try had a\nstate of its own, the optimistic bound."
        figure.text(
            0.02,
            0.02,
            "Tries share the slow state of the link: a shadowed link is not made good by asking again."
            + (dashed if message.tries > 1 else "\n")
            + " A radio link is not a safety function: fit independent hard-wired stops.\n"
            "Automatic start, transfer switching and wiring are for licensed people under local codes.",
            size=style.SMALL_PT,
            color=style.MUTED,
            va="bottom",
        )
    return figure


def draw_delay(ax: "Axes", message: MessageAnswer) -> "Axes":
    """Draw the share of messages not yet delivered, on a logarithmic scale.

    Parameters
    ----------
    ax : Axes
    message : MessageAnswer

    Returns
    -------
    Axes
        The same; time in seconds or minutes.
    """
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
        ax.plot(time_s / unit, optimistic, color=style.FRESNEL_EDGE, ls=(0, (5, 2)), lw=1.2, zorder=3)
        apart = 10.0 ** (0.11 * np.log10(1.6 / floor))
        if floor < message.loss_independent_tries < message.loss / apart:
            ax.annotate(
                f"were tries independent: {odds_words(message.loss_independent_tries)}",
                (1.0, message.loss_independent_tries),
                xycoords=("axes fraction", "data"),
                xytext=(-6, -5),
                textcoords="offset points",
                ha="right",
                va="top",
                size=style.SMALL_PT,
                color=style.MUTED,
                bbox={"boxstyle": "round,pad=0.15", "fc": style.PAPER, "ec": "none"},
                zorder=6,
            )
    ax.plot(time_s / unit, missing, color=style.RAY, lw=2.2, zorder=4)
    ax.axhline(message.loss, color=style.ACCENT, lw=1.0, ls=(0, (4, 3)), zorder=2)
    if message.loss >= 1e-9:  # the title says it when it is less
        _lost_label(ax, message)
    _quantiles(ax, message, unit, floor)
    # Plain words: the house style draws no mathematical type.
    ax.yaxis.set_major_formatter(FuncFormatter(lambda share, _: _share_words(share)))
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("Time since the message was due, " + ("min" if minutes else "s"))
    ax.set_ylabel("Share not yet delivered")
    return ax


def _lost_label(ax: "Axes", message: MessageAnswer) -> None:
    ax.annotate(
        f"lost after all tries: {odds_words(message.loss)}",
        (1.0, message.loss),
        xycoords=("axes fraction", "data"),
        xytext=(-6, -5),
        textcoords="offset points",
        ha="right",
        va="top",
        size=style.TEXT_PT,
        color=style.ACCENT,
        bbox={"boxstyle": "round,pad=0.15", "fc": style.PAPER, "ec": "none"},
        zorder=3,
    )


def _share_words(share: float) -> str:
    """A whole power of ten in few characters."""
    power = round(np.log10(share))
    return f"{100.0 * 10.0**power:g} %" if power >= -4 else f"1 in 10^{-power}"


def _quantiles(ax: "Axes", message: MessageAnswer, unit: float, floor: float) -> None:
    """Mark by when 95 and 99 % are delivered."""
    marks = [(message.delay.p95_s, 0.05, "95 %"), (message.delay.p99_s, 0.01, "99 %")]
    for time_s, missing, words in marks:
        if time_s is None or missing <= floor or missing < 2.5 * message.loss:
            continue  # too near the line of what is lost; the caption has it
        ax.plot(time_s / unit, missing, "o", color=style.RAY, ms=5, zorder=5)
        left = time_s / unit > 0.6 * ax.get_xlim()[1]
        ax.annotate(
            f"{words} delivered within {duration_words(time_s)}",
            (time_s / unit, missing),
            xytext=(-8 if left else 8, -4 if left else 4),
            textcoords="offset points",
            ha="right" if left else "left",
            va="top" if left else "bottom",
            size=style.SMALL_PT,
            color=style.INK,
            bbox={"boxstyle": "round,pad=0.15", "fc": style.PAPER, "ec": "none"},
            zorder=6,
        )


def write_all(section: MessagesSection, out_dir: str | os.PathLike[str]) -> list[Path]:
    """Write the picture of every message, as SVG and PNG.

    Parameters
    ----------
    section : MessagesSection
    out_dir : path
        Made if missing. Files: `<message>-delay.svg` and `.png`.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    LinkcalcError
        If the folder cannot be made; the text is one line that names it.
    """
    folder = Path(out_dir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LinkcalcError(f"{folder}: cannot be made: {error.strerror or error}") from None
    files: list[Path] = []
    slugs = style.unique_slugs(m.name for m in section.messages)
    for message, slug in zip(section.messages, slugs, strict=True):
        files += style.save(
            delay_figure(message), folder / f"{slug}-delay", title=f"{message.name}: delay of delivery"
        )
    return files
