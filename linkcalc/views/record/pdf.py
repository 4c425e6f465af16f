"""The record as a PDF.

By WeasyPrint: it lays out the very page that a browser shows, drawings as vectors, and writes the same bytes
again for the same page. The small PDF libraries need a second layout written for them and draw SVG in part.
"""

import re
from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from linkcalc.errors import LinkcalcError

if TYPE_CHECKING:
    from collections.abc import Mapping

Paper = Literal["a4", "letter"]
PAPERS: "Mapping[Paper, str]" = {"a4": "A4", "letter": "letter"}

_FACES = (
    ("DejaVu Sans", "normal", "DejaVuSans.ttf"),
    ("DejaVu Sans", "bold", "DejaVuSans-Bold.ttf"),
    ("DejaVu Sans Mono", "normal", "DejaVuSansMono.ttf"),
)


def record_pdf(html: str, paper: Paper = "a4") -> bytes:
    """Lay out a page of `linkcalc.views.record.record_html` on paper."""
    weasyprint = _library()
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher

    # a page holds all it shows
    nothing_else = URLFetcher(allowed_protocols=("data",))
    fonts = FontConfiguration()
    # the fonts that every drawing uses, whatever the machine has
    faces = "".join(
        f"@font-face {{ font-family: '{family}'; font-weight: {weight}; src: url({_font(file)}) }}"
        for family, weight, file in _FACES
    )
    rules = f"{faces} @page {{ size: {PAPERS[paper]} }}"
    sheet = weasyprint.CSS(string=rules, font_config=fonts, url_fetcher=nothing_else)
    page = weasyprint.HTML(string=html, url_fetcher=nothing_else)
    written: bytes = page.write_pdf(stylesheets=[sheet], font_config=fonts)
    return written


def _library() -> Any:
    try:
        import weasyprint
    except ImportError:
        raise LinkcalcError(
            "a PDF needs the extra pdf: pip install 'linkcalc[pdf]'; or print the page from a browser"
        ) from None
    except OSError as error:
        missing = re.search(r"library '([^']+)'", str(error))
        raise LinkcalcError(
            f"a PDF needs the system library {missing[1] if missing else 'pango'} (Debian: apt install "
            "libpango-1.0-0 libpangoft2-1.0-0); or print the page from a browser"
        ) from None
    return weasyprint


@cache
def _font(file: str) -> str:
    import matplotlib

    content = Path(matplotlib.get_data_path(), "fonts", "ttf", file).read_bytes()
    return f"data:font/ttf;base64,{b64encode(content).decode()}"
