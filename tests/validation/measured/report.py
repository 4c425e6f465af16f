"""What is said of one set, and of all together: the tables, the bars, and what the data cannot show."""

import itertools
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.validation.measured import packets, score
from tests.validation.measured.blocks import Block, SetReport, plus_minus
from tests.validation.measured.links import Gathered, Links, gather
from tests.validation.measured.predicted import Judged, Ways, judged_links, together
from tests.validation.measured.sets import Assumed, MeasuredSet, UnusableSetError, read_set

BANDS_KM = (0.0, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0, math.inf)

FEWEST_LINKS = 5

TOGETHER = "All sets"


def report_on(
    folder: Path, assumed: Assumed, terrain: Sequence[Path] = (), ways: Ways | None = None
) -> tuple[SetReport, Judged | None]:
    """Judge one set; a set that cannot be judged gives a report that says why."""
    try:
        measured = read_set(folder, assumed)
        gathered = gather(measured)
    except UnusableSetError as error:
        return SetReport(folder.name, False, [Block("Not judged", [str(error)])]), None
    except Exception as error:  # as below
        return SetReport(folder.name, False, [Block("Not judged", [_named(error)])]), None
    report = SetReport(measured.name, False, [Block("What was read", measured.notes)])
    judged = None
    try:
        judged = _links(report, measured, gathered, terrain, ways or Ways())
    except Exception as error:  # a set that is odd in a new way must not hide the others
        report.blocks.append(Block("Not judged: links", [_named(error)]))
    for part in (_packets, _consistency):
        try:
            part(report, measured)
        except Exception as error:  # as above
            report.blocks.append(Block(f"Not judged: {part.__name__.strip('_')}", [_named(error)]))
    report.blocks.append(Block("What this set cannot show", _silent_about(measured, gathered, assumed)))
    return report, judged


def report_together(parts: Sequence[Judged]) -> SetReport:
    """The tables over every set, and the bars."""
    judged = together(parts)
    report = SetReport(TOGETHER, True)
    for title, which in (
        ("Level known", judged.absolute),
        ("Level unknown, an offset for each site", ~judged.absolute),
    ):
        part = judged.only(which)
        if part.measured.any():
            sets = ", ".join(sorted(set(part.set)))
            report.blocks.append(_classes(title, part, [f"sets: {sets}"]))
            if part.low.any():
                report.blocks.append(
                    _margins(f"{title}: said against happened, low ends", part.only(part.low))
                )
    report.bars = list(score.bars(judged))
    if not report.bars:
        report.blocks.append(Block("No bars", [f"no class has {score.FEWEST_FOR_A_BAR} measured links"]))
    return report


def _named(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


# ---------------------------------------------------------------- links and the rules


def _links(
    report: SetReport, measured: MeasuredSet, gathered: Gathered, terrain: Sequence[Path], ways: Ways
) -> Judged | None:
    links = gathered.links
    text = [*gathered.how, f"{len(links)} links, {int(links.heard.sum())} heard"]
    if links.heard.sum() < FEWEST_LINKS:
        report.blocks.append(Block("Links", [*text, "too few heard links to judge anything by"]))
        return None
    rows = []
    for low, high in itertools.pairwise(BANDS_KM):
        inside = (links.distance_m >= low * 1e3) & (links.distance_m < high * 1e3)
        if inside.any():
            name = f"{low:g} to {high:g} km" if math.isfinite(high) else f"{low:g} km and more"
            heard = links.heard[inside]
            rows.append((name, int(inside.sum()), int(heard.sum()), _share(heard.mean())))
    report.blocks.append(Block("Links", text, ("distance", "links", "heard", "share"), rows))
    if gathered.missing_known:
        _slope(report, links)
    judged, notes = judged_links(measured, gathered, terrain, ways)
    if not judged.measured.any():
        report.blocks.append(Block("Not judged: the rules", notes))
        return None
    if judged.absolute.all():
        notes.append("errors are predicted less measured loss: negative is too hopeful")
    else:
        notes.append("an offset for each site, from the other half of its places: level not judged")
    report.blocks.append(_classes("The rules", judged, notes))
    report.blocks.append(_margins("Said against happened", judged))
    rows = [
        (name, score.spread_db(judged, loss))
        for name, loss in (
            ("the rules", judged.predicted_db),
            ("plane earth between the stated heights", judged.flat_db),
            ("free space", judged.free_space_db),
        )
    ]
    text = ["dB, links that were not heard as limits; an offset for each site unless the level is known"]
    report.blocks.append(Block("Spread against laws that know no ground", text, ("law", "spread"), rows))
    report.judged = True
    return judged


def _classes(title: str, judged: Judged, text: Sequence[str]) -> Block:
    rows = [
        (
            c.name,
            c.measured,
            c.links - c.measured,
            c.sites,
            *(c.bias_db, c.sd_db, c.rms_db, c.sigma_db),
            *(_share(x) for x in (c.in_50, c.in_90, c.short_of_90)),
        )
        for c in score.by_class(judged)
    ]
    heads = ("path", "heard", "not", "sites", "bias", "sd", "rms", "stated", "in 50 %", "in 90 %", "weaker")
    return Block(title, text, heads, rows)


def _margins(title: str, judged: Judged) -> Block:
    rows = [
        (
            f"{m.margin_db:g} dB",
            *(_share(x) for x in (m.said, m.had, m.closes, m.closes_had, m.at_risk)),
        )
        for m in score.by_margin(judged)
    ]
    text = [
        "Every link with the power that gives it this predicted margin: the delivery said, the share of "
        "links whose measured loss leaves a margin above 0; how many are said to close, and how many of "
        "these had it."
    ]
    heads = ("predicted margin", "said", "had it", "closes", "of these", "at risk")
    return Block(title, text, heads, rows)


def _slope(report: SetReport, links: Links) -> None:
    found = score.slopes(links)
    if found is None:
        return
    heard, both = (plus_minus(*x) for x in found)
    text = [
        f"heard only: {heard} dB a decade, one offset for each receiver",
        f"missing ones as limits: {both} dB a decade; free space has 20.0",
    ]
    report.blocks.append(Block("Growth of loss with distance", text))


# ---------------------------------------------------------------- packets


def _packets(report: SetReport, measured: MeasuredSet) -> None:
    found = list(packets.within_links(measured.rows))
    if not found:
        return
    report.judged = True
    rows = [(w.what, w.links, w.packets, w.sd_db, w.robust_db, w.depth_db, w.next_db, w.like) for w in found]
    text = [
        f"Packets of links with {packets.FEWEST_PACKETS} or more at one setting, either "
        f"{packets.CLEAR_OF_LIMIT_DB:g} dB above the limit of hearing or nearly all delivered. dB: sd around "
        "the link's mean, robust sd, from the median down to the weakest tenth, and the sd from one packet "
        "to the next (all of it fading; the rest is drift)."
    ]
    heads = ("links", "number", "packets", "sd", "robust", "depth", "next", "like")
    report.blocks.append(Block("Within a link", text, heads, rows))


def _consistency(report: SetReport, measured: MeasuredSet) -> None:
    c = packets.consistency(measured.rows)
    if c is None:
        return
    report.judged = True
    low, middle, high = c.noise_db
    text = [
        f"{c.packets} rows with both. Signal = RSSI - 10 log(1 + 10^(-SNR/10))"
        + (
            f", as the set has it to {max(c.largest_difference_db, 0.01):.2g} dB"
            if math.isfinite(c.largest_difference_db)
            else ""
        ),
        f"signal less SNR, the noise it implies: {middle:.1f} dBm ({low:.1f} to {high:.1f}, 10 and 90 %); "
        f"an ideal receiver has {c.thermal_dbm:.1f} dBm; {_share(c.below_thermal)} of the rows are below "
        "that",
    ]
    if math.isfinite(c.snr_per_db):
        text.append(
            f"SNR grows by {c.snr_per_db:.1f} dB a dB of signal, up to {c.highest_snr_db:.1f} dB (99 %)"
            + (
                ": not the receiver's noise alone; interference, or a reading that flattens. A margin read "
                "from SNR is too small where the signal is strong"
                if c.snr_per_db < 0.8
                else ""
            )
        )
    report.blocks.append(Block("RSSI and SNR", text))


# ---------------------------------------------------------------- limits


def _silent_about(measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> list[str]:
    has = measured.stated
    found = []
    if "path_loss" not in has or not measured.level_usable:
        found.append("its equipment is not known: no absolute level, only spreads and orderings")
    if not ({"tx_height", "tx_altitude"} & has and {"rx_height", "rx_altitude"} & has):
        found.append(
            f"antenna heights are not stated: {assumed.rx_height_m:g} m and {assumed.tx_height_m:g} m "
            "assumed, the offset takes what is wrong with that, but not its change with distance"
        )
    if gathered.missing_known and not np.isfinite(measured.rows.sent).any():
        found.append(
            "a pair may be missing because of a collision, interference or a receiver switched off, not "
            "for weakness: the spread is then too large, and its limit of hearing too low"
        )
    elif not gathered.missing_known:
        found.append("links that were not heard are not in the set: spreads are those of survivors")
    found.append("seasons, positions and equipment of one place and time are all there is")
    return found


def _share(value: float) -> str:
    return f"{100.0 * value:.0f} %" if math.isfinite(value) else "-"
