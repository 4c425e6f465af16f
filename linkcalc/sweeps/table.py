"""A sweep's answer: named arrays over named parameters, and ways to hand them on.

A name or a value that the sweep has not is a `DomainError`; a library that is not installed, or a file that cannot be
written, a `LinkcalcError`.
"""

import csv
import io
import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc.answer import Answer, installed
from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.files import atomic_write, csv_cell

if TYPE_CHECKING:
    import pandas
    import xarray

Values = NDArray[Any]

TABLE_VERSION = "1.0"
"""Of the JSON form."""


class Quantity(NamedTuple):
    """What one array of a sweep holds."""

    unit: str
    """Empty for ratios and words."""
    about: str


QUANTITIES: Mapping[str, Quantity] = {
    "weaker_fade_margin_db": Quantity("dB", "fade margin of the weaker direction"),
    "spare_margin_db": Quantity("dB", "fade margin over the required one, of the weaker direction"),
    "verdict": Quantity("", "closes, at_risk or does_not_close"),
    "fade_margin_db": Quantity("dB", "fade margin, near to far"),
    "return_fade_margin_db": Quantity("dB", "fade margin, far to near"),
    "required_margin_db": Quantity("dB", "required fade margin, near to far"),
    "return_required_margin_db": Quantity("dB", "required fade margin, far to near"),
    "site_share": Quantity("", "share of such sites that meet the requirement, near to far"),
    "return_site_share": Quantity("", "share of such sites that meet the requirement, far to near"),
    "delivery_probability": Quantity("", "of one message with its tries, near to far"),
    "return_delivery_probability": Quantity("", "of one message with its tries, far to near"),
    "received_power_dbm": Quantity("dBm", "power at the far receiver"),
    "return_received_power_dbm": Quantity("dBm", "power at the near receiver"),
    "sensitivity_dbm": Quantity("dBm", "least power the far receiver needs"),
    "return_sensitivity_dbm": Quantity("dBm", "least power the near receiver needs"),
    "eirp_dbm": Quantity("dBm", "radiated by the near station towards the far one"),
    "return_eirp_dbm": Quantity("dBm", "radiated by the far station towards the near one"),
    "time_on_air_s": Quantity("s", "of one message, near to far"),
    "return_time_on_air_s": Quantity("s", "of one message, far to near"),
    "charge_mc": Quantity(
        "mC", "taken from the near station's battery to send its message once; nan above 30 dBm unless stated"
    ),
    "path_loss_db": Quantity("dB", "basic transmission loss with vegetation and building entry"),
    "clearance_ratio": Quantity("", "least clearance of the ray, in first Fresnel zone radii, median k"),
    "model": Quantity("", "the model that gave the path loss"),
}
"""The arrays of every sweep. Near is the link's `from` station; `return_` is the direction from far to near."""


@dataclass(frozen=True, eq=False, repr=False)
class Sweep(Answer):
    """A table over the combinations of what was varied, one axis a parameter.

    Examples
    --------
    >>> from linkcalc.files import sample_path
    >>> from linkcalc.plan import load_plan
    >>> from linkcalc.sweeps.sweeping import sweep_plan
    >>> found = sweep_plan(load_plan(sample_path("plain")), {"sf": [7, 9, 12], "power": [10, 14]})
    >>> found.dims, found.shape
    (('spreading_factor', 'transmit_power_dbm'), (3, 2))
    >>> found["time_on_air_s"][:, 0].round(4)
    array([0.0103, 0.0361, 0.2478])
    >>> found.cell({"spreading_factor": 9, "transmit_power_dbm": 14})["model"]
    'plane_earth'
    """

    link: str
    """Name of the link."""
    ends: tuple[str, str]
    """Names of its near (`from`) and its far station."""
    dims: tuple[str, ...]
    """What was varied, by the plan's keys, in the order of the axes."""
    coords: Mapping[str, Values]
    """Its values, one dimension each."""
    planned: Mapping[str, Any]
    """The plan's own value of each; None where its two stations differ, or it has none."""
    data: Mapping[str, Values] = field(repr=False)
    """The arrays named in `QUANTITIES`, each of `shape`, not to be written to."""
    title: str
    plan_digest: str
    linkcalc_version: str
    warnings: tuple[str, ...]
    """What models said about being used outside their range, once each."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Count of values along each axis."""
        return tuple(len(self.coords[name]) for name in self.dims)

    @property
    def size(self) -> int:
        """Count of combinations."""
        return math.prod(self.shape)

    def __getitem__(self, name: str) -> Values:
        """One array of the data, or the values of one parameter."""
        if name in self.data:
            return self.data[name]
        if name in self.coords:
            return self.coords[name]
        raise KeyError(f"{name!r}; there are {', '.join([*self.dims, *self.data])}")

    def cell(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return everything about one combination, given one of its values for each parameter, by the names in
        `dims`."""
        if set(values) != set(self.dims):
            raise DomainError(f"give one value each of {', '.join(self.dims)}")
        return {name: array.item() for name, array in self.select(values).data.items()}

    def select(self, values: Mapping[str, Any]) -> "Sweep":
        """Return the sweep at one value of some of its parameters, by the names in `dims`, over the others."""
        index: list[Any] = [slice(None)] * len(self.dims)
        for name, value in values.items():
            if name not in self.dims:
                raise DomainError(f"{name!r} was not varied; {', '.join(self.dims)} were")
            found = np.flatnonzero(self.coords[name] == value)
            if not found.size:
                raise DomainError(f"{name} = {value} is not among the values of this sweep")
            index[self.dims.index(name)] = int(found[0])
        left = tuple(name for name in self.dims if name not in values)
        return replace(
            self,
            dims=left,
            coords={name: self.coords[name] for name in left},
            data={name: np.asarray(array[tuple(index)]) for name, array in self.data.items()},
        )

    def columns(self) -> dict[str, Values]:
        """Return copies of parameters and data as columns of one row a combination, the last parameter changing
        fastest."""
        axes = np.meshgrid(*(self.coords[name] for name in self.dims), indexing="ij")
        columns = {name: axis.flatten() for name, axis in zip(self.dims, axes, strict=True)}
        return columns | {name: array.flatten() for name, array in self.data.items()}

    def to_pandas(self) -> "pandas.DataFrame":
        """Return a data frame of one row a combination; its `attrs` name link, plan and version."""
        frame: pandas.DataFrame = installed("pandas").DataFrame(self.columns())
        frame.attrs.update(self._about())
        return frame

    def to_xarray(self) -> "xarray.Dataset":
        """Return a dataset with a dimension a parameter; units and meanings are attributes of its variables."""
        dataset: xarray.Dataset = installed("xarray").Dataset(
            {
                name: (
                    self.dims,
                    np.array(array),
                    {"units": QUANTITIES[name].unit, "long_name": QUANTITIES[name].about},
                )
                for name, array in self.data.items()
            },
            coords={name: values.copy() for name, values in self.coords.items()},
            attrs=self._about(),
        )
        return dataset

    def to_csv(self) -> str:
        """Return the rows of `columns` as CSV text, one header line, numbers in full.

        Where a number is not finite the cell is empty.
        """
        columns = self.columns()
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        rows = zip(*(_plain(column, "") for column in columns.values()), strict=True)
        writer.writerows([csv_cell(cell) for cell in row] for row in rows)
        return text.getvalue()

    def to_dict(self) -> dict[str, Any]:
        """Return the table as dicts, lists, strings, numbers and None (what is not finite).

        Link, plan and version are named first; then come `dims`, `shape`, `coords` and `data`: each array
        with its `unit`, what it is `about`, and its `values` in the order of `columns`.
        """
        return {
            "schema_version": TABLE_VERSION,
            **self._about(),
            "warnings": list(self.warnings),
            "dims": list(self.dims),
            "shape": list(self.shape),
            "coords": {name: _plain(values) for name, values in self.coords.items()},
            "data": {
                name: QUANTITIES[name]._asdict() | {"values": _plain(array.ravel())}
                for name, array in self.data.items()
            },
        }

    def to_json(self, *, indent: int | None = None) -> str:
        """Return what `to_dict` gives as strict JSON, equal from run to run; on one line by default."""
        return json.dumps(self.to_dict(), indent=indent, ensure_ascii=False, allow_nan=False) + "\n"

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the rows of `columns`."""
        return rows_of(self.columns())

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the table to a file, whole or not at all.

        Parameters
        ----------
        path : path
            Its ending says how: `.csv` (`to_csv`), `.parquet` (`columns`; needs pyarrow), or as every answer
            does: `.json`, `.txt`, `.svg`, `.png`.
        """
        match Path(path).suffix.lower():
            case ".csv":
                atomic_write(path, self.to_csv())
            case ".parquet":
                atomic_write(path, self._parquet())
            case ".json" | ".txt" | ".svg" | ".png":
                super().write(path)
            case other:
                endings = ".csv, .json, .parquet, .txt, .svg or .png"
                raise LinkcalcError(f"{path}: {other or 'no ending'}: write {endings}")

    def _parquet(self) -> bytes:
        arrow, parquet = installed("pyarrow"), installed("pyarrow.parquet")
        table = arrow.table({name: arrow.array(column) for name, column in self.columns().items()})
        named = {f"linkcalc.{name}": str(value) for name, value in self._about().items()}
        sink = arrow.BufferOutputStream()
        parquet.write_table(table.replace_schema_metadata(named), sink)
        return bytes(sink.getvalue())

    def _about(self) -> dict[str, str]:
        return {
            "link": self.link,
            "near": self.ends[0],
            "far": self.ends[1],
            "title": self.title,
            "plan_digest": self.plan_digest,
            "linkcalc_version": self.linkcalc_version,
        }


def rows_of(columns: Mapping[str, Values]) -> list[dict[str, Any]]:
    """Columns of one length as rows of Python's own values."""
    cells = zip(*(column.ravel().tolist() for column in columns.values()), strict=True)
    return [dict(zip(columns, row, strict=True)) for row in cells]


def _plain(column: Values, not_finite: Any = None) -> list[Any]:
    """A column as Python's own values."""
    if column.dtype.kind != "f" or np.isfinite(column).all():
        plain: list[Any] = column.tolist()
        return plain
    return [value if math.isfinite(value) else not_finite for value in column.tolist()]
