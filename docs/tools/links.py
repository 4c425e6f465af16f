"""Links of built pages, checked without a network."""

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

_STYLE_LOADS = re.compile(r"""(?:url\(|@import)\s*["']?(?:https?:)?//""", re.I)


class Page(HTMLParser):
    """What a page links to, what it loads, and the anchors it has."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.anchors: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {key: value or "" for key, value in attrs}
        self.anchors |= {own[key] for key in ("id", "name") if own.get(key)}
        if tag == "a" and own.get("href"):
            self.links.append(own["href"])
        pointing = tag == "link" and set(own.get("rel", "").split()) & _NOT_FETCHED
        for key in _LOADS.get(tag, ()):
            if own.get(key) and not pointing:
                self.loads.append(own[key])


def faults(site: Path) -> list[str]:
    """One line for each link that leads nowhere and each thing that would be loaded from elsewhere.

    Parameters
    ----------
    site : path
        Folder of built pages.
    """
    pages = {path.resolve(): Page(path.read_text(encoding="utf-8")) for path in sorted(site.rglob("*.html"))}
    found = [] if pages else [f"{site}: no pages"]
    for path, page in pages.items():
        name = path.relative_to(site.resolve()).as_posix()
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
