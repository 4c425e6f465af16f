"""Drawings as parts of a page."""

import re
from html import escape

from markupsafe import Markup
from matplotlib.figure import Figure

from linkcalc.views import style
from linkcalc.views.html import typeset

_PROLOG = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_TITLE = re.compile(r"\s*<title>.*?</title>", re.DOTALL)
_STYLE = re.compile(r'\s*<defs>\s*<style type="text/css">\*\{([^}]*)\}</style>\s*</defs>')
_NAME = re.compile(r' id="([^"]*)"')
_USE = re.compile(r'(xlink:href="#|url\(#)([^")]*)')


def drawing(figure: Figure, name: str, label: str) -> Markup:
    """Render a figure into a page; as for `inline_svg`."""
    return inline_svg(style.render(figure, "svg"), name, label)


def inline_svg(picture: bytes, name: str, label: str) -> Markup:
    r"""Make a drawing part of a page: as wide as its place, its inner names kept apart from other drawings'.

    Inner names that nothing in the drawing uses are dropped; `name`, letters, stands before the others. `label` is
    what a screen reader says.

    >>> file = b'<?xml version="1.0"?>\n<svg width="9pt"><g id="a"/><g id="b"/><use xlink:href="#a"/></svg>'
    >>> print(inline_svg(file, "map", "A & B"))
    <svg role="img" aria-label="A &amp; B"><g id="map-a"/><g/><use xlink:href="#map-a"/></svg>
    """
    from markupsafe import Markup

    text = _PROLOG.sub("", picture.decode("utf-8"), count=1)
    text = _TITLE.sub("", _METADATA.sub("", text, count=1), count=1)
    # a rule on all elements, which a page has no use for: here it is the drawing's alone
    rule = _STYLE.search(text)
    look = f' style="{escape(rule[1])}"' if rule else ""
    text = _STYLE.sub("", text, count=1)
    for size in ("width", "height"):
        text = re.sub(rf'(<svg\b[^>]*?) {size}="[^"]*"', r"\1", text, count=1)
    used = {use[2] for use in _USE.finditer(text)}
    text = _NAME.sub(lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", text)
    text = _USE.sub(rf"\g<1>{name}-\g<2>", text)
    said = escape(typeset(label))
    return Markup(text.replace("<svg", f'<svg role="img" aria-label="{said}"{look}', 1).strip())
