"""The one look of every picture: palette, type, sizes, and files with reproducible bytes.

Colours differ in lightness as well as in hue, and lines in dash pattern too, so that a grey print and a
colour-blind reader lose nothing. There is one accent, for what needs attention. matplotlib is imported
inside the functions: the palette alone costs nothing.
"""

import io
import os
import re
import unicodedata
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from linkcalc.files import atomic_write

if TYPE_CHECKING:
    from matplotlib.colors import Colormap
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
ACCENT: Final = "#9b3320"
"""Does not close: a shortfall, what blocks the ray, what is lost (37). Red means nothing else."""
CAUTION: Final = "#735105"
"""At risk: between good and bad (37)."""
POINT: Final = "#6f4a7e"
"""What is pointed at or stands beside, with no word on good or bad (37)."""

CLEARANCE: Final[dict[str, str]] = {"obstructed": ACCENT, "grazing": CAUTION, "clear": INK}
"""The worst point of a path, by how free it is."""

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

VERDICT: Final[dict[str, str]] = {"closes": RAY, "at_risk": CAUTION, "does_not_close": ACCENT}
"""Colour of each verdict: the same in pictures, pages and maps; terminals have the nearest of theirs."""

RECORD: Final[dict[str, str]] = VERDICT | {
    **{"ink": INK, "muted": "#4f5b64", "line": "#c3cad0", "tint": "#f1f4f6", "paper": PAPER},
}
"""Variables of the record's style sheet."""
SHEET: Final[dict[str, str]] = VERDICT | {
    **{"ink": "#1b262e", "muted": "#43505a", "line": "#b9c3ca", "tint": "#eef3f6", "paper": PAPER},
    # what is drawn on, and words on a verdict's colour, in the dark too
    **{"plain": PAPER, "focus": POINT, "link": RAY, "alarm": ACCENT},
}
"""Variables of the field sheet's, with more contrast: for a phone in the sun."""
SHEET_IN_THE_DARK: Final[dict[str, str]] = {
    **{"ink": "#eef3f6", "muted": "#c3ced6", "line": "#4a5963", "tint": "#25333d", "paper": "#10181e"},
    **{"focus": "#ffb59f", "link": "#9fd0f5", "alarm": "#ffb59f"},
}

LOSS: Final = "#ccd3d8"
"""Fill of a step down in a budget (84); a step up has the zone's outline."""

DASHED: Final[Any] = (0, (5, 2))
SHORT_DASHED: Final[Any] = (0, (4, 3))
DOTTED: Final[Any] = (0, (1.5, 1.5))
DASH_DOT: Final[Any] = (0, (6, 2, 1.5, 2))
LIMIT: Final[dict[str, Any]] = {"color": ACCENT, "lw": 1.1}
"""The receiver's limit, 0 dB of margin, in every plot of margins."""
REQUIRED: Final[dict[str, Any]] = {"color": INK, "lw": 1.1, "ls": DASHED}
"""The required margin, in every plot of margins."""

SERIES: Final[tuple[tuple[str, Any], ...]] = (
    (RAY, "-"),
    (POINT, DASHED),
    ("#3f8f83", DASH_DOT),
    ("#8a8f98", DOTTED),
    ("#b09dba", (0, (8, 3))),
)
"""Colour and dash pattern for lines that share a plot, most important first; none is a verdict's colour."""

SEQUENCE: Final = ("#eef3f6", "#c9dbe6", "#93b7cd", "#5a8bab", "#2a618a", "#123f63")
"""One hue from light to dark, for maps: lightness carries the value."""

BELOW: Final = ("#e3e5e6", PAPER)
"""Greys for margins below the receiver's limit, from there down."""

GROUND_LIGHT: Final = ("#b9b0a1", "#e9e4da", PAPER)
"""Bare ground, from shade to light."""
HATCH: Final = "#8b949b"
"""Hatching of land where nothing may stand (61)."""

MARGINS: Final = ("#fdf3d8", "#e3dcc0", "#bccac8", "#86adc5", "#5487ad", "#2b638f", "#0f3556")
"""Sand to blue, light to dark, for margins on maps: what is weak has another hue than shadow and paper."""

VERDICT_FILL: Final[dict[str, tuple[str, str, str]]] = {
    "closes": ("#5487ad", RAY, ""),
    "at_risk": ("#e6c987", CAUTION, "..."),
    "does_not_close": ("#f6e7e1", ACCENT, "////"),
}
"""Fill, ink and hatch of each verdict on a map; lightness 54, 82 and 93."""

VERDICT_TERMINAL: Final[dict[str, str]] = {
    "closes": "\x1b[1;34m",
    "at_risk": "\x1b[1;33m",
    "does_not_close": "\x1b[1;31m",
}
"""The nearest that every terminal has (ECMA-48): blue, yellow, red."""

FONT: Final = "DejaVu Sans"
"""Comes with matplotlib, so every machine draws the same; other scripts come from what is installed."""
TITLE_PT: Final = 12.0
TEXT_PT: Final = 9.0
SMALL_PT: Final = 8.0
TITLE: Final[dict[str, Any]] = {"size": TITLE_PT, "weight": "bold"}
UNDER: Final[dict[str, Any]] = {"size": TEXT_PT, "color": MUTED}
CAPTION: Final[dict[str, Any]] = {"size": SMALL_PT, "color": MUTED}
LINES: Final = {**CAPTION, "linespacing": 1.35}
"""A picture's title, the facts under it, the caption below, of one line or of several."""

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


def ramp(colours: Sequence[str]) -> "Colormap":
    """Colours that run evenly through a few, from 0 to 1."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("linkcalc", list(colours))


def halo(width_pt: float) -> list[Any]:
    """Paper round words or a line on a map, as path effects."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width_pt, foreground=PAPER)]


def css_variables(colours: Mapping[str, str]) -> str:
    """Return colours as the variables that the pages' style sheets use."""
    return " ".join(f"--{name}: {colour};" for name, colour in colours.items())


@contextmanager
def styled() -> Iterator[None]:
    """Apply our look, from matplotlib's own defaults, to all that is made or drawn inside.

    Figures made inside look right only if drawn inside too; `save` and `render` see to that themselves.

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
    """Return an empty figure on the Agg canvas: no pyplot, no window, no state kept."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=100)
    FigureCanvasAgg(figure)
    return figure


@contextmanager
def styled_figure(width_in: float, height_in: float) -> Iterator["Figure"]:
    """An empty figure, and our look for what is drawn into it inside."""
    with styled():
        yield new_figure(width_in, height_in)


def render(figure: "Figure", kind: str, title: str = "") -> bytes:
    """Return the figure as a file of a kind, "svg" or "png", the same bytes from run to run; `title` as of `save`."""
    metadata: dict[str, Any] = {"Software": "linkcalc"}
    if kind == "svg":
        metadata = {"Date": None, "Creator": "linkcalc", **({"Title": title} if title else {})}
    buffer = io.BytesIO()
    with styled():
        _finish(figure)
        figure.savefig(buffer, format=kind, dpi=PNG_DPI, metadata=metadata)
    return buffer.getvalue()


def save(figure: "Figure", path_stem: str | os.PathLike[str], title: str = "") -> list[Path]:
    """Write `<path_stem>.svg` and `.png`, each whole or not at all; `title`: what a screen reader calls it."""
    stem = Path(path_stem)
    written = []
    for kind in ("svg", "png"):
        path = stem.with_name(f"{stem.name}.{kind}")
        atomic_write(path, render(figure, kind, title))
        written.append(path)
    return written


def slug(name: str) -> str:
    """Return `name` as a file name part: lower-case letters and digits of any script, hyphens, 120 bytes at most."""
    kept = []
    for c in unicodedata.normalize("NFC", name).lower():
        plain = unicodedata.normalize("NFKD", c).encode("ascii", "ignore").decode()
        kept.append(plain or (c if unicodedata.category(c)[0] in "LNM" else "-"))
    text = re.sub(r"[\x00-\x2f\x3a-\x60\x7b-\x7f]+|-+", "-", "".join(kept)).strip("-")[:60]
    return text.encode()[:120].decode(errors="ignore").rstrip("-") or "unnamed"


def unique_slugs(names: Iterable[str]) -> list[str]:
    """Return a slug for each name, numbered where two would be the same file."""
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
    """Return `text` with line breaks, and characters that no installed font has, replaced."""
    shown = []
    for c in unicodedata.normalize("NFC", text):
        if not c.isspace() and family_with(c) is None:
            if unicodedata.category(c)[0] in "LNM":
                _boxes.setdefault(c, False)
            c = "□"
        shown.append(" " if c.isspace() else c)
    return "".join(shown)


_boxes: dict[str, bool] = {}
"""Letters that were drawn as boxes, and whether a note has named them."""


def families(text: str) -> list[str]:
    """Return the fonts that draw a text: ours, and others for the characters that it lacks."""
    return list(dict.fromkeys([FONT, *(family for c in set(text) if (family := family_with(c)))]))


@cache
def family_with(character: str) -> str | None:
    """Return the font that has a character: ours, else the first by name of those installed; None if none has."""
    if ord(character) in _glyphs():
        return FONT
    return next((family for family, path in _installed() if ord(character) in _glyphs(path)), None)


_NO_SCRIPT: Final = ("Last Resort", "STIX", "cm")
"""Fonts that come with matplotlib for boxes and formulas, in orders of their own."""


@cache
def _installed() -> list[tuple[str, str]]:
    """Families that are installed and a file of each, the plainest cut."""
    from matplotlib import font_manager

    fonts = sorted(
        (f.name, f.style != "normal", str(f.weight) not in ("400", "normal"), f.fname)
        for f in font_manager.fontManager.ttflist
        if not f.name.startswith(_NO_SCRIPT)
    )
    return list({name: path for name, _, _, path in reversed(fonts)}.items())[::-1]


@cache
def _glyphs(path: str | None = None) -> frozenset[int]:
    from matplotlib import font_manager

    try:
        return frozenset(font_manager.get_font(path or font_manager.findfont(FONT)).get_charmap())
    except (OSError, RuntimeError):  # listed, but gone or damaged
        return frozenset()


def _finish(figure: "Figure") -> None:
    """Put axes and texts into the units in force, and give them the fonts that have their characters.

    One note tells of characters that no font has.
    """
    from matplotlib.text import Text

    from linkcalc.views import units

    if units.current() != "metric":
        for ax in figure.axes:
            for axis in (ax.xaxis, ax.yaxis):
                units.scale_axis(axis)
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        words = units.words(text.get_text())
        text.set_text(words)
        if not words.isascii():
            text.set_text("\n".join(map(drawable, words.split("\n"))))
            text.set_fontfamily(families(words))
    untold = [c for c, told in _boxes.items() if not told]
    if untold:
        _boxes.update(dict.fromkeys(untold, True))
        warnings.warn(
            f"no installed font has {''.join(untold[:12])}{'…' if untold[12:] else ''}: drawn as boxes; installing a "
            "font of that script cures it",
            stacklevel=2,
        )
