"""Pages of HTML from the templates in `templates/`: what is put into one is never taken for markup.

It is typeset on its way: in the units in force, a figure beside its unit, a negative figure with a real minus sign.
A template's own words stand as they are.
"""

import re
import unicodedata
from base64 import b64encode
from functools import cache
from typing import TYPE_CHECKING, Any

from linkcalc.views import style, units
from linkcalc.views.page import NO_BREAK, TOGETHER

if TYPE_CHECKING:
    from jinja2 import Environment

_UNSEEN = ("Cc", "Cf", "Cs", "Co")
"""Categories of characters that would change how the text around them reads."""


def page(template: str, **filled: Any) -> str:
    """Fill in a template of `templates/`: text is escaped, `markupsafe.Markup` is not.

    >>> print(page("card/picture.html", picture={"words": 'A & "B" <i>', "source": "data:,"}), end="")
    <img alt="A &amp; &#34;B&#34; &lt;i&gt;" style="max-width:100%;margin-top:.4em" src="data:,">
    """
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
        # with the context, lest a template's constants are typeset once for all units
        finalize=pass_context(lambda _, value: typeset(value)),
    )
    environment.globals["style"] = style
    environment.policies["json.dumps_kwargs"] = {"ensure_ascii": True, "separators": (",", ":")}
    return environment


def typeset(value: Any) -> Any:
    r"""Set text for a page; what is not text, or is markup already, stays as it is.

    >>> typeset("<b>tank\u202e at\t-3.4 dB")
    '<b>tank at −3.4\xa0dB'
    """
    if value is None:
        return ""
    if not isinstance(value, str) or hasattr(value, "__html__"):
        return value
    text = unicodedata.normalize("NFC", units.words(value))
    text = "".join(" " if c.isspace() and c != NO_BREAK else c for c in text)
    text = "".join(c for c in text if unicodedata.category(c) not in _UNSEEN)
    return TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), minus(text))


def minus(words: str) -> str:
    """Give negative figures a real minus sign.

    >>> minus("-3.4 dB, rg-58, -12 to -1 dB, sub-GHz")
    '−3.4 dB, rg-58, −12 to −1 dB, sub-GHz'
    """
    return _NEGATIVE.sub("−", words)


_NEGATIVE = re.compile(r"(?<![^\W_])-(?=\d)")


def data_url(kind: str, content: bytes) -> str:
    """Return a file as an address that holds it; the kind is such as ``image/png``.

    >>> print(data_url("image/png", b"PNG"))
    data:image/png;base64,UE5H
    """
    from markupsafe import Markup

    return Markup(f"data:{kind};base64,{b64encode(content).decode('ascii')}")
