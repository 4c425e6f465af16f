"""The links of a measured set: a level for each pair of place and receiver, and the pairs not heard."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from tests.validation.measured.models import SHORTEST_M, Paths, horizon_m
from tests.validation.measured.sets import MeasuredSet, Rows, great_circle_m

FEWEST_HEARD = 5
"""A receiver that heard fewer places has no offset of its own worth the name."""

LIMIT_PERCENTILE = 2.0
"""Of a receiver's signals: the lowest believable one. The very lowest is a single lucky reading."""


@dataclass
class Links:
    """One element a pair of place and receiver."""

    group: np.ndarray
    """Which receiver, as a number; its name is groups[number]."""
    place: np.ndarray
    distance_m: np.ndarray
    tx_height_m: np.ndarray
    rx_height_m: np.ndarray
    frequency_hz: np.ndarray
    in_sight: np.ndarray
    level_dbm: np.ndarray
    """Median of the received packets, at one transmit power; NaN where none was received."""
    packets: np.ndarray
    """Received."""
    messages: np.ndarray
    """At least as many were sent, as far as can be known."""
    limit_dbm: np.ndarray
    """Lowest believable signal of the receiver."""

    @property
    def heard(self) -> np.ndarray:
        return np.isfinite(self.level_dbm)

    @property
    def paths(self) -> Paths:
        return Paths(self.distance_m, self.tx_height_m, self.rx_height_m, self.frequency_hz, self.in_sight)

    def __len__(self) -> int:
        return len(self.group)

    def only(self, which: np.ndarray) -> "Links":
        """Some of the links; receivers that keep too few heard ones leave with all of theirs."""
        kept = Links(**{f.name: getattr(self, f.name)[which] for f in fields(self)})
        enough = np.bincount(kept.group, kept.heard, minlength=int(self.group.max(initial=0)) + 1)
        mask = enough[kept.group] >= FEWEST_HEARD
        return Links(**{f.name: getattr(kept, f.name)[mask] for f in fields(self)})


@dataclass(frozen=True)
class Gathered:
    """The links of a set, and how they came about."""

    every: Links
    """All distances."""
    judged: Links
    """Within the distances that models without terrain can be asked about."""
    missing_known: bool
    names: list[str]
    how: list[str]


def gather(measured: MeasuredSet) -> Gathered:
    """Put the rows of a set together to links, and find the pairs that were not heard."""
    rows, how = measured.rows, []
    if (rows.receiver != "").any() and (rows.receiver == "").any():
        unknown = rows.receiver == ""
        how.append(f"{int(unknown.sum())} rows without a known receiver left out")
        rows = rows.only(~unknown)
    power = rows.tx_power_dbm
    if np.isfinite(power).any() and np.nanmax(power) > np.nanmin(power):
        how.append(f"levels taken to one transmit power, {np.nanmedian(power):g} dBm")
    shift = np.where(
        np.isfinite(power), np.nanmedian(power) - power if np.isfinite(power).any() else 0.0, 0.0
    )
    names = sorted(set(rows.receiver))
    number = {name: i for i, name in enumerate(names)}
    got = np.isfinite(rows.signal_dbm) & (rows.heard > 0)
    limits = {
        name: float(np.percentile(rows.signal_dbm[got & (rows.receiver == name)], LIMIT_PERCENTILE))
        for name in names
        if (got & (rows.receiver == name)).any()
    }
    listed = _listed(rows, shift, got)
    found = listed
    stated = np.isfinite(rows.sent).any()
    missing_known = bool(stated and (rows.heard == 0).any())
    if stated:
        how.append("losses are listed by the set")
    elif measured.receivers and measured.places and len(names) > 1 and not measured.summarised:
        found, more = _with_missing(measured, rows, listed)
        how += more
        missing_known = any(not pair["packets"] for pair in found)
    found = [f for f in found if f["receiver"] in limits and math.isfinite(f["distance_m"])]
    dropped = len(listed) - sum(bool(f["packets"]) for f in found)
    if dropped > 0:
        how.append(f"{dropped} heard links left out: no distance, or no other receiver to witness the place")
    if not found:
        empty = _links([], number, limits)
        return Gathered(empty, empty, False, names, [*how, "no link has both a level and a distance"])
    every = _links(found, number, limits)
    heard_by = np.bincount(every.group[every.heard], minlength=len(names))
    if not (heard_by >= FEWEST_HEARD).any() and every.heard.sum() >= FEWEST_HEARD:
        how.append(f"no receiver has {FEWEST_HEARD} links: one offset for all")
        every, names = replace(every, group=np.zeros(len(every), dtype=int)), ["all"]
    reach = horizon_m(every.tx_height_m, every.rx_height_m)
    near, far = every.distance_m < SHORTEST_M, every.distance_m > reach
    how.append(
        f"judged from {SHORTEST_M:g} m, where the models begin, to {float(np.median(reach)) / 1e3:.1f} km, "
        f"the smooth-earth horizon of the heights: {int((near & every.heard).sum())} heard links are nearer, "
        f"{int((far & every.heard).sum())} farther"
    )
    return Gathered(every.only(~near), every.only(~near & ~far), missing_known, names, how)


def _listed(rows: Rows, shift: np.ndarray, got: np.ndarray) -> list[dict]:
    """Links of which the tables have rows."""
    at: dict[tuple[str, str], list[int]] = {}
    for i, key in enumerate(zip(rows.receiver, rows.link, strict=True)):
        at.setdefault(key, []).append(i)
    found = []
    for (receiver, link), where in at.items():
        i = np.array(where)
        ok = i[got[i]]
        level = _weighted_median((rows.signal_dbm + shift)[ok], rows.heard[ok]) if len(ok) else math.nan
        sent = np.where(np.isfinite(rows.sent[i]), rows.sent[i], rows.heard[i])
        found.append(
            {
                "receiver": receiver,
                "place": rows.place[i[0]] or link,
                "distance_m": _middle(rows.distance_m[i]),
                "tx_height_m": _middle(rows.tx_height_m[i]),
                "rx_height_m": _middle(rows.rx_height_m[i]),
                "frequency_hz": _middle(rows.frequency_hz[i]),
                "in_sight": _middle(rows.in_sight[i]),
                "level_dbm": level,
                "packets": float(rows.heard[ok].sum()),
                "messages": float(sent.sum()),
            }
        )
    return [f for f in found if f["packets"] or f["messages"]]


def _with_missing(measured: MeasuredSet, rows: Rows, listed: Sequence[dict]) -> tuple[list[dict], list[str]]:
    """Pairs of place and receiver while it was listening, at places that another receiver heard.

    Whether a pair counts must not depend on whether it was heard: so heard pairs too are kept only
    where another receiver heard the place.
    """
    order = np.arange(len(rows))
    heard = {(f["receiver"], f["place"]): f for f in listed}
    by_place: dict[str, np.ndarray] = {p: np.flatnonzero(rows.place == p) for p in measured.places}
    common = {
        "tx_height_m": float(np.median(rows.tx_height_m)),
        "rx_height_m": float(np.median(rows.rx_height_m)),
        "frequency_hz": float(np.median(rows.frequency_hz)),
        "in_sight": math.nan,
    }
    found = []
    for receiver, position in measured.receivers.items():
        own = order[rows.receiver == receiver]
        if not len(own):
            continue
        for place, at in by_place.items():
            while_listening = at[(at >= own[0]) & (at <= own[-1])]
            others = while_listening[rows.receiver[while_listening] != receiver]
            if not len(others):
                continue
            _, counts = np.unique(rows.receiver[others].astype(str), return_counts=True)
            pair = heard.get((receiver, place))
            if pair is None:
                pair = {
                    **common,
                    "receiver": receiver,
                    "place": place,
                    "distance_m": great_circle_m(position, measured.places[place]),
                    "level_dbm": math.nan,
                    "packets": 0.0,
                }
            found.append({**pair, "messages": max(float(counts.max()), pair["packets"])})
    how = [
        "missing pairs: another receiver heard the place between this one's first and last reception (in the "
        "order of the file, taken for time), this one did not; taken to be weaker than its lowest believable "
        f"signal, the {LIMIT_PERCENTILE:g} % point of all it received",
        "messages at a place: at least as many as the receiver that heard most of them there",
    ]
    return found, how


def _links(found: Sequence[dict], number: dict[str, int], limits: dict[str, float]) -> Links:
    def column(name: str) -> np.ndarray:
        return np.array([f[name] for f in found], dtype=float)

    return Links(
        group=np.array([number[f["receiver"]] for f in found], dtype=int),
        place=np.array([f["place"] for f in found], dtype=object),
        limit_dbm=np.array([limits[f["receiver"]] for f in found], dtype=float),
        **{
            name: column(name)
            for name in (
                "distance_m",
                "tx_height_m",
                "rx_height_m",
                "frequency_hz",
                "in_sight",
                "level_dbm",
                "packets",
                "messages",
            )
        },
    )


def _middle(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    if (weights == 1.0).all():
        return float(np.median(values))
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(share, 0.5)])
