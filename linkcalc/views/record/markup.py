"""HTML made of parts that escape themselves: text is never taken for markup."""

import re
import unicodedata
from collections.abc import Iterable
from html import escape

from linkcalc.views import units
from linkcalc.views.page import TOGETHER


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


Child = str | Html | Iterable["Child"] | None

_EMPTY = frozenset({"br", "col", "hr", "img", "input", "link", "meta"})
NO_BREAK = "\u00a0"


def shown(text: str) -> str:
    r"""Escape text for a page, without what would change how the text around it reads.

    A figure and its unit are kept on one line.

    >>> shown('<b>"tank"\u202e & co'), shown("of 20 dB")
    ('&lt;b&gt;&quot;tank&quot; &amp; co', 'of 20\xa0dB')
    """
    plain = "".join(" " if c.isspace() and c != NO_BREAK else c for c in unicodedata.normalize("NFC", text))
    plain = "".join(c for c in plain if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co"))
    return escape(TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), plain))


def h(tag: str, *children: Child, **attributes: str | int | None) -> Html:
    """Make an element; text among its children is escaped, `Html` is not.

    Attributes that Python reserves take a trailing underscore; those that are None are left out.

    >>> print(h("p", "1 < 2, ", h("b", "tank"), class_="note", title='"'))
    <p class="note" title="&quot;">1 &lt; 2, <b>tank</b></p>
    >>> print(h("br"))
    <br>
    """
    said = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{shown(str(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    if tag in _EMPTY:
        return Html(f"<{tag}{said}>")
    return Html(f"<{tag}{said}>{joined(children)}</{tag}>")


def joined(children: Child) -> Html:
    """Markup of several parts in a row.

    >>> print(joined(["a & b", h("i", "c"), None]))
    a &amp; b<i>c</i>
    """
    if children is None:
        return Html("")
    if isinstance(children, Html):
        return children
    if isinstance(children, str):
        return Html(shown(units.words(children)))
    return Html("".join(joined(child) for child in children))


_PROLOG = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_TITLE = re.compile(r"\s*<title>.*?</title>", re.DOTALL)
_STYLE = re.compile(r'\s*<defs>\s*<style type="text/css">\*\{([^}]*)\}</style>\s*</defs>')
_NAME = re.compile(r' id="([^"]*)"')
_USE = re.compile(r'(xlink:href="#|url\(#)([^")]*)')


def inline_svg(picture: bytes, name: str, label: str) -> Html:
    r"""Make a drawing part of a page: as wide as its place, its inner names kept apart from other drawings'.

    Inner names that nothing in the drawing uses are dropped.

    Parameters
    ----------
    picture : bytes
        An SVG file of `linkcalc.views.style.render`.
    name : str
        Prefix of its inner names; letters.
    label : str
        What a screen reader says.

    Examples
    --------
    >>> file = b'<?xml version="1.0"?>\n<svg width="9pt"><g id="a"/><g id="b"/><use xlink:href="#a"/></svg>'
    >>> print(inline_svg(file, "map", "A & B"))
    <svg role="img" aria-label="A &amp; B"><g id="map-a"/><g/><use xlink:href="#map-a"/></svg>
    """
    text = _PROLOG.sub("", picture.decode("utf-8"), count=1)
    text = _TITLE.sub("", _METADATA.sub("", text, count=1), count=1)
    # a rule on all elements, which a page has no use for: here it is the drawing's alone
    rule = _STYLE.search(text)
    style = f' style="{escape(rule[1])}"' if rule else ""
    text = _STYLE.sub("", text, count=1)
    for size in ("width", "height"):
        text = re.sub(rf'(<svg\b[^>]*?) {size}="[^"]*"', r"\1", text, count=1)
    used = {use[2] for use in _USE.finditer(text)}
    text = _NAME.sub(lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", text)
    text = _USE.sub(rf"\g<1>{name}-\g<2>", text)
    return Html(text.replace("<svg", f'<svg role="img" aria-label="{shown(label)}"{style}', 1).strip())
