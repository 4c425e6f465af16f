"""What every answer does alike: it stays as it is, compares, travels, and shows itself.

How it is shown is known to `linkcalc.views.shown` only, and asked there when somebody looks.
"""

import dataclasses
import importlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, NoReturn

from linkcalc.errors import LinkcalcError

if TYPE_CHECKING:
    import pandas
    from matplotlib.figure import Figure

EXTRAS = {"pandas": "tables", "xarray": "tables", "pyarrow": "tables"}
"""Which extra of linkcalc brings a library."""

_PLAIN = frozenset((float, int, str, bool, type(None)))

LINES = 10
"""An answer is printed in no more."""


class ReadOnly(dict[str, Any]):
    """A dictionary that is not written to, but copied and pickled like any other.

    Examples
    --------
    >>> ReadOnly(a=1)["a"], dict(ReadOnly(a=1))
    (1, {'a': 1})
    >>> ReadOnly(a=1).update(b=2)
    Traceback (most recent call last):
    TypeError: an answer is not written to; take a copy: dict(...)
    """

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("an answer is not written to; take a copy: dict(...)")

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        # pickle would fill a dictionary item by item, which is refused here
        return ReadOnly, (dict(self),)


class Answer:
    """Base of the answers: frozen dataclasses declared with ``eq=False, repr=False``.

    Equal are answers of one type whose every value is equal, arrays and undefined numbers (NaN) included.
    """

    _rows: ClassVar[str] = ""
    """The field whose entries are the rows of `to_pandas`; empty: the answer is one row."""

    def __post_init__(self) -> None:
        _freeze(self)

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        _freeze(self)  # arrays come out of a pickle writeable

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return bool(_key(self) == _key(other))

    def __hash__(self) -> int:
        return hash(_key(self))

    def __str__(self) -> str:
        lines = [line for line in self.text().splitlines() if line.strip()]
        if len(lines) > LINES:
            lines[LINES - 1 :] = [f"... {len(lines) - LINES + 1} lines more: print(answer.text())"]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        return str(_views().html(self))

    def text(self, width: int = 80, **look: Any) -> str:
        """Return the whole answer as the command of its name prints it.

        Parameters
        ----------
        width : int
            Columns.
        **look
            ``colour``, ``ascii_only`` and whatever else the report of this answer takes, such as ``full`` of
            a check.
        """
        return str(_views().text(self, width, **look))

    def figure(self) -> "Figure":
        """Return the answer's main picture.

        Raises
        ------
        LinkcalcError
            If there is none of this answer.
        """
        drawn: Figure = _views().figure(self)
        return drawn

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as dicts, lists, strings, numbers and None (what is not finite), without arrays
        that are for pictures only."""
        found: dict[str, Any] = _views().data(self)
        return found

    def to_json(self, *, indent: int | None = 2) -> str:
        """Return what `to_dict` gives as strict JSON, equal from run to run; None writes one line."""
        return json.dumps(self.to_dict(), indent=indent, ensure_ascii=False, allow_nan=False) + "\n"

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the answer's table: a dict a row, its plain values only.

        A row is a direction of a link, a node of a fleet, a station, a message: whatever the answer has
        several of.
        """
        plain = view("jsonout").plain_data
        entries = getattr(self, self._rows) if self._rows else (self,)
        return [_flat(plain(entry)) for entry in entries]

    def to_pandas(self) -> "pandas.DataFrame":
        """Return `to_rows` as a data frame.

        Raises
        ------
        LinkcalcError
            If pandas is not installed.
        """
        frame: pandas.DataFrame = installed("pandas").DataFrame(self.to_rows())
        return frame

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the answer to a file, whole or not at all.

        Parameters
        ----------
        path : path
            Its ending says how: ``.json``, ``.txt`` (`text`), ``.csv`` (`to_rows`), ``.svg`` or ``.png``
            (`figure`).

        Raises
        ------
        LinkcalcError
            If the ending is another, or the file cannot be written.
        """
        _views().write(self, Path(path))


def said(*names: str) -> dict[str, tuple[str, ...]]:
    """Return a field's metadata that puts properties made from it in its place, wherever an answer is plain data."""
    return {"said": names}


def installed(module: str) -> Any:
    """Import a library that an extra brings; where it is not there, one line says how to get it."""
    try:
        return importlib.import_module(module)
    except ImportError:
        package = module.partition(".")[0]
        raise LinkcalcError(
            f"this needs {package}, which is not installed: pip install 'linkcalc[{EXTRAS[package]}]'"
        ) from None


def view(name: str) -> Any:
    """Return the module of `linkcalc.views` that shows an answer: the only door from here to there."""
    return importlib.import_module(f"linkcalc.views.{name}")


def _views() -> Any:
    return view("shown")


def _freeze(record: Any) -> None:
    """Make what a frozen record holds read-only, down to the last array."""
    for f in dataclasses.fields(record):
        value = getattr(record, f.name)
        frozen = _frozen(value)
        if frozen is not value:
            object.__setattr__(record, f.name, frozen)


def _frozen(value: Any) -> Any:
    if type(value) in _PLAIN:  # nearly all there is: asked first, as an answer holds tens of thousands
        return value
    import numpy as np  # not with the module: the command line's help knows of answers too

    if isinstance(value, np.ndarray):
        if not value.flags.writeable:
            return value
        # a view, so that the caller's own array stays writeable
        value = value.view()
        value.flags.writeable = False
        return value
    if type(value) in (list, tuple):
        entries = [_frozen(entry) for entry in value]
        same = type(value) is tuple and all(a is b for a, b in zip(entries, value, strict=True))
        return value if same else tuple(entries)
    if isinstance(value, Mapping):
        frozen = {k: _frozen(v) for k, v in value.items()}
        same = isinstance(value, ReadOnly) and all(frozen[k] is v for k, v in value.items())
        return value if same else ReadOnly(frozen)
    # an answer within an answer has frozen itself
    if dataclasses.is_dataclass(value) and not isinstance(value, type | Answer):
        _freeze(value)
    return value


def _key(value: Any) -> Any:
    """Something that is equal, and has the same hash, for equal values only; NaN equals NaN."""
    import numpy as np

    if isinstance(value, float) and value != value:
        return "nan"
    if isinstance(value, np.ndarray):
        if value.dtype.kind == "f":
            value = np.where(np.isnan(value), np.nan, value + 0.0)  # one NaN, one zero
        return (
            value.dtype.str,
            value.shape,
            # the bytes of an array of objects are addresses, which differ for equal content
            value.tobytes() if value.dtype.kind != "O" else _key(value.tolist()),
        )
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        named = (getattr(value, f.name) for f in dataclasses.fields(value) if f.compare)
        return (type(value), *(_key(entry) for entry in named))
    if isinstance(value, list | tuple):
        return tuple(_key(entry) for entry in value)
    if isinstance(value, Mapping):
        return tuple(sorted(((k, _key(v)) for k, v in value.items()), key=lambda pair: str(pair[0])))
    if hasattr(value, "model_dump_json"):
        return value.model_dump_json()
    return value


def _flat(entry: dict[str, Any]) -> dict[str, Any]:
    """Values of a record and of the records in it, by names joined with _; lists of records are left out."""
    found: dict[str, Any] = {}
    for name, value in entry.items():
        if isinstance(value, dict):
            found |= {f"{name}_{inner}": v for inner, v in _flat(value).items()}
        elif isinstance(value, list):
            if all(isinstance(one, str) for one in value):
                found[name] = "; ".join(value)
            elif len(value) == 2 and not any(isinstance(one, dict | list) for one in value):
                found |= {f"{name}_{i}": one for i, one in enumerate(value, 1)}
        else:
            found[name] = value
    return found
