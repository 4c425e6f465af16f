"""What is said of one set: the tables, what they mean, the bars, and what the data cannot show."""

import itertools
import math
from pathlib import Path

import numpy as np

from linkcalc.plan import Conditions
from linkcalc.propagation import clutter
from tests.validation.measured import delivery, fits, packets
from tests.validation.measured.blocks import Bar, Block, SetReport, plus_minus
from tests.validation.measured.fits import BINS, CENSORED, NAIVE, Score
from tests.validation.measured.links import FEWEST_HEARD, Gathered, Links, gather
from tests.validation.measured.models import DEFAULT, FREE_SPACE, TWO_RAY, Paths, losses
from tests.validation.measured.sets import Assumed, MeasuredSet, UnusableSetError, read_set

FEWEST_FOR_A_BAR = 20
"""Heard links: with fewer, a spread is known no better than to a sixth, and a bar would be a toss."""

BANDS_KM = (0.0, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0, math.inf)


def report_on(folder: Path, assumed: Assumed) -> SetReport:
    """Judge one set; a set that cannot be judged gives a report that says why."""
    try:
        measured = read_set(folder, assumed)
        gathered = gather(measured)
    except UnusableSetError as error:
        return SetReport(folder.name, False, [Block("Not judged", [str(error)])])
    except Exception as error:  # as below
        return SetReport(folder.name, False, [Block("Not judged", [f"{type(error).__name__}: {error}"])])
    report = SetReport(measured.name, False, [Block("What was read", measured.notes)])
    for part in (_links, _packets, _consistency, _delivery):
        try:
            part(report, measured, gathered, assumed)
        except Exception as error:  # a set that is odd in a new way must not hide the others
            name = part.__name__.strip("_")
            report.blocks.append(Block(f"Not judged: {name}", [f"{type(error).__name__}: {error}"]))
    report.blocks.append(Block("What this set cannot show", _silent_about(measured, gathered, assumed)))
    return report


# ---------------------------------------------------------------- links and models


def _links(report: SetReport, measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> None:
    links, every = gathered.judged, gathered.every
    text = list(gathered.how)
    if links.heard.sum() < FEWEST_HEARD:
        report.blocks.append(
            Block("Links", [*text, f"{int(links.heard.sum())} heard links: too few to judge a model by"])
        )
        return
    receivers = len(np.unique(links.group))
    text.append(
        f"{len(links)} pairs of place and receiver, {int(links.heard.sum())} heard, {receivers} receivers "
        f"with {FEWEST_HEARD} or more heard places"
    )
    if gathered.missing_known:
        rows = []
        for low, high in itertools.pairwise(BANDS_KM):
            inside = (every.distance_m >= low * 1e3) & (every.distance_m < high * 1e3)
            if inside.any():
                name = f"{low:g} to {high:g} km" if math.isfinite(high) else f"{low:g} km and more"
                rows.append(
                    (
                        name,
                        int(inside.sum()),
                        int(every.heard[inside].sum()),
                        _share(every.heard[inside].mean()),
                    )
                )
        report.blocks.append(Block("Links", text, ("distance", "pairs", "heard", "share"), rows))
    else:
        text.append("what was not heard is not known: survivors only")
        report.blocks.append(Block("Links", text))
    law_of = fits.laws(links)
    scores = {name: fits.score(links, law) for name, law in law_of.items()}
    _slope(report, links, gathered, law_of)
    _models(report, links, gathered, scores, assumed)
    _sight(report, links)
    if gathered.missing_known:
        _reliability(report, links, law_of, scores)
        _variations(report, gathered)
    _bars(report, measured, gathered, scores)
    report.judged = True


def _slope(report: SetReport, links: Links, gathered: Gathered, law_of: dict) -> None:
    if np.ptp(np.log10(links.distance_m)) < 0.3:
        report.blocks.append(
            Block("Growth of loss with distance", ["all links are about as long: not judged"])
        )
        return
    s = fits.slopes(links, law_of)
    text = [
        f"heard only: {s.naive_db:.1f} ± {s.naive_error_db:.1f} dB a decade, one offset for each receiver"
    ]
    if gathered.missing_known:
        text += [
            f"missing ones as limits: {s.censored_db:.1f} ± {s.censored_error_db:.1f} dB a decade "
            f"({s.lowest_db:.1f} to {s.highest_db:.1f} leaving out one receiver after the other)",
            f"so the slope among survivors is {s.censored_db - s.naive_db:.1f} dB a decade too small: "
            f"fitted at 1 km, it promises {s.censored_db - s.naive_db:.1f} dB too much at 10 km; free "
            "space has 20.0",
        ]
    report.blocks.append(Block("Growth of loss with distance", text))


def _models(
    report: SetReport, links: Links, gathered: Gathered, scores: dict[str, Score], assumed: Assumed
) -> None:
    heights = f"{np.median(links.rx_height_m):g} m and {np.median(links.tx_height_m):g} m"
    text = [
        f"Antennas {heights} above flat ground (assumed where the set does not say). The default is flat "
        "P.1812 plus the median of P.2108, section 3.2, at the lower end (none if in sight): what the "
        "standards give a planner without terrain in a built-up area. Nothing in it is fitted.",
        "Heard only, dB: sd, robust sd (1.48 x median deviation) and median absolute error after one "
        "offset for each receiver; half: sd with the offset from one half of the receiver's places, on the "
        "other half.",
    ]
    cross = len(np.unique(links.group)) >= 3
    text.append(
        "Slopes and spreads are those of the other receivers."
        if cross
        else f"Too few receivers to leave one out: fitted on {fits.FOLDS - 1} fifths of the links, "
        "judged on the fifth."
    )
    if gathered.missing_known:
        text.append(
            "Missing ones as limits: spread, dB; gain in log likelihood over two baselines, per 100 "
            "pairs, on the other half, with its standard error over receivers. This is decisive, the "
            "heard-only columns are not: a far link is in the list only if it was lucky, and after an "
            "offset a model that is too flat looks best among the lucky. Free space itself has "
            f"{100.0 * float(np.nanmean(scores[FREE_SPACE].strict)):.1f}."
        )
    heads = ["model", "sd", "robust", "median", "half"]
    if gathered.missing_known:
        heads += ["spread", "over free space", "over two-ray"]
    rows = []
    for name, s in scores.items():
        row: list = [name, s.heard_sd_db, s.heard_robust_db, s.heard_median_error_db, s.heard_strict_sd_db]
        if gathered.missing_known:
            row += [
                s.spread_db,
                *(
                    "-" if name == base else plus_minus(*fits.gain(links, s, scores[base]))
                    for base in (FREE_SPACE, TWO_RAY)
                ),
            ]
        rows.append(row)
    offsets = scores[DEFAULT].offsets_db
    if len(offsets) > 2:
        text.append(
            f"Offsets of the receivers to the default differ by {np.std(offsets, ddof=1):.1f} dB (sd): "
            "antennas, heights and hills that the set does not tell; a plan knows its own."
        )
    report.blocks.append(Block("Models", text, heads, rows))


def _sight(report: SetReport, links: Links) -> None:
    clear, blocked = links.heard & (links.in_sight == 1.0), links.heard & (links.in_sight == 0.0)
    if min(clear.sum(), blocked.sum()) < 3:
        return
    blind = Paths(
        links.distance_m,
        links.tx_height_m,
        links.rx_height_m,
        links.frequency_hz,
        np.full(len(links), math.nan),
    )
    loss = losses(blind, ["flat P.1812", DEFAULT])
    seen = links.level_dbm + loss["flat P.1812"]
    means = np.bincount(links.group[links.heard], seen[links.heard]) / np.maximum(
        np.bincount(links.group[links.heard]), 1
    )
    left = seen - means[links.group]
    gap = float(left[clear].mean() - left[blocked].mean())
    error = math.sqrt(left[clear].var(ddof=1) / clear.sum() + left[blocked].var(ddof=1) / blocked.sum())
    expected = float((loss[DEFAULT] - loss["flat P.1812"])[blocked].mean())
    report.blocks.append(
        Block(
            "In sight against out of sight",
            [
                f"at equal flat P.1812 loss, the {int(blocked.sum())} heard links out of sight are "
                f"{gap:.1f} ± {error:.1f} dB weaker than the {int(clear.sum())} in sight; P.2108 expects "
                f"{expected:.1f} dB"
            ],
        )
    )


def _reliability(report: SetReport, links: Links, law_of: dict, scores: dict[str, Score]) -> None:
    plan_db = Conditions().model_error_db
    columns = {
        "default": scores[DEFAULT],
        f"default, {plan_db:g} dB": fits.score(links, law_of[DEFAULT], sigma_db=plan_db),
        "free space": scores[FREE_SPACE],
        "two-ray": scores[TWO_RAY],
        "log-dist.": scores[CENSORED],
        "heard only": scores[NAIVE],
    }
    tables = {name: fits.reliability(links, s.probability) for name, s in columns.items()}
    rows: list[list] = []
    for i, (low, high) in enumerate(itertools.pairwise(BINS)):
        rows.append(
            [
                f"{100 * low:.0f} to {100 * high:.0f} %",
                *(f"{_share(t[i][2])} of {t[i][0]}" if t[i][0] else "-" for t in tables.values()),
            ]
        )
    rows.append(["score x 100", *(100.0 * fits.brier(links, s.probability) for s in columns.values())])
    report.blocks.append(
        Block(
            "Heard or not",
            [
                "Of the pairs that were given a chance, how many were heard. Offset from the other half of "
                "the receiver's places, all else from the other receivers. Second column: with the error "
                "that a plan assumes in place of the fitted one. Last: the law fitted to the heard alone.",
                "Score: mean square of chance less outcome, smaller is better; saying the overall share "
                f"every time gives {100.0 * links.heard.mean() * (1.0 - links.heard.mean()):.1f}.",
            ],
            ("chance", *columns),
            rows,
        )
    )


def _variations(report: SetReport, gathered: Gathered) -> None:
    rows = [
        (v.what, v.links, v.heard, v.slope_db, v.default_db, v.two_ray_db, v.free_space_db, v.over_two_ray)
        for v in fits.variations(gathered)
    ]
    report.blocks.append(
        Block(
            "Does it hang on what was assumed",
            [
                "Slope of the censored law, dB a decade; spreads with the missing ones as limits, dB; "
                "last, the default over two-ray in log likelihood per 100 pairs (fitted, not "
                "cross-validated)."
            ],
            ("changed", "pairs", "heard", "slope", "default", "two-ray", "free space", "over"),
            rows,
        )
    )


def _bars(report: SetReport, measured: MeasuredSet, gathered: Gathered, scores: dict[str, Score]) -> None:
    links, default = gathered.judged, scores[DEFAULT]
    if links.heard.sum() < FEWEST_FOR_A_BAR:
        few = f"{int(links.heard.sum())} heard links: fewer than {FEWEST_FOR_A_BAR}, shown but held to no bar"
        report.blocks.append(Block("No bars", [few]))
        return
    for base in (FREE_SPACE, TWO_RAY):
        other = scores[base]
        if gathered.missing_known:
            value, error = fits.gain(links, default, other)
            numbers = (
                f"{plus_minus(value, error)} in log likelihood per 100 pairs not fitted to; spread "
                f"{default.spread_db:.1f} against {other.spread_db:.1f} dB"
            )
            apart = abs(value) > 2.0 * error
        else:
            value = other.heard_strict_sd_db - default.heard_strict_sd_db
            error = other.heard_strict_sd_db / math.sqrt(2.0 * max(int(links.heard.sum()) - 1, 1))
            numbers = (
                f"spread {default.heard_strict_sd_db:.1f} against {other.heard_strict_sd_db:.1f} dB on "
                f"links not fitted to, survivors only, {int(links.heard.sum())} links"
            )
            apart = abs(value) > 2.0 * error
        if not apart:
            numbers += "; not told apart"
        report.bars.append(Bar(f"the default beats {base}", value > 0.0, numbers, value, 0.0))
    plan_db = Conditions().model_error_db
    seen = default.spread_db if gathered.missing_known else default.heard_strict_sd_db
    numbers = f"{plan_db:g} dB against {seen:.1f} dB seen"
    fading = float(np.nanmean(links.error_db**2)) if np.isfinite(links.error_db).any() else math.nan
    if math.isfinite(fading) and fading < seen**2:
        less = math.sqrt(seen**2 - fading)
        numbers += f", {less:.1f} dB without the error that few packets leave in a link's level"
        seen = less
    extra = float(
        clutter.statistical_sigma_db(
            float(np.median(links.frequency_hz)), float(np.median(links.distance_m)), extrapolate=True
        )
    )
    together = math.hypot(plan_db, extra, math.sqrt(2.0) * Conditions().antenna_gain_error_db)
    numbers += f"; with its clutter and antenna spreads a plan has {together:.1f} dB"
    numbers += ". The default was set with one such set (868 MHz, a town) in view: on it this holds by choice"
    report.bars.append(
        Bar(
            "the plan's model error is at least the spread of the default",
            plan_db >= seen,
            numbers,
            seen,
            plan_db,
        )
    )


# ---------------------------------------------------------------- packets


def _packets(report: SetReport, measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> None:
    found = list(packets.within_links(measured.rows))
    if not found:
        report.blocks.append(
            Block(
                "Within a link",
                [
                    f"no link has {packets.FEWEST_PACKETS} packets at one setting, well above the limit of "
                    "hearing or nearly all delivered: not judged"
                ],
            )
        )
        return
    report.judged = True
    rows = [(w.what, w.links, w.packets, w.sd_db, w.robust_db, w.depth_db, w.next_db, w.like) for w in found]
    rows += [
        (f"assumed, {name}", "-", "-", sd, robust, depth, sd, "-")
        for name, sd, robust, depth in packets.assumed_fading()
    ]
    report.blocks.append(
        Block(
            "Within a link",
            [
                f"Packets of links with {packets.FEWEST_PACKETS} or more at one setting, either "
                f"{packets.CLEAR_OF_LIMIT_DB:g} dB above the limit of hearing or nearly all delivered. dB: "
                "sd around the link's mean, robust sd, from the median down to the weakest tenth, and the "
                "sd from one packet to the next (all of it fading; the rest is drift). Below, what a plan "
                "assumes.",
            ],
            ("links", "number", "packets", "sd", "robust", "depth", "next", "like"),
            rows,
        )
    )


def _consistency(report: SetReport, measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> None:
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


# ---------------------------------------------------------------- delivery


def _delivery(report: SetReport, measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> None:
    groups = delivery.group_rows(measured.rows)
    if groups is None:
        report.blocks.append(Block("Delivery", ["losses are not listed: not judged"]))
        return
    report.judged = True
    overall = (
        f"{len(groups)} links with one setting and {delivery.FEWEST_SENT} packets or more; "
        f"{int(groups.sent.sum())} packets sent, {_share(groups.heard.sum() / groups.sent.sum())} delivered"
    )
    t = delivery.threshold(groups)
    if t is None:
        report.blocks.append(
            Block(
                "Delivery against SNR",
                [overall, "SNR or spreading factor of too few links known: not judged"],
            )
        )
    else:
        _threshold(report, overall, t)
    power = "" if "tx_power" in measured.stated else f"{assumed.tx_power_dbm:g} dBm assumed, "
    basis = (
        f"{power}half-wave dipoles and a noise figure of 6 dB assumed; {Conditions().model_error_db:g} dB "
        "model error from distance, a careful reading's error from SNR; Rician fading in sight, else "
        "Rayleigh"
    )
    for c in delivery.closing(groups, assumed):
        rows = [
            (f"{100 * low:.0f} to {100 * high:.0f} %", n, _share(p), _share(r))
            for (low, high), (n, p, r) in zip(itertools.pairwise(BINS), c.bins, strict=True)
            if n
        ]
        report.blocks.append(
            Block(
                f"Will it close: {c.what}",
                [
                    basis,
                    f"{c.right} of {c.groups} on the right side of one half; {c.false_hope} were given a "
                    "better chance than one half and delivered less; mean square error x 100: "
                    f"{100.0 * c.brier:.1f}",
                ],
                ("chance", "links", "predicted", "delivered"),
                rows,
            )
        )


def _threshold(report: SetReport, overall: str, t: delivery.Threshold) -> None:
    text = [
        overall,
        "Margin: the link's median SNR, lost packets counted as weaker, over the tabled threshold of the "
        f"demodulator. {t.inferred} of {t.groups} links have it from another setting of the same link, "
        f"{t.survivors} from the survivors alone (too high).",
    ]
    if math.isfinite(t.half_db):
        text.append(
            f"half is delivered at a margin of {t.half_db:.1f} ± {t.half_error_db:.1f} dB (the table means "
            f"0.0; the ideal demodulator at a steady SNR {t.ideal_half_db:.1f}); from 10 to 90 % it takes "
            f"{t.width_db:.1f} dB (steady {t.ideal_width_db:.1f}, Rayleigh fading {t.faded_width_db:.1f})"
        )
    else:
        text.append("delivery does not cross one half in this set: no threshold to see")
    if t.by_factor:
        each = ", ".join(f"SF{sf} {half:+.1f} dB ({n} links)" for sf, half, n in t.by_factor)
        text.append(f"half is delivered, by spreading factor, at a margin of: {each}")
    rows = [(name, n, sent, _share(share)) for name, n, sent, share in t.bins]
    report.blocks.append(
        Block("Delivery against SNR", text, ("margin, dB", "links", "packets", "delivered"), rows)
    )


# ---------------------------------------------------------------- limits


def _silent_about(measured: MeasuredSet, gathered: Gathered, assumed: Assumed) -> list[str]:
    has = measured.stated
    found = []
    if "tx_power" not in has:
        found.append("transmit power is not stated: no absolute level, only slopes, spreads and orderings")
    if not {"tx_height", "rx_height"} <= has:
        found.append(
            f"antenna heights are not stated: {assumed.rx_height_m:g} m and {assumed.tx_height_m:g} m "
            "assumed, the offset takes what is wrong with that, but not its change with distance"
        )
    if not {"spreading_factor", "data_rate"} & has:
        found.append("spreading factor is not stated: no sensitivity, no threshold of the demodulator")
    if "in_sight" not in has and "out_of_sight" not in has:
        found.append("nothing says which links are in sight")
    if gathered.missing_known and not np.isfinite(measured.rows.sent).any():
        found.append(
            "a pair may be missing because of a collision, interference or a receiver switched off, not "
            "for weakness: the spread is then too large, and its limit of hearing too low"
        )
    elif not gathered.missing_known:
        found.append(
            "links that were not heard are not in the set: slopes and spreads are those of survivors"
        )
    found.append(
        "no terrain is used: what hills do to a single path is in the spread; and positions, seasons and "
        "equipment of one place and time are all there is"
    )
    return found


def _share(value: float) -> str:
    return f"{100.0 * value:.0f} %" if math.isfinite(value) else "-"
