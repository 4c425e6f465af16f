"""Measurements in data frames: readings from and to them, and one's own links against what is predicted, by class."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc._kinds import kinds_checked
from linkcalc.answer import Answer, installed
from linkcalc.errors import DomainError, nearest, quoted
from linkcalc.link.judgement import judge
from linkcalc.link.losses import REGIMES
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.plan import PlanLike, as_plan
from linkcalc.plan.loading import chosen_link
from linkcalc.site.readings import COLUMNS, Readings, Way, readings_of_csv

if TYPE_CHECKING:
    import pandas

TREES_DB = 1.0
"""A path that loses so much in trees is one through trees."""

_HALF, _NINETY = 0.6745, 1.6449


@kinds_checked
def readings_from(
    frame: "pandas.DataFrame", plan: PlanLike, *, link: str | None = None, direction: Way | None = None
) -> Readings:
    """Take readings of a link from a data frame, by the rules for a file of readings.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns as in a file (`linkcalc.site.readings.read_readings`): ``direction``, ``rssi_dbm``, ``snr_db``, ...
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which of the plan's links; may be left out where it has one.
    direction : "forward" or "return", optional
        Of all rows, where there is no such column.

    Returns
    -------
    Readings
        Rows that cannot be used are listed with the reason, numbered from 2 as in the file that the frame would be.

    Raises
    ------
    ReadingsError
        If no row can be used.

    Examples
    --------
    >>> import pandas, linkcalc as lc
    >>> frame = pandas.DataFrame({"direction": ["forward", "return"], "rssi_dbm": [-101, -104], "snr_db": [4.0, 2.5]})
    >>> found = readings_from(frame, lc.load_plan(lc.sample_path("plain")))
    >>> [r.rssi_dbm for r in found.readings], readings_frame(found)["snr_db"].tolist()
    ([-101.0, -104.0], [4.0, 2.5])
    """
    one = chosen_link(as_plan(plan), link)
    # what is no number or no text in a cell is written as a file would have it
    cells = frame.map(lambda v: v.isoformat() if isinstance(v, datetime) and v == v else v)
    return readings_of_csv("data frame", cells.to_csv(index=False), (one.from_, one.to), direction=direction)


@kinds_checked
def readings_frame(found: Readings) -> "pandas.DataFrame":
    """Return readings as a data frame that `readings_from` takes, a row each; columns without a value are left out.

    Columns are those of a readings file (`linkcalc survey --help`), with the unit in the name.

    Examples
    --------
    >>> from linkcalc.site.readings import Reading
    >>> readings_frame(Readings("site", (Reading(2, "forward", rssi_dbm=-101.0),))).columns.tolist()
    ['direction', 'rssi_dbm']
    """
    rows = [asdict(r) for r in found.readings]
    columns = [c for c in COLUMNS if any(row[c] not in (None, "") for row in rows)]
    return installed("pandas").DataFrame({c: [row[c] for row in rows] for c in columns})


@dataclass(frozen=True, eq=False, repr=False)
class Comparison(Answer):
    """Measured links beside what is predicted for them; arrays (n,)."""

    link: NDArray[Any]
    path_class: NDArray[Any]
    """How free the ray is and how the antennas stand, or that trees are in the way."""
    distance_m: Floats
    measured_db: Floats
    predicted_db: Floats
    sigma_db: Floats
    """Stated for the site's part."""

    @property
    def error_db(self) -> Floats:
        """Predicted less measured loss: negative is too hopeful."""
        return np.asarray(self.predicted_db - self.measured_db)

    def by_class(self) -> "pandas.DataFrame":
        """Return a row for all links and for each class of path.

        ``links``; ``bias_db`` (negative: too hopeful), ``sd_db`` and ``rms_db`` of the error; ``sigma_db`` as stated
        (median); ``in_50`` and ``in_90``, the shares of links within the stated intervals.
        """
        rows = {"all": self._row(np.ones(self.error_db.shape, dtype=bool))}
        for name in sorted(set(self.path_class)):
            rows[name] = self._row(self.path_class == name)
        return installed("pandas").DataFrame.from_dict(rows, orient="index")

    def _row(self, here: Any) -> dict[str, float]:
        error, sigma = self.error_db[here], self.sigma_db[here]
        off = np.abs(error) / np.maximum(sigma, 1e-9)
        return {
            "links": int(error.size),
            "bias_db": float(error.mean()),
            "sd_db": float(error.std(ddof=1)) if error.size > 1 else float("nan"),
            "rms_db": float(np.sqrt(np.mean(error**2))),
            "sigma_db": float(np.median(sigma)),
            "in_50": float(np.mean(off <= _HALF)),
            "in_90": float(np.mean(off <= _NINETY)),
        }

    @property
    def line(self) -> str:
        """All links in one line."""
        all_ = self._row(np.ones(self.error_db.shape, dtype=bool))
        return (
            f"{all_['links']} measured links: predicted less measured loss {all_['bias_db']:+.1f} dB on average, "
            f"{all_['rms_db']:.1f} dB rms; {100.0 * all_['in_90']:.0f} % within the stated 90 %"
        )

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row a link."""
        names = ("link", "path_class", "distance_m", "measured_db", "predicted_db", "error_db", "sigma_db")
        columns = (getattr(self, name).tolist() for name in names)
        return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def compare_measured(plan: PlanLike, measured: Any) -> Comparison:
    """Hold measured links against what is predicted for them, by class of path.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With a link for each that was measured: where its ends are, how high, on which ground.
    measured : mapping or pandas.Series of str to float, or DataFrame
        By name of the link the measured loss between the two radios' connectors with the antennas' gains taken out, in
        dB; or a data frame with columns ``link`` and ``path_loss_db``, or ``link`` and ``rssi_dbm`` (power at the
        ``to`` station's radio, the other's sending as planned). Several rows of a link count as their median.

    Returns
    -------
    Comparison

    Raises
    ------
    DomainError
        If a link is not the plan's, nothing is measured, or a value is not finite.
    TerrainError
        If the terrain cannot give a profile.

    Examples
    --------
    >>> import linkcalc as lc
    >>> plan = lc.load_plan(lc.sample_path("plain"))
    >>> found = compare_measured(plan, {plan.plan.link[0].name: 125.0})
    >>> found.path_class[0], found.by_class()["links"].tolist()
    ('grazing, low end', [1, 1])
    """
    plan = as_plan(plan)
    losses, levels = _measured(measured)
    names = [k.name for k in plan.plan.link]
    for name in (*losses, *levels):
        if name not in names:
            raise DomainError(f"unknown link {quoted(name)}; did you mean {nearest(name, names)}?")
    if not losses and not levels:
        raise DomainError("nothing is measured: give a loss or a level for one link or more")
    rows: list[tuple[Any, ...]] = []
    with open_terrain(plan) as terrain:
        for case in cases(plan, terrain):
            name = case.link.name
            if name not in losses and name not in levels:
                continue
            lost, budget = case.losses, case.budget()
            # all of the budget but power and path: what has to come off a level to leave the loss
            gains_db = budget.received_power_dbm - case.near.transmit_power_dbm + budget.path_loss_db
            measured_db = losses.get(name)
            if measured_db is None:
                measured_db = case.near.transmit_power_dbm + gains_db - levels[name]
            found = judge(case, lost, case.far, np.array([budget.fade_margin_db]))
            low = "low end" if lost.low_end[0] >= 0.5 else "both high"
            kind = f"{REGIMES[int(lost.regime[0])]}, {low}"
            if lost.trees_db[0] >= TREES_DB:
                kind = "trees in the path"
            rows.append((name, kind, lost.length_m[0], measured_db, budget.path_loss_db, found.site_db[0]))
    columns = list(zip(*rows, strict=True))
    texts = [np.array(c, dtype=object) for c in columns[:2]]
    return Comparison(*texts, *(np.array(c, dtype=np.float64) for c in columns[2:]))


def _measured(given: Any) -> tuple[dict[str, float], dict[str, float]]:
    """Losses and levels by link."""
    if hasattr(given, "columns"):
        column = next((c for c in ("path_loss_db", "rssi_dbm") if c in given.columns), None)
        if "link" not in given.columns or column is None:
            raise DomainError("the frame needs a column link, and path_loss_db or rssi_dbm")
        found = {str(n): float(v) for n, v in given.groupby("link")[column].median().items()}
    elif isinstance(given, Mapping) or hasattr(given, "items"):
        column, found = "path_loss_db", {str(n): float(v) for n, v in given.items()}
    else:
        raise DomainError("give losses by name of the link, or a frame with columns link and path_loss_db")
    bad = next((n for n, v in found.items() if not np.isfinite(v)), None)
    if bad is not None:
        raise DomainError(f"{quoted(bad)}: {column} is not finite")
    return (found, {}) if column == "path_loss_db" else ({}, found)
