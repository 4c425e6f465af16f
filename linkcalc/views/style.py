"""The one look of every picture: palette, type, sizes, and files with reproducible bytes.

Colours differ in lightness as well as in hue, and lines in dash pattern too, so that a grey print and a
colour-blind reader lose nothing. There is one accent, for what needs attention. matplotlib is imported
inside the functions: the palette alone costs nothing.
"""

import io
import os
import re
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from linkcalc.files import atomic_write

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PAPER: Final = "#ffffff"
INK: Final = "#22303a"
"""Text and frames (lightness 19)."""
MUTED: Final = "#5d6a74"
"""Secondary text (44)."""
HAIRLINE: Final = "#d5dade"
"""Grid lines (87)."""

RAY: Final = "#12466e"
"""The link itself: ray, margin, level (28)."""
FRESNEL: Final = "#dbe7ef"
"""Fill of the first Fresnel zone (91)."""
FRESNEL_EDGE: Final = "#6f9ab8"
"""Its outline (61)."""
ACCENT: Final = "#b3412b"
"""What needs attention: the worst point, a shortfall (41)."""
CAUTION: Final = "#956b13"
"""Between good and bad (48)."""

GROUND: Final = "#d3cabb"
"""Fill of the ground (81)."""
GROUND_EDGE: Final = "#75674f"
"""Its surface line (44)."""
CLUTTER: Final[dict[str, tuple[str, str, str]]] = {
    "trees": ("#a9bda4", "#45633f", ".."),
    "building": ("#b9c0c8", "#4a545e", "////"),
    "tank": ("#e4dccb", "#6a5a3c", "---"),
}
"""Fill, edge and hatch of what stands on the ground, by kind."""

VERDICT: Final[dict[str, tuple[str, str]]] = {
    "closes": (RAY, "CLOSES"),
    "at_risk": (CAUTION, "AT RISK"),
    "does_not_close": (ACCENT, "DOES NOT CLOSE"),
}
"""Colour and words of each verdict."""

SERIES: Final[tuple[tuple[str, Any], ...]] = (
    (RAY, "-"),
    (ACCENT, (0, (5, 2))),
    (CAUTION, (0, (6, 2, 1.5, 2))),
    ("#6b8f8a", (0, (1.5, 1.5))),
    ("#9aa1a8", (0, (8, 3))),
)
"""Colour and dash pattern for lines that share a plot, most important first."""

SEQUENCE: Final = ("#eef3f6", "#c9dbe6", "#93b7cd", "#5a8bab", "#2a618a", "#123f63")
"""One hue from light to dark, for maps: lightness carries the value."""

FONT: Final = "DejaVu Sans"
"""Comes with matplotlib, so every machine draws the same."""
TITLE_PT: Final = 12.0
TEXT_PT: Final = 9.0
SMALL_PT: Final = 8.0

WIDE_IN: Final = (10.0, 5.2)
"""A path profile: full text width of a landscape page."""
TALL_IN: Final = (8.0, 6.0)
"""A plot that is read vertically."""
PNG_DPI: Final = 150

_RC: Final[dict[str, Any]] = {
    "font.family": [FONT],
    "font.size": TEXT_PT,
    "text.color": INK,
    "text.parse_math": False,  # a dollar sign in a station's name is a dollar sign
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.titlesize": TITLE_PT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": TEXT_PT,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.prop_cycle": f"cycler('color', {[colour for colour, _ in SERIES]})",
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": (-6, 7),
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.6,
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "svg.hashsalt": "linkcalc",
    "svg.fonttype": "path",  # text keeps its measured width whatever fonts the viewer has
}


@contextmanager
def styled() -> Iterator[None]:
    """Apply our look, from matplotlib's own defaults, to all that is made or drawn inside.

    Figures made inside look right only if drawn inside too; `save` and `render` see to that themselves.

    Examples
    --------
    >>> with styled():
    ...     figure = new_figure(6, 4)
    >>> figure.get_size_inches().tolist()
    [6.0, 4.0]
    """
    import matplotlib as mpl

    # The user's own matplotlibrc must not change our bytes; the backend is never touched.
    settings: dict[Any, Any] = {k: v for k, v in mpl.rcParamsDefault.items() if k not in _NOT_LOOKS}
    settings.update(_RC)
    with mpl.rc_context(settings):
        yield


_NOT_LOOKS = frozenset({"backend", "backend_fallback", "interactive", "toolbar", "timezone", "webagg.port"})


def new_figure(width_in: float, height_in: float) -> "Figure":
    """Return an empty figure on the Agg canvas: no pyplot, no window, no state kept.

    Parameters
    ----------
    width_in, height_in : float, inches

    Examples
    --------
    >>> type(new_figure(4, 3).canvas).__name__
    'FigureCanvasAgg'
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=100)
    FigureCanvasAgg(figure)
    return figure


def render(figure: "Figure", kind: str, title: str = "") -> bytes:
    """Return the figure as the bytes of an SVG or a PNG file, equal from run to run.

    Parameters
    ----------
    figure : Figure
    kind : str
        "svg" or "png".
    title : str
        What an SVG viewer or a screen reader calls the picture.

    Examples
    --------
    >>> render(new_figure(2, 1), "png")[1:4]
    b'PNG'
    """
    metadata: dict[str, Any] = {"Software": None}
    if kind == "svg":
        metadata = {"Date": None, "Creator": "linkcalc", **({"Title": title} if title else {})}
    buffer = io.BytesIO()
    with styled():
        figure.savefig(buffer, format=kind, dpi=PNG_DPI, metadata=metadata)
    return buffer.getvalue()


def save(figure: "Figure", path_stem: str | os.PathLike[str], title: str = "") -> list[Path]:
    """Write `<path_stem>.svg` and `<path_stem>.png`, each whole or not at all.

    Parameters
    ----------
    figure : Figure
    path_stem : path
        The files' path without extension; its folder exists.
    title : str
        What an SVG viewer or a screen reader calls the picture.

    Returns
    -------
    list of Path
        The two files written.

    Raises
    ------
    LinkcalcError
        If a file cannot be written; the text is one line that names it.
    """
    stem = Path(path_stem)
    written = []
    for kind in ("svg", "png"):
        path = stem.with_name(f"{stem.name}.{kind}")
        atomic_write(path, render(figure, kind, title))
        written.append(path)
    return written


def slug(name: str) -> str:
    """Return `name` as a short file name part: lower-case ASCII letters, digits and hyphens.

    Examples
    --------
    >>> slug("Tank 3 → Pump/Shed (Süd)")
    'tank-3-pump-shed-sud'
    >>> slug("水")
    'unnamed'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].rstrip("-") or "unnamed"


def unique_slugs(names: Iterable[str]) -> list[str]:
    """Return a slug for each name, numbered where two would be the same file.

    Examples
    --------
    >>> unique_slugs(["Tank 1", "tank-1", "shed"])
    ['tank-1', 'tank-1-2', 'shed']
    """
    slugs: list[str] = []
    for name in names:
        base = candidate = slug(name)
        number = 2
        while candidate in slugs:
            candidate = f"{base}-{number}"
            number += 1
        slugs.append(candidate)
    return slugs


def drawable(text: str) -> str:
    """Return `text` with characters our font has no glyph for, and line breaks, replaced.

    Examples
    --------
    >>> drawable("Süd-Tank 水")
    'Süd-Tank □'
    """
    known = _glyphs()
    return "".join(
        " " if c.isspace() else c if ord(c) in known else "□" for c in unicodedata.normalize("NFC", text)
    )


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib import font_manager

    font = font_manager.get_font(font_manager.findfont(FONT))
    return frozenset(font.get_charmap())
