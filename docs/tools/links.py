"""Built pages, looked at without a network: links, what they load, and text that should have become something else."""

import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

_LOADS = {
    "script": ("src",),
    "img": ("src", "srcset"),
    "iframe": ("src",),
    "source": ("src", "srcset"),
    "video": ("src", "poster"),
    "audio": ("src",),
    "embed": ("src",),
    "object": ("data",),
    "link": ("href",),
    "use": ("href", "xlink:href"),
    "image": ("href", "xlink:href"),
}
"""Tags that make a browser fetch something, and where they say what."""

_NOT_FETCHED = {"canonical", "author", "license", "next", "prev", "index", "search", "help"}
"""Relations of a <link> that only point."""

_QUOTED = {"pre", "code", "script", "style", "svg"}
"""Tags in which anything may stand as it is."""

_RAW_TABLE = re.compile(r"\|\s*:?-{3,}:?\s*\|")
"""The line below the head of a table that nobody rendered."""

_STYLE_LOADS = re.compile(r"""(?:url\(|@import)\s*["']?(?:https?:)?//""", re.I)


class Page(HTMLParser):
    """What a page links to, what it loads, and the anchors it has."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.anchors: set[str] = set()
        self.text = ""
        """What a reader sees as prose."""
        self.fields: list[str] = []
        """Names of the fields that describe a thing: "Parameters", "Returns"."""
        self._quoted, self._in_field = 0, False
        self.feed(text)

    def handle_endtag(self, tag: str) -> None:
        self._quoted -= tag in _QUOTED
        self._in_field &= tag != "dt"

    def handle_data(self, data: str) -> None:
        if not self._quoted:
            self.text += data
        if self._in_field and data.strip(" :"):
            self.fields.append(data.strip())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {key: value or "" for key, value in attrs}
        self._quoted += tag in _QUOTED
        self._in_field |= tag == "dt" and "field-" in own.get("class", "")
        self.anchors |= {own[key] for key in ("id", "name") if own.get(key)}
        if tag == "a" and own.get("href"):
            self.links.append(own["href"])
        pointing = tag == "link" and set(own.get("rel", "").split()) & _NOT_FETCHED
        for key in _LOADS.get(tag, ()):
            if own.get(key) and not pointing:
                self.loads.append(own[key])


def faults(site: Path) -> list[str]:
    """One line for each link that leads nowhere, thing that would be loaded from elsewhere, and text gone wrong.

    Parameters
    ----------
    site : path
        Folder of built pages.
    """
    pages = {path.resolve(): Page(path.read_text(encoding="utf-8")) for path in sorted(site.rglob("*.html"))}
    found = [] if pages else [f"{site}: no pages"]
    for path, page in pages.items():
        name = path.relative_to(site.resolve()).as_posix()
        if _RAW_TABLE.search(page.text):
            found.append(f"{name}: shows a table as raw pipes")
        if "Type" in page.fields:
            found.append(f"{name}: takes words of a sentence for a type")
        for load in page.loads:
            if urlsplit(load).scheme not in ("", "data") or load.startswith("//"):
                found.append(f"{name}: loads {load}")
        for link in page.links + [x for x in page.loads if not urlsplit(x).scheme]:
            fault = _leads_nowhere(link, path, pages)
            if fault:
                found.append(f"{name}: {fault}")
    for style in site.rglob("*.css"):
        if _STYLE_LOADS.search(style.read_text(encoding="utf-8")):
            found.append(f"{style.relative_to(site).as_posix()}: loads from elsewhere")
    return found


def _leads_nowhere(link: str, page: Path, pages: dict[Path, Page]) -> str | None:
    parts = urlsplit(link)
    if parts.scheme or parts.netloc:
        return None
    target = (page.parent / unquote(parts.path)).resolve() if parts.path else page
    if target.is_dir():
        target /= "index.html"
    if not target.is_file():
        return f"{link} leads nowhere"
    anchor = unquote(parts.fragment)
    if anchor and target in pages and anchor not in pages[target].anchors:
        return f"{link}: no such place on that page"
    return None
