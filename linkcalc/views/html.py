"""Pages of HTML from the templates in `templates/`: what is put into one is never taken for markup.

It is typeset on its way: in the units in force, a figure beside its unit, a negative figure with a real minus sign.
A template's own words stand as they are.
"""

import re
import unicodedata
from base64 import b64encode
from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any

from linkcalc.views import style, units
from linkcalc.views.page import NO_BREAK, TOGETHER

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup
    from matplotlib.figure import Figure

_UNSEEN = ("Cc", "Cf", "Cs", "Co")
"""Categories of characters that would change how the text around them reads."""


def page(template: str, **filled: Any) -> str:
    """Fill in a template of `templates/`: text is escaped, `markupsafe.Markup` is not."""
    return _environment().get_template(template).render(**filled)


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context

    environment = Environment(
        loader=PackageLoader("linkcalc.views"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        # with the context, so that constants of a template are not typeset once for all units
        finalize=pass_context(lambda _, value: typeset(value)),
    )
    environment.globals["style"] = style
    environment.policies["json.dumps_kwargs"] = {"ensure_ascii": True, "separators": (",", ":")}
    return environment


def typeset(value: Any) -> Any:
    """Set text for a page; what is not text, or is markup already, stays as it is."""
    if value is None:
        return ""
    if not isinstance(value, str) or hasattr(value, "__html__"):
        return value
    text = unicodedata.normalize("NFC", units.words(value))
    text = "".join(" " if c.isspace() and c != NO_BREAK else c for c in text)
    text = "".join(c for c in text if unicodedata.category(c) not in _UNSEEN)
    return TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), minus(text))


def minus(words: str) -> str:
    """Give negative figures a real minus sign."""
    return _NEGATIVE.sub("−", words)


_NEGATIVE = re.compile(r"(?<![^\W_])-(?=\d)")


def data_url(kind: str, content: bytes) -> str:
    """Return a file as an address that holds it; the kind is such as ``image/png``."""
    from markupsafe import Markup

    return Markup(f"data:{kind};base64,{b64encode(content).decode('ascii')}")


_PROLOG = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_TITLE = re.compile(r"\s*<title>.*?</title>", re.DOTALL)
_STYLE = re.compile(r'\s*<defs>\s*<style type="text/css">\*\{([^}]*)\}</style>\s*</defs>')
_NAME = re.compile(r' id="([^"]*)"')
_USE = re.compile(r'(xlink:href="#|url\(#)([^")]*)')


def drawing(figure: "Figure", name: str, label: str) -> "Markup":
    """Render a figure into a page; `label` is what a screen reader says. As of `inline_svg`."""
    return inline_svg(style.render(figure, "svg"), name, label)


def inline_svg(picture: bytes, name: str, label: str) -> "Markup":
    r"""Make a drawing part of a page: as wide as its place, its inner names behind `name`, apart from other drawings'.

    Those that nothing in it uses are dropped.

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
