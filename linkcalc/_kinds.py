"""What the public functions take, told in one line where something else is given."""

import re
from collections.abc import Callable
from functools import wraps
from inspect import Parameter, signature
from typing import ParamSpec, TypeVar

from linkcalc.errors import ArgumentError

P = ParamSpec("P")
R = TypeVar("R")

WHERE = {
    "Axes": "figure.add_subplot()",
    "CoverageResult": "lc.coverage(plan, station)",
    "DataFrame": "pandas.read_csv(file)",
    "DataArray": "xarray.DataArray(heights_m, coords, dims)",
    "Direction": "lc.check(plan).links[0].directions[0]",
    "HeightTable": "lc.heights(plan)",
    "LinkResult": "lc.check(plan).links[0]",
    "Profile": "lc.profile_from(distance_m, ground_m)",
    "Readings": "lc.readings_from(frame, plan)",
    "Sweep": "lc.sweep(plan, vary)",
    "str": '"name"',
    "int": "12",
}
"""How one comes by it."""

_PAIR = "tuple[float, float]"


def kinds_checked(function: Callable[P, R]) -> Callable[P, R]:
    """Refuse arguments of a kind that the annotations do not name, before the function begins.

    Classes are known by their names, so that none is imported for it; pairs of numbers are counted. Annotations of
    any other form are the function's own business.
    """
    takes = signature(function)
    wanted = {name: _classes(p) for name, p in takes.parameters.items()}

    @wraps(function)
    def checked(*args: P.args, **kwargs: P.kwargs) -> R:
        for name, value in takes.bind(*args, **kwargs).arguments.items():
            if wanted[name] and not _is_one(value, wanted[name]):
                raise ArgumentError(f"{function.__name__}: {name} is {_words(wanted[name])}; "
                                    f"not {'None' if value is None else type(value).__name__}")  # fmt: skip
        return function(*args, **kwargs)

    return checked


def _classes(parameter: Parameter) -> tuple[str, ...]:
    """Names of the classes that an annotation is made of; none where it is made of anything else."""
    said = parameter.annotation
    text = (
        said if isinstance(said, str) else getattr(said, "__name__", "") if type(said) is type else str(said)
    )
    if text == _PAIR:
        return (_PAIR,)
    names = [word.strip().rpartition(".")[2] for word in text.split("|")]
    plain = all(re.fullmatch(r"[A-Z]\w+|str|int", name) for name in names) and "Any" not in names
    return tuple(names) if plain else ()


def _is_one(value: object, wanted: tuple[str, ...]) -> bool:
    if wanted == (_PAIR,):
        return not isinstance(value, str) and hasattr(value, "__len__") and len(value) == 2
    if value is None:
        return "None" in wanted
    if "Path" in wanted and hasattr(value, "__fspath__"):
        return True
    also = {"integer"} if "int" in wanted else set()  # numpy's
    return bool({kind.__name__ for kind in type(value).__mro__} & {*wanted, *also})


def _words(wanted: tuple[str, ...]) -> str:
    if wanted == (_PAIR,):
        return "two numbers, such as (4.0, 6.0)"
    names = [name for name in wanted if name != "None"]
    words = " or ".join(f"{'an' if name[0] in 'AEIOUi' else 'a'} {name}" for name in names)
    return f"{words}, such as {WHERE[names[0]]}" if names[0] in WHERE else words
