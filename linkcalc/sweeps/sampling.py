"""Uncertain inputs drawn together, and every draw answered as `linkcalc.check_plan` would.

A sweep takes every combination of its values; here the values of a draw belong together. The pieces of a budget and
their code are those of `linkcalc.sweeps.sweeping`: each is worked out once for every different combination of what
touches it.

Errors are those of a sweep; draws that differ in number are a `DomainError`, and a draw outside what the plan allows a
`PlanError`: nothing is clipped, truncate the distribution.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._kinds import kinds_checked
from linkcalc._version import __version__
from linkcalc.errors import ArgumentError, DomainError, quoted
from linkcalc.link.on_ground import open_terrain, recorded_notes
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import ExtraLoss, LoadedPlan, PlanLike, Station, as_plan
from linkcalc.plan.fleet import LoadedFleet
from linkcalc.plan.loading import chosen_link
from linkcalc.plan.stations import position_deg
from linkcalc.sweeps.parameters import Parameter
from linkcalc.sweeps.sweeping import (
    MOST_CELLS,
    Cases,
    Grid,
    stated_current_ma,
    table,
    varied_on,
)
from linkcalc.sweeps.table import Sweep, Values
from linkcalc.terrain import geodesy

if TYPE_CHECKING:
    import xarray

DRAWS = 10_000
"""Where nobody says how many."""


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Sample(Sweep):
    """A table of draws: a `Sweep` along ``draw`` (and ``link``, where there are several), with what was drawn.

    Examples
    --------
    >>> import linkcalc as lc
    >>> from scipy.stats import norm
    >>> plan = lc.load_plan(lc.sample_path("plain"))
    >>> found = lc.sample(plan, {"far.height": norm(4, 0.3), "k_factor": [1.2, 1.33, 1.5]}, seed=1)
    >>> found.shape, found.drawn["k_factor"].tolist()
    ((3,), [1.2, 1.33, 1.5])
    >>> sum(found.shares().values())
    1.0
    """

    drawn: Mapping[str, Values] = field(repr=False)
    """Values of what was drawn, each (draws,)."""
    seed: int | None
    """Of the generator; None where one was given, or nothing was drawn here."""

    def __getitem__(self, name: str) -> Values:
        """One array of the data, or what was drawn of one input."""
        return self.drawn[name] if name in self.drawn else super().__getitem__(name)

    @property
    def line(self) -> str:
        """The answer in one line."""
        share = {word: f"{100.0 * part:.1f} %" for word, part in self.shares().items()}
        low, middle, high = np.quantile(self["spare_margin_db"], (0.05, 0.5, 0.95))
        of = f"link {quoted(self.link)}" if self.link else f"{len(self.coords.get('link', ()))} links"
        count = len(next(iter(self.drawn.values())))
        return (
            f"{count} draws of {of}: {share['closes']} close, {share['at_risk']} at risk, "
            f"{share['does_not_close']} do not close; margin over the required one {middle:.1f} dB, 90 % interval "
            f"{low:.1f} to {high:.1f} dB"
        )

    def shares(self) -> dict[str, float]:
        """Share of the draws with each verdict; of the links too, where there are several."""
        return {word: float(np.mean(self["verdict"] == word)) for word in VERDICTS[::-1]}

    def drivers(self, name: str = "spare_margin_db") -> dict[str, float]:
        """Which input moves a figure most: rank correlation of each number drawn with it, largest first.

        Parameters
        ----------
        name : str
            A figure of one link (`select` one first where there are several).

        Returns
        -------
        dict of str to float, -1 to 1
            Spearman's; without what was drawn as words.
        """
        from scipy.stats import rankdata

        if "link" in self.dims:
            raise DomainError("draws of several links: select one first, as in .select({'link': name})")
        moved = rankdata(self[name])
        found = {
            key: float(np.corrcoef(rankdata(values), moved)[0, 1])
            for key, values in self.drawn.items()
            if values.dtype.kind in "fiu" and np.ptp(values) > 0 and np.ptp(moved) > 0
        }
        return dict(sorted(found.items(), key=lambda item: -abs(item[1])))

    def columns(self) -> dict[str, Values]:
        """What was drawn and what follows as columns, one row a draw (and link)."""
        columns = super().columns()
        axes = {name: columns.pop(name) for name in self.dims}
        rows = axes.get("draw", np.zeros(self.size, dtype=np.int64))
        return axes | {name: values[rows] for name, values in self.drawn.items()} | columns

    def to_xarray(self) -> "xarray.Dataset":
        """Return a dataset along ``draw`` (and ``link``); what was drawn are coordinates along ``draw``."""
        found = super().to_xarray()
        if "draw" not in self.dims:
            return found
        return found.assign_coords({name: ("draw", values) for name, values in self.drawn.items()})

    def _about(self) -> dict[str, str]:
        return super()._about() | {"seed": "" if self.seed is None else str(self.seed)}


@kinds_checked
def sample(
    plan: PlanLike | LoadedFleet,
    uncertain: Any,
    *,
    draws: int | None = None,
    seed: int | np.random.Generator = 0,
    link: str | None = None,
) -> Sample:
    """Answer a link, or all links of a plan or a fleet, for inputs that are drawn together.

    Parameters
    ----------
    plan : path, mapping, Plan, LoadedPlan or LoadedFleet
        Of a fleet each node's link to the shed it names, or to the nearest.
    uncertain : mapping or DataFrame
        For each input its distribution (a frozen one of `scipy.stats`), or its draws, array_like (n,). Names are
        those of `linkcalc.sweep_plan`: ``far.antenna_height_m``, ``k_factor``, ``tank.height`` for the station of
        that name. A tuple of names may have a distribution of as many variables, for inputs that are correlated.
        Distributions of their own key are drawn independently.
    draws : int, optional
        How many; by default as many as the given draws, or 10,000.
    seed : int or numpy.random.Generator
        Where the draws come from; the same seed gives the same draws.
    link : str, optional
        Which link; by default all of them, over the same draws.

    Returns
    -------
    Sample
        One row a draw; of several links, dimensions ``link`` and ``draw``.

    Notes
    -----
    Every draw is what a check of the plan with those values says, so its verdict allows for what the plan leaves
    unknown besides. What is drawn here is better not counted twice: draw the antennas' heights with
    ``height_error_m = 0`` in [conditions], their gains with ``antenna_gain_error_db = 0``.

    Examples
    --------
    >>> import linkcalc as lc
    >>> from scipy.stats import truncnorm, uniform
    >>> plan = lc.load_plan(lc.sample_path("plain"))
    >>> found = lc.sample(plan, {"far.height": uniform(3, 2), "nf": truncnorm(-3, 3, 6, 1)}, draws=500, seed=7)
    >>> found["fade_margin_db"].shape, list(found.drivers())[0]
    ((500,), 'far.antenna_height_m')
    """
    loaded = plan_of_fleet(plan) if isinstance(plan, LoadedFleet) else as_plan(plan)
    names = [k.name for k in loaded.plan.link]
    links = [chosen_link(loaded, link)] if link is not None or len(names) == 1 else list(loaded.plan.link)
    given = _drawn(uncertain, draws, seed)
    size = len(next(iter(given.values())))
    if size * len(links) > MOST_CELLS:
        raise DomainError(f"{size * len(links):_} draws and links are more than {MOST_CELLS:_}: draw less")
    used: dict[str, Values] = {}
    tables = []
    with open_terrain(loaded) as terrain, recorded_notes() as said:
        for one in links:
            ends = loaded.plan.station_named(one.from_), loaded.plan.station_named(one.to)
            others = {s.name for s in loaded.plan.station} - {s.name for s in ends}
            # what is of a station that this link does not have is left to the links that do
            keys = [n for n in given if not any(n.startswith(f"{other}.") for other in others)]
            inputs, growing = varied_on(loaded, one, ends, keys)
            varied = dict(zip(keys, inputs, strict=True))
            used |= {name: given[key] for name, key in _names(varied, ends, len(links) > 1)}
            cases = Cases(loaded, one, *ends, terrain, growing)
            rows = _Rows(cases, inputs, [given[key] for key in keys], size)
            found = table(rows, stated_current_ma(loaded, ends[0].name))
            tables.append({name: np.broadcast_to(array, (size,)) for name, array in found.items()})
    # by identity: draws of two inputs may be equal
    unused = [key for key in given if not any(given[key] is values for values in used.values())]
    if unused:
        raise DomainError(f"{quoted(unused[0])} is of no link of this plan")
    several = len(links) > 1
    first = links[0]
    coords: dict[str, Values] = {"link": np.array([k.name for k in links], dtype=object)} if several else {}
    return Sample(
        link="" if several else first.name,
        ends=("", "") if several else (first.from_, first.to),
        dims=("link", "draw") if several else ("draw",),
        coords=coords | {"draw": np.arange(size)},
        planned={},
        data={
            name: np.stack([t[name] for t in tables]) if several else tables[0][name] for name in tables[0]
        },
        title=loaded.plan.title,
        plan_digest=loaded.digest,
        linkcalc_version=__version__,
        warnings=tuple(said),
        drawn=used,
        seed=seed if isinstance(seed, int) else None,
    )


def _drawn(uncertain: Any, draws: int | None, seed: int | np.random.Generator) -> dict[str, Values]:
    """Draws of each name, all of one length."""
    if not hasattr(uncertain, "keys"):
        raise ArgumentError(
            "uncertain is a frame of draws, or a dict of distributions or draws by key; "
            f"not {type(uncertain).__name__}"
        )
    given = {name: uncertain[name] for name in uncertain}
    if not given:
        raise DomainError("nothing to draw: give one input or more, each with a distribution or its draws")
    if draws is not None and (isinstance(draws, bool) or not isinstance(draws, int) or draws < 1):
        raise DomainError(f"draws = {draws!r}: give a whole number from 1")
    arrays = {name: np.asarray(v) for name, v in given.items() if not _is_distribution(v)}
    for name, values in arrays.items():
        if values.ndim != 1 + isinstance(name, tuple) or not values.size:
            raise DomainError(f"{name}: give a distribution, or one row of draws")
    lengths = {len(v) for v in arrays.values()} | ({draws} if draws is not None else set())
    if len(lengths) > 1:
        raise DomainError(f"draws differ in number: {', '.join(map(str, sorted(lengths)))}")
    size = lengths.pop() if lengths else DRAWS
    if size > MOST_CELLS:
        raise DomainError(f"{size:_} draws are more than {MOST_CELLS:_}: draw less")
    random = np.random.default_rng(seed)
    found: dict[str, Values] = {}
    for name, what in given.items():
        values = arrays[name] if name in arrays else np.asarray(_draw(name, what, size, random))
        keys = name if isinstance(name, tuple) else (name,)
        columns = values.reshape(size, -1).T
        if len(columns) != len(keys):
            raise DomainError(f"{name}: {len(columns)} values a draw for {len(keys)} names")
        for key, column in zip(keys, columns, strict=True):
            if key in found:
                raise DomainError(f"{key} is given twice")
            found[str(key)] = column
    return found


def _is_distribution(value: Any) -> bool:
    return hasattr(value, "rvs") or hasattr(value, "icdf")


def _draw(name: Any, distribution: Any, size: int, random: np.random.Generator) -> Any:
    if not hasattr(distribution, "rvs"):  # scipy's newer family
        return distribution.sample(size, rng=random)
    try:
        return distribution.rvs(size=size, random_state=random)
    except TypeError:
        raise DomainError(f"{name}: give a distribution with its figures, as in norm(6.0, 0.5)") from None


def _names(
    varied: Mapping[str, Parameter], ends: tuple[Station, Station], several: bool
) -> Iterable[tuple[str, str]]:
    """The plan's name of each input, and the name it was given by; stations by name where links are several."""
    for key, one in varied.items():
        station = next((s.name for s in ends if several and key.startswith(f"{s.name}.")), None)
        bare = one.name.partition(".")[2]
        yield (one.name if station is None else f"{station}.{bare}"), key


_BENT = ("antenna_height_m", "delta_n", "k_factor")
_ALONG: Mapping[str, Collection[str]] = {
    "path": (*_BENT, "installation_db"),
    "antenna": (*_BENT, "antenna.gain_dbi"),
    "power": ("transmit_power_dbm",),
    "noise": ("antenna_height_m", "noise_figure_db", "noise_rise_db", "feeder.length_m"),
    "feeder": ("antenna_height_m", "feeder.length_m"),
}
"""Of each piece the inputs that its code takes as arrays; of the rest every different value is a case of its own."""


class _Rows(Grid):
    """Draws in place of combinations: pieces are worked out for every different row of what touches them."""

    along = _ALONG

    def __init__(self, cases: Cases, varied: Sequence[Parameter], drawn: Sequence[Values], size: int) -> None:
        values: list[tuple[Any, ...]] = []
        codes: list[NDArray[np.int64]] = []
        for one, column in zip(varied, drawn, strict=True):
            # the plan's rules are tried on the least and the largest alone: a NaN among them would pass
            if column.dtype.kind == "f" and not np.isfinite(column).all():
                raise DomainError(f"{one.name}: a draw is not a finite number")
            different, code = np.unique(column, return_inverse=True)
            own = one.checked_values(different.tolist())
            cases.check(one, own)
            values.append(own)
            codes.append(code)
        super().__init__(cases, varied, values)
        self._drawn = codes
        self.shape = (size,)

    def _shape(self, piece: str) -> tuple[int, ...]:
        return self.shape if any(piece in p.touches for p in self._varied) else (1,)

    def _codes(self, shape: tuple[int, ...]) -> Sequence[NDArray[np.int64]]:
        return self._drawn


def plan_of_fleet(loaded: LoadedFleet) -> LoadedPlan:
    """A fleet as a plan of many links, named as its nodes: from every node to the shed it names, or to the nearest."""
    common = loaded.plan()
    equipment, *sheds = common.plan.station
    places = {shed.name: position_deg(shed) for shed in sheds}
    stations, links = [], []
    taken = {shed.name for shed in sheds}
    for node in loaded.nodes:
        # a node may be called as a shed, which a plan refuses of its stations; names end at 60 characters
        name = node.name if node.name not in taken else f"{node.name[:54]} node"
        keys = ("latitude_deg", "longitude_deg", "easting_m", "northing_m", "epsg", "antenna_height_m",
                "transmit_power_dbm")  # fmt: skip
        own: dict[str, Any] = {k: getattr(node, k) for k in keys if getattr(node, k) is not None}
        if node.extra_loss_db:
            extra = ExtraLoss(loss_db=node.extra_loss_db, reason="of this node")
            own["extra_loss"] = [*equipment.extra_loss, extra]
        station = equipment.model_copy(update=own | {"name": name})
        to = node.shed or _nearest(position_deg(station), places)
        link = next(k for k in common.plan.link if k.to == to)
        changes: dict[str, Any] = {"name": node.name, "from_": name}
        if node.payload_bytes is not None:
            changes["payload_bytes"] = node.payload_bytes
        if node.spreading_factor is not None:
            changes["modulation"] = link.modulation.model_copy(
                update={"spreading_factor": node.spreading_factor}
            )
        stations.append(station)
        links.append(link.model_copy(update=changes))
    plan = common.plan.model_copy(update={"station": [*stations, *sheds], "link": links})
    return replace(common, plan=plan)


def _nearest(here: tuple[float, float], places: Mapping[str, tuple[float, float]]) -> str:
    return min(places, key=lambda name: geodesy.path_between(*here, *places[name])[0])
