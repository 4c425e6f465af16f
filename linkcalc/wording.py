"""How a piece of somebody's file is written in a message: always short, always one line."""

from collections.abc import Sequence
from difflib import get_close_matches

LONGEST = 48
"""Characters of a file's own text that a message shows."""


def quoted(text: str) -> str:
    """Text in double quotes, shortened, control characters escaped.

    >>> print(quoted("tank\\nshed"))
    "tank\\nshed"
    """
    if len(text) > LONGEST:
        text = text[: LONGEST - 1] + "…"
    return '"' + printable(text) + '"'


def printable(text: str) -> str:
    """Escape what a terminal would not print as it stands.

    >>> print(printable("a\\tb"))
    a\\tb
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def nearest(name: str, known: Sequence[str]) -> str:
    """The one of the known names that may have been meant, in quotes.

    >>> print(nearest("shet", ["tank", "shed"]))
    "shed"
    """
    return quoted(get_close_matches(name, known, n=1, cutoff=0.0)[0])


def shortened(value: object) -> str:
    """What was given in place of something else, in one short line.

    >>> shortened(list(range(50)))
    '[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16...'
    """
    words = " ".join(repr(value).split())
    return words if len(words) <= 60 else f"{words[:57]}..."
