"""The links of a measured set: a level for each pair of place and receiver, and the pairs not heard."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from tests.validation.measured.hearing import Hearing, fit_hearing
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
    path_loss_db: np.ndarray
    """Median; NaN where the set does not know its equipment."""
    tx_ground_m: np.ndarray
    rx_ground_m: np.ndarray
    tx_position: np.ndarray
    """(n, 2) latitude and longitude in degrees, NaN where unknown."""
    rx_position: np.ndarray
    profile: np.ndarray
    packets: np.ndarray
    """Received."""
    messages: np.ndarray
    """At least as many were sent, as far as can be known."""
    median_dbm: np.ndarray
    """Of the received packets, at one transmit power; NaN where none was received."""
    mean_dbm: np.ndarray
    squares_db2: np.ndarray
    """Sum of the squared deviations from the mean."""
    lowest_dbm: np.ndarray
    """Lowest believable signal of the receiver."""
    level_dbm: np.ndarray
    """Median of the link as judged: of the received packets, or corrected for the lost ones."""
    error_db: np.ndarray
    """Standard error of it, where it is known."""
    limit_dbm: np.ndarray
    """A link that was not heard at all is taken to be weaker than this."""

    @property
    def heard(self) -> np.ndarray:
        return np.isfinite(self.level_dbm)

    def heard_by(self, hearing: Hearing | None) -> "Links":
        """The same links with levels corrected for lost packets, and limits after the number of messages."""
        if hearing is None:
            unknown = np.full(len(self), math.nan)
            return replace(self, level_dbm=self.median_dbm, error_db=unknown, limit_dbm=self.lowest_dbm)
        some = self.packets > 0
        level, error = np.full(len(self), math.nan), np.full(len(self), math.nan)
        level[some], error[some] = hearing.link_level_db(
            self.packets[some], self.messages[some], (self.mean_dbm - self.lowest_dbm)[some]
        )
        limit = self.lowest_dbm + hearing.link_half_db(self.messages)
        return replace(self, level_dbm=level + self.lowest_dbm, error_db=error, limit_dbm=limit)

    def __len__(self) -> int:
        return len(self.group)

    def only(self, which: np.ndarray) -> "Links":
        """Some of the links."""
        return Links(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass(frozen=True)
class Gathered:
    """The links of a set, and how they came about."""

    links: Links
    names: list[str]
    """Of the receivers, by `Links.group`."""
    missing_known: bool
    hearing: Hearing | None
    """How levels were corrected for lost packets; None where they were not."""
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
    elif (
        measured.receivers
        and measured.places
        and len(names) > 1
        and not measured.summarised
        and not np.isfinite(rows.path_loss_db).any()
    ):
        found, more = _with_missing(measured, rows, listed)
        how += more
        missing_known = any(not pair["packets"] for pair in found)
    found = [f for f in found if f["receiver"] in limits and math.isfinite(f["distance_m"])]
    dropped = sum(f["packets"] > 0 for f in listed) - sum(f["packets"] > 0 for f in found)
    if dropped > 0:
        how.append(f"{dropped} heard links left out: no distance, or no other receiver to witness the place")
    if not found:
        how.append("no link has both a level and a distance")
        return Gathered(_links([], number, limits, measured), names, False, None, how)
    every = _links(found, number, limits, measured)
    hearing = _hearing(every, rows, shift, limits, number) if missing_known else None
    if hearing is not None:
        every = every.heard_by(hearing)
        how.append(
            f"packets scatter by {hearing.fading_db:.1f} dB around their link's median; half are heard "
            f"{hearing.half_db:.1f} dB above the receiver's lowest believable signal, softly "
            f"({hearing.softness_db:.1f} dB). Levels of links are corrected for their lost packets, and a "
            "link that was not heard is taken to be weaker than what is heard half the time in so many "
            "messages. On made-up sets this finds slopes to 2 dB a decade and spreads to 1.5 dB, rather "
            "high than low"
        )
    elif missing_known:
        how.append("too few links with repeated packets to correct levels for the lost ones")
    return Gathered(every, names, missing_known, hearing, how)


MEDIANS = ("distance_m", "tx_height_m", "rx_height_m", "frequency_hz", "in_sight")
MEDIANS += ("path_loss_db", "tx_ground_m", "rx_ground_m")


def _listed(rows: Rows, shift: np.ndarray, got: np.ndarray) -> list[dict]:
    """Links of which the tables have rows, each at the setting of which most got through."""
    at: dict[tuple[str, str], dict[tuple[str, ...], list[int]]] = {}
    settings = (rows.spreading_factor, rows.bandwidth_hz, rows.tx_power_dbm)
    for i, key in enumerate(zip(rows.receiver, rows.link, strict=True)):
        at.setdefault(key, {}).setdefault(tuple(str(x[i]) for x in settings), []).append(i)
    found = []
    for (receiver, link), by_setting in at.items():
        i = np.array(max(by_setting.values(), key=lambda where: _delivered(rows, where)))
        ok = i[got[i]]
        level, weight = (rows.signal_dbm + shift)[ok], rows.heard[ok]
        sent = np.where(np.isfinite(rows.sent[i]), rows.sent[i], rows.heard[i])
        mean = float(np.average(level, weights=weight)) if len(ok) else math.nan
        pair = {
            "receiver": receiver,
            "place": rows.place[i[0]] or link,
            "packets": float(weight.sum()),
            "messages": float(sent.sum()),
            "median_dbm": _weighted_median(level, weight) if len(ok) else math.nan,
            "mean_dbm": mean,
            "squares_db2": float((weight * (level - mean) ** 2).sum()),
            **{name: _middle(getattr(rows, name)[i]) for name in MEDIANS},
            "profile": rows.profile[i[0]],
        }
        if pair["packets"] or pair["messages"]:
            found.append(pair)
    return found


def _delivered(rows: Rows, where: list[int]) -> tuple[float, int]:
    """Share of packets that got through, where known; else all, and the larger number decides."""
    sent, heard = rows.sent[where], rows.heard[where]
    share = float(heard.sum() / sent.sum()) if np.isfinite(sent).all() and sent.sum() > 0 else 1.0
    return share, len(where)


def _hearing(
    links: Links, rows: Rows, shift: np.ndarray, limits: dict[str, float], number: dict[str, int]
) -> Hearing | None:
    """Fit how packets are heard to the links of which some were."""
    settings = {str(x) for x in zip(rows.spreading_factor, rows.bandwidth_hz, rows.tx_power_dbm, strict=True)}
    if len(settings) > 1 or len(links) == 0 or (rows.heard > 1).any():
        return None
    got = np.isfinite(rows.signal_dbm) & (rows.heard > 0)
    every = rows.signal_dbm[got] + shift[got] - np.array([limits[r] for r in rows.receiver[got]])
    return fit_hearing(
        links.packets,
        links.messages,
        links.mean_dbm - links.lowest_dbm,
        links.squares_db2,
        np.log10(links.distance_m),
        every,
    )


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
        "path_loss_db": math.nan,
        "tx_ground_m": math.nan,
        "rx_ground_m": math.nan,
        "profile": "",
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
                    "packets": 0.0,
                    "median_dbm": math.nan,
                    "mean_dbm": math.nan,
                    "squares_db2": 0.0,
                }
            found.append({**pair, "messages": max(float(counts.max()), pair["packets"])})
    how = [
        "missing pairs: another receiver heard the place between this one's first and last reception (in "
        "the order of the file, taken for time), this one did not",
        f"lowest believable signal of a receiver: the {LIMIT_PERCENTILE:g} % point of all it received",
        "messages at a place: at least as many as the receiver that heard most of them there",
    ]
    return found, how


def _links(
    found: Sequence[dict], number: dict[str, int], limits: dict[str, float], measured: MeasuredSet
) -> Links:
    names = (
        *MEDIANS,
        *("packets", "messages", "median_dbm", "mean_dbm", "squares_db2"),
    )
    column = {name: np.array([f[name] for f in found], dtype=float) for name in names}
    lowest = np.array([limits[f["receiver"]] for f in found], dtype=float)
    return Links(
        group=np.array([number[f["receiver"]] for f in found], dtype=int),
        place=np.array([f["place"] for f in found], dtype=object),
        tx_position=_positions_of(found, "place", measured.places),
        rx_position=_positions_of(found, "receiver", measured.receivers),
        profile=np.array([f["profile"] for f in found], dtype=object),
        lowest_dbm=lowest,
        level_dbm=column["median_dbm"],
        error_db=np.full(len(found), math.nan),
        limit_dbm=lowest,
        **column,
    )


def _positions_of(found: Sequence[dict], end: str, known: dict[str, tuple[float, float]]) -> np.ndarray:
    nowhere = (math.nan, math.nan)
    return np.array([known.get(f[end], nowhere) for f in found], dtype=float).reshape(-1, 2)


def _middle(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    if (weights == 1.0).all():
        return float(np.median(values))
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(share, 0.5)])
