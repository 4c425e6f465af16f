"""What can go wrong, as one small family; and how a piece of somebody's file is written in a message.

::

    LinkcalcError
    ├── PlanError (also ValueError)     the plan file: unknown key, bad value, contradiction
    ├── TerrainError (also OSError)     rasters and profiles: outside, nodata, unreadable
    ├── ReadingsError (also ValueError) a file of readings of which nothing can be used
    ├── DomainError (also ValueError)   an argument for which a formula is not defined
    └── ArgumentError (also TypeError)  an argument of a kind that a function does not take

    OutOfRangeWarning (UserWarning)     a model used outside the range its source states;
                                        the number is still given
"""

from collections.abc import Sequence
from difflib import get_close_matches


class LinkcalcError(Exception):
    """Base of every error that linkcalc raises on purpose; its text is one clear line."""


class PlanError(LinkcalcError, ValueError):
    """The plan file cannot be used as it stands."""


class TerrainError(LinkcalcError, OSError):
    """A raster or a surveyed profile cannot give the heights that were asked of it."""


class ReadingsError(LinkcalcError, ValueError):
    """A file of signal readings cannot be read, or no row of it can be used."""


class DomainError(LinkcalcError, ValueError):
    """An argument lies where the formula is not defined."""


class ArgumentError(LinkcalcError, TypeError):
    """An argument is of a kind that the function does not take."""


class OutOfRangeWarning(UserWarning):
    """A model is used outside the range its source states; the number is still given."""


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
