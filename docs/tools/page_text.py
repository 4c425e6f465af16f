"""Markdown as the generated pages write it: tables, plain words, and a subject parted into pages."""

import inspect
import re
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple


class Part(NamedTuple):
    """A page of a subject that would be too long for one."""

    name: str
    """Of its file."""
    title: str
    about: str
    """What the subject's own page says of it beside its name; Markdown."""
    body: Sequence[str]
    below: Sequence[str] = ()
    """Pages that belong under it in the table of contents."""


def parted(
    name: str, head: Sequence[str], parts: Sequence[Part], lists: Sequence[str] | None = None
) -> dict[str, str]:
    """Return pages by path: the subject's own, which lists its parts, and one for each of them."""
    if lists is None:
        lists = [f"- [{p.title}]({name}/{p.name}.md){f': {p.about}' if p.about else ''}" for p in parts]
    pages = {f"{name}.md": "\n".join([*head, *lists, "", *_contents([f"{name}/{p.name}" for p in parts])])}
    for p in parts:
        pages[f"{name}/{p.name}.md"] = "\n".join([f"# {p.title}", "", *p.body, *_contents(p.below)])
    return pages


def _contents(pages: Sequence[str]) -> list[str]:
    return [":::{toctree}", ":hidden:", "", *pages, ":::", ""] if pages else []


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table."""
    return [
        "| " + " | ".join(heads) + " |",
        "| " + " | ".join("---" for _ in heads) + " |",
        *("| " + " | ".join(cell.replace("\n", " ") for cell in row) + " |" for row in rows),
    ]


def plain(words: str) -> str:
    """Words of which nothing is markup, in a table too, but for code in backticks."""
    parts = re.split(r"(`+[^`]+`+)", " ".join(words.split()))
    escaped = [p if p.startswith("`") else re.sub(r"([\\*_\[\]<>$#{}])", r"\\\1", p) for p in parts]
    return "".join(escaped).replace("|", "\\|")


def summary(thing: Any) -> str:
    """First sentence or line of a docstring."""
    text = inspect.getdoc(thing) or ""
    first = " ".join(text.split("\n\n")[0].split())
    return first.split(". ")[0].rstrip(".")
