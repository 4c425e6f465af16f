"""What the public functions take: anything else is refused in one line."""

import ast
import re
from collections.abc import Callable
from functools import wraps
from inspect import Parameter, Signature, signature
from numbers import Integral, Real
from types import UnionType
from typing import Any, ParamSpec, TypeVar, Union, Unpack, get_args, get_origin

from linkcalc.errors import ArgumentError, shortened

P = ParamSpec("P")
R = TypeVar("R")

WHERE = {
    "Answer": "lc.check(plan)",
    "Axes": "figure.add_subplot()",
    "CoverageResult": "lc.coverage(plan, station)",
    "DataFrame": "pandas.read_csv(file)",
    "DataArray": "xarray.DataArray(heights_m, coords, dims)",
    "Direction": "lc.check(plan).links[0].directions[0]",
    "HeightTable": "lc.heights(plan)",
    "LinkResult": "lc.check(plan).links[0]",
    "LoadedFleet": "lc.load_fleet(file)",
    "Plan": "lc.load_plan(file).plan",
    "Profile": "lc.profile_from(distance_m, ground_m)",
    "Readings": "lc.readings_from(frame, plan)",
    "Result": "lc.check(plan)",
    "Scheduler": "linkcalc.area.scheduler.Local()",
    "Sweep": "lc.sweep(plan, vary)",
    "date": "datetime.date(2031, 5, 2)",
    "str": '"name"',
    "int": "12",
}
"""How one comes by it."""


def kinds_checked(function: Callable[P, R]) -> Callable[P, R]:
    """Refuse arguments of a kind that the annotations do not name, before the function begins.

    Classes are known by their names, so that none is imported for it. Annotations of a form that is not known here,
    such as a plan's, are the function's own business. Keywords of a typed dictionary are shown, and checked, by name.
    """
    takes = _laid_out(signature(function))
    wanted = {name: _terms(p) for name, p in takes.parameters.items()}

    @wraps(function)
    def checked(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            given = takes.bind(*args, **kwargs).arguments
        except TypeError as error:
            raise ArgumentError(f"{function.__name__}: {error}") from None
        for name, value in given.items():
            several = takes.parameters[name].kind is Parameter.VAR_KEYWORD
            for key, one in value.items() if several else ((name, value),):
                if wanted[name] and not any(_is_one(one, term) for term in wanted[name]):
                    raise ArgumentError(
                        f"{function.__name__}: {key} is {_words(wanted[name])}; not {_what(one)}"
                    )
        return function(*args, **kwargs)

    # for help and editors, which would show one **keyword for all of them
    checked.__signature__ = takes  # type: ignore[attr-defined]
    return checked


def _laid_out(takes: Signature) -> Signature:
    """A signature that names the keywords of ``**name: Unpack[...]``; one that is not given is None."""
    parameters: list[Parameter] = []
    for one in takes.parameters.values():
        if get_origin(one.annotation) is Unpack:
            (keywords,) = get_args(one.annotation)
            parameters += [
                Parameter(name, Parameter.KEYWORD_ONLY, default=None, annotation=kind)
                for name, kind in keywords.__annotations__.items()
            ]
        else:
            parameters.append(one)
    return takes.replace(parameters=parameters)


def _terms(parameter: Parameter) -> tuple[str, ...]:
    """The kinds that an annotation joins, without their modules; none where one of them is not known here."""
    said = parameter.annotation
    if isinstance(said, str):
        # a bar within brackets belongs to the type in front of them
        parts: list[Any] = re.split(r"\s*\|\s*(?![^\[]*\])", said)
    else:
        parts = [*get_args(said)] if get_origin(said) in (Union, UnionType) else [said]
    texts = [p.__name__ if isinstance(p, type) and get_origin(p) is None else str(p) for p in parts]
    terms = tuple(re.sub(r"\b[a-z_.]+\.(?=\w)", "", text) for text in texts)
    return terms if all(term in _CHECKS or _FORM.fullmatch(term) for term in terms) else ()


_FORM = re.compile(r"(?!Any$|PlanLike$|ArrayLike$)[A-Z]\w+|Literal\[.*\]|Callable\[.*\]")


def _kind(value: Any) -> str:
    """numpy's letter for the type of a single value, be it Python's or numpy's; empty for anything else."""
    # bool first: to Python it is a whole number too
    for python, letter in ((bool, "b"), (Integral, "i"), (Real, "f")):
        if isinstance(value, python):
            return letter
    return str(value.dtype.kind) if getattr(value, "ndim", None) == 0 and hasattr(value, "dtype") else ""


def _is_path(value: Any) -> bool:
    return isinstance(value, str) or hasattr(value, "__fspath__")


def _all(value: Any, kind: str) -> bool:
    """Whether it is a row of such things; a text is none, though it has letters."""
    row = hasattr(value, "__len__") and hasattr(value, "__getitem__") and not hasattr(value, "keys")
    return row and not isinstance(value, str) and all(_is_one(one, kind) for one in value)


_CHECKS: dict[str, tuple[str, Callable[[Any], bool]]] = {
    "None": ("None", lambda v: v is None),
    "NoneType": ("None", lambda v: v is None),
    "bool": ("True or False", lambda v: _kind(v) == "b"),
    "int": ("a whole number", lambda v: _kind(v) in ("i", "u")),
    "float": ("a number", lambda v: _kind(v) in ("f", "i", "u")),
    "str": ("a str", lambda v: isinstance(v, str)),
    "Path": ("a path", _is_path),
    "FilePath": ("a path", _is_path),
    "PathLike[str]": ("a path", _is_path),
    "date": ("a date", lambda v: "date" in _names(v)),
    "Scheduler": ("a Scheduler", lambda v: hasattr(v, "run")),
    "Sequence[str]": ("a list of str", lambda v: _all(v, "str")),
    "Sequence[int]": ("a list of whole numbers", lambda v: _all(v, "int")),
    "Sequence[FilePath]": ("a list of paths", lambda v: _all(v, "FilePath")),
    "tuple[float, float]": ("two numbers, such as (4.0, 6.0)", lambda v: _all(v, "float") and len(v) == 2),
}
"""By kind: what it is called, and whether a value is one. Any other kind is a class, known by its name."""


def _names(value: object) -> set[str]:
    return {kind.__name__ for kind in type(value).__mro__}


def _known(term: str) -> tuple[list[str], Callable[[Any], bool]]:
    """How a kind is called, a Literal by each of its values, and what is one."""
    if term in _CHECKS:
        words, test = _CHECKS[term]
        return [words], test
    if term.startswith("Callable"):
        return ["a function"], callable
    if term.startswith("Literal"):
        choices = ast.literal_eval(f"({term.removeprefix('Literal[')[:-1]},)")
        named = [f'"{c}"' if isinstance(c, str) else str(c) for c in choices]
        return named, lambda v: (isinstance(v, str) or _kind(v) == "i") and v in choices
    return [f"{'an' if term[0] in 'AEIOU' else 'a'} {term}"], lambda v: term in _names(v)


def _is_one(value: Any, term: str) -> bool:
    return _known(term)[1](value)


def _words(wanted: tuple[str, ...]) -> str:
    """What may be given, and one example of it."""
    words = [word for term in wanted for word in _known(term)[0]]
    # a path may be text too, which needs no saying
    said_already = {"None", "a str"} if "a path" in words else {"None"}
    words = [*dict.fromkeys(word for word in words if word not in said_already)]
    example = next((f", such as {WHERE[t]}" for t in wanted if t in WHERE and "a path" not in words), "")
    return (", ".join(words[:-1]) + " or " if words[1:] else "") + words[-1] + example


def _what(value: object) -> str:
    """What was given; a plain value is shown too."""
    if value is None:
        return "None"
    kind = type(value)
    return f"{kind.__name__}: {shortened(value)}" if kind.__module__ == "builtins" else kind.__name__
