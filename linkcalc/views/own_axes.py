"""Our look and our pictures on axes of the caller's own."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from linkcalc._kinds import kinds_checked
from linkcalc.views import style

P = ParamSpec("P")
R = TypeVar("R")


@contextmanager
def styled() -> Iterator[None]:
    """Apply our look, from matplotlib's own defaults, to all that is made or drawn inside.

    Text between dollar signs is a formula, as everywhere in matplotlib; in the names that `linkcalc.draw_profile` and
    its sisters write, a dollar sign is a dollar sign.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> with styled():
    ...     ax = Figure().add_subplot(xscale="log")
    >>> ax.spines["top"].get_visible()
    False
    """
    import matplotlib as mpl

    with style.styled(), mpl.rc_context({"text.parse_math": True}):
        yield


def on_own_axes(function: Callable[P, R]) -> Callable[P, R]:
    """Decorate what draws on axes that are given: its arguments are checked, and names are no formulas."""
    checked = kinds_checked(function)

    @wraps(function)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> R:
        import matplotlib as mpl

        with mpl.rc_context({"text.parse_math": False}):
            found = checked(*args, **kwargs)
        ax: Any = args[0] if args else kwargs["ax"]
        for axis in (ax.xaxis, ax.yaxis):  # their labels were there before
            axis.label.set_parse_math(False)
        return found

    return drawn
