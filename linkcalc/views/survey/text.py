"""A survey and an acceptance test in words: the answer first, then what was measured and what is to come."""

import math
from collections.abc import Callable, Sequence
from typing import Unpack

from linkcalc.site.acceptance import Acceptance, Count, RuleOutcome
from linkcalc.site.level import reading_error_db
from linkcalc.site.measured import DirectionSurvey
from linkcalc.site.survey import Survey
from linkcalc.site.walk_test import Spot
from linkcalc.views.page import Columns, Page, Screen
from linkcalc.views.words import (
    VERDICT_WORDS,
    Rows,
    decibel_words,
    height_words,
    interval_words,
    probability_words,
    required_margin_words,
    trimmed,
    upper_first,
)

_MOST_SPOTS_LISTED = 12
_MOST_STEPS = 12


Figures = Sequence[tuple[str, str, Callable[[DirectionSurvey], str]]]
"""Name in a report, name in a record (empty: not in it), and what stands there of a direction; "-": nothing."""


def survey_report(survey: Survey, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"{VERDICT_WORDS[survey.verdict]}  {survey.name}", bold=True)
    page.wrap(survey.headline, indent=2)
    for sentence in site_sentences(survey):
        page.wrap(sentence, indent=2)
    page.blank()
    page.directions(survey.directions, survey_rows(survey.directions, MARGINS))
    page.heading("What was measured")
    page.directions(survey.directions, survey_rows(survey.directions, MEASURED))
    page.wrap(
        "Level is the wanted signal's: the RSSI where the signal is strong, from the SNR where it is weak. "
        "Lost packets count as below sensitivity, and the loss over the predicted allows for fading.",
        indent=2,
    )
    _conditions(page, survey)
    if survey.spots:
        _spots(page, survey.spots)
    page.items("Warnings", survey.warnings)
    page.items("Cautions", survey.cautions)
    return page.text()


def site_sentences(survey: Survey) -> tuple[str, str]:
    """What the site loses over the predicted, and how well the readings agree with the prediction."""
    (low, high), more = survey.excess_interval_db, "more" if survey.excess_db >= 0.0 else "less"
    before = decibel_words(survey.prior_sigma_db)
    return (
        f"The site loses {decibel_words(abs(survey.excess_db))} {more} than predicted (95 %: {signed(low)} to "
        f"{signed(high)} dB; before the readings the prediction's uncertainty was {before}, one sigma).",
        f"{upper_first(survey.agreement_reason)}.",
    )


def survey_rows(ways: Sequence[DirectionSurvey], figures: Figures, *, record: bool = False) -> Rows:
    """Return figures by direction as a report names them, which leaves out what nobody measured, or a record."""
    if record:
        rows = [(name, [words(d) for d in ways]) for _, name, words in figures if name]
        return [(name, ["not measured" if c == "-" else c for c in cells]) for name, cells in rows]
    rows = [(name, [words(d) for d in ways]) for name, _, words in figures]
    return [row for row in rows if any(cell != "-" for cell in row[1])]


def _conditions(page: Page, survey: Survey) -> None:
    page.heading("The day against the plan")
    rows = f"{survey.readings_used} readings of {survey.readings_file} used"
    if survey.refused:
        rows += f", {len(survey.refused)} refused"
    if survey.first_time and survey.last_time:
        first, last = (t.replace("T", " ") for t in (survey.first_time, survey.last_time))
        rows += f"; {first}" if first == last else f"; {first} to {last}"
    page.item(f"{rows}.")
    if any(abs(a - b) > 0.05 for a, b in zip(survey.planned_heights_m, survey.heights_m, strict=True)):
        planned, mounted = (
            " and ".join(height_words(h) for h in pair)
            for pair in (survey.planned_heights_m, survey.heights_m)
        )
        margins = " and ".join(decibel_words(d.fade_margin_as_mounted_db) for d in survey.directions)
        page.item(
            f"Antennas stood at {mounted}, the plan has {planned}: the readings are compared with the "
            f"prediction for the heights they were taken at. Left there, the margins are {margins}."
        )
    for line in day_lines(survey):
        page.item(line)


def day_lines(survey: Survey) -> list[str]:
    """What the day did not have, and what another reading would buy."""
    names: dict[str, DirectionSurvey] = {"forward": survey.directions[0], "return": survey.directions[1]}
    lines = []
    for a in survey.allowances:
        if a.loss_db == 0.0:
            lines.append(
                "Nothing says what the leaves were like: counted as planned, good to "
                f"{decibel_words(a.sigma_db)}."
            )
            continue
        d = names.get(a.direction)
        way = f"from {d.from_} to {d.to}" if d else "both ways"
        verb = "takes" if a.loss_db > 0.0 else "gives"
        sure = f" (uncertainty {decibel_words(a.sigma_db)}, one sigma)" if a.sigma_db else ""
        lines.append(
            f"Not there on the day: {a.name}, which {verb} another {decibel_words(abs(a.loss_db))} {way}"
            f"{sure}; counted in the margins above."
        )
    lines.append(
        "The day met all of the plan's conditions."
        if survey.representative
        else "Conditions were better than the plan's, or are not stated: measure again when they hold."
    )
    more = survey.one_more
    words = f"The readings leave {decibel_words(more.now_db)} of the site's loss uncertain, one sigma"
    if more.at_final_height_db is not None:
        words += (
            ", for the antennas were at other heights than planned; one reading at the planned ones would "
            f"leave {decibel_words(more.at_final_height_db)}, ten {decibel_words(reading_error_db(10))}"
        )
    elif more.with_one_more_db < more.now_db - 0.05:
        words += f"; one reading more would leave {decibel_words(more.with_one_more_db)}"
    else:
        words += "; more readings in the same hour would not reduce it"
    return [*lines, words + "."]


def _spots(page: Page, spots: Sequence[Spot]) -> None:
    page.heading("Spots, best first")
    columns: Columns = [
        ("", 0, lambda s: s.name),
        ("margin", 10, lambda s: decibel_words(s.fade_margin_db)),
        ("95 % within", 18, lambda s: interval_of(s.fade_margin_interval_db)),
        ("best?", 9, lambda s: probability_words(s.best_probability)),
        ("arrived", 11, lambda s: f"{s.received} of {s.sent}" if s.sent is not None else "-"),
    ]
    page.table(columns, spots[:_MOST_SPOTS_LISTED])
    if len(spots) > _MOST_SPOTS_LISTED:
        page.line(f"  and {len(spots) - _MOST_SPOTS_LISTED} more")
    page.wrap(
        "Margin of the weaker direction under the plan's conditions. Where intervals overlap widely, take "
        "the spot that is easier to build on, or read again.",
        indent=2,
    )


def acceptance_report(found: Acceptance, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    asked = f"{percent(found.success)} of the packets arrive, at {percent(found.confidence)} confidence"
    if found.count is None:
        first = found.rules[0]
        allowed = "none lost" if first.losses_allowed == 0 else f"at most {first.losses_allowed} lost"
        page.wrap(f"{first.packets} packets, {allowed}: proves that {asked}.", bold=True)
        if first.duration_s is not None:
            page.wrap(f"That takes {interval_words(first.duration_s)}.", indent=2)
    else:
        _count(page, found, asked)
    page.heading("Tests that prove it")
    if found.interval_s is not None:
        page.wrap(
            f"One packet every {interval_words(found.interval_s)}, limited by the {found.interval_limited_by}.",
            indent=2,
        )
    _rules(page, found)
    page.blank()
    page.wrap(found.caution)
    page.wrap(
        "Count each direction on its own; a link that only just passes does so in one test out of many."
    )
    return page.text()


def _count(page: Page, found: Acceptance, asked: str) -> None:
    count = found.count
    assert count is not None
    page.wrap(
        f"{'PASSED' if count.passed else 'NOT PROVEN'}  {count.lost} of {count.sent} packets lost: "
        f"{'proves' if count.passed else 'does not prove'} that {asked}.",
        bold=True,
    )
    page.wrap(f"Proven at that confidence: at least {percent(proven(count))} arrive.", indent=2)
    for name, interval in (
        ("exact (Clopper-Pearson)", count.exact_interval),
        ("Wilson", count.wilson_interval),
    ):
        sure = percent(found.confidence)
        page.wrap(f"Share lost, two-sided {sure}, {name}: {range_words(interval)}", indent=2)
    if count.more_needed is not None:
        page.wrap(
            f"{count.more_needed} more packets without a loss would prove it. Add them once: going on until "
            "it passes proves nothing, unless by the early stop below.",
            indent=2,
        )
    elif not count.passed:
        page.wrap(
            "Too many are lost for more packets to prove it: improve the link, then count anew.", indent=2
        )


def proven(count: Count) -> float:
    """Return the share of packets that arrive at least, never rounded up."""
    return math.floor(count.success_at_least * 1e4) / 1e4


def range_words(interval: tuple[float, float]) -> str:
    low, high = interval
    return f"{100 * low:.2f} to {100 * high:.2f} %"


def _rules(page: Page, found: Acceptance) -> None:
    columns: list[tuple[str, int, Callable[[RuleOutcome], str]]] = [
        ("packets", 0, lambda r: str(r.packets)),
        ("lost, at most", 18, lambda r: str(r.losses_allowed)),
        (f"{percent(found.success)} passes", 18, lambda r: probability_words(r.bad_passes)),
        (f"{percent(found.good_success)} passes", 18, lambda r: probability_words(r.good_passes)),
    ]
    if found.interval_s is not None:
        columns.append(("time", 10, lambda r: "-" if r.duration_s is None else interval_words(r.duration_s)))
    page.table(columns, [r for r in found.rules if r.kind != "sequential"])
    page.wrap(
        "Stop at the first loss too many, or when what is left cannot bring it: the answer is the same. The "
        f"last columns are the exact chances that a link of just {percent(found.success)}, and one of "
        f"{percent(found.good_success)}, passes.",
        indent=2,
    )
    for r in found.rules:
        if r.kind == "sequential":
            _sequential(page, r, found)


def _sequential(page: Page, r: RuleOutcome, found: Acceptance) -> None:
    page.heading("Early stop (sequential probability ratio)", minor=True)
    good = f"{r.good_packets:.0f} packets"
    if r.good_duration_s is not None:
        good += f" ({interval_words(r.good_duration_s)})"
    page.wrap(
        f"Takes {good} on average when {percent(found.good_success)} arrive, {r.bad_packets:.0f} when just "
        f"{percent(found.success)} do, {r.packets} at most; what is undecided then fails. Exact chances of "
        f"passing: {probability_words(r.good_passes)} and {probability_words(r.bad_passes)}.",
        indent=2,
    )
    for words, steps in (
        (
            "Pass as soon as so many are sent with no more than so many lost",
            [f"{n} with {lost}" for n, lost in _first_of_each(r, 1)],
        ),
        (
            "Fail as soon as so many are lost within so many sent",
            [f"{lost} within {n}" for n, lost in _first_of_each(r, 2)],
        ),
    ):
        more = ", and so on." if len(steps) > _MOST_STEPS else "."
        page.wrap(f"{words}: {', '.join(steps[:_MOST_STEPS])}{more}", indent=2)


def _first_of_each(r: RuleOutcome, column: int) -> list[tuple[int, int]]:
    """Packets and losses of each new limit; for failing, the last packet it still holds for."""
    raised: list[tuple[int, int]] = []
    for i, step in enumerate(r.steps):
        level = step[column]
        if column == 1 and level >= 0 and (not raised or raised[-1][1] != level):
            raised.append((step[0], level))
        if column == 2:
            until = r.steps[i + 1][0] - 1 if i + 1 < len(r.steps) else r.packets
            if raised and raised[-1][1] == level:
                raised[-1] = (until, level)
            elif until >= level:
                raised.append((until, level))
    return raised


def interval_of(interval: tuple[float, float] | None) -> str:
    return "-" if interval is None else f"{interval[0]:.0f} to {interval[1]:.0f} dB".replace("-0 ", "0 ")


def share_words(interval: tuple[float, float] | None) -> str:
    if interval is None:
        return "-"
    low, high = (probability_words(p) for p in interval)
    return low if low == high else f"{probability_words(interval[0], unit='')} to {high}"


def _level(level_dbm: float | None) -> str:
    return "-" if level_dbm is None else decibel_words(level_dbm, "dBm")


def signed(value_db: float) -> str:
    return f"{value_db:+.1f}"


MARGINS: Figures = (
    ("Margin now", "Margin", lambda d: decibel_words(d.fade_margin_db)),
    ("  95 % interval", "Margin, 95 % interval", lambda d: interval_of(d.fade_margin_interval_db)),
    ("  required", "Required margin", lambda d: required_margin_words(d.required_margin_db)),
    ("  chance of reaching it", "Chance that it is there", lambda d: probability_words(d.margin_probability)),
    ("  predicted before", "", lambda d: decibel_words(d.predicted_margin_db)),
    ("    95 % interval", "", lambda d: interval_of(d.predicted_margin_interval_db)),
    (
        "Message arrives",
        "A message arrives, with its tries",
        lambda d: probability_words(d.delivery_probability),
    ),
    ("  95 % interval", "Share, 95 % interval", lambda d: share_words(d.delivery_probability_interval)),
    ("  predicted before", "", lambda d: probability_words(d.predicted_delivery_probability)),
    ("Verdict", "Verdict", lambda d: VERDICT_WORDS[d.verdict]),
)
MEASURED: Figures = (
    ("Readings of level", "Readings of level", lambda d: str(d.readings) if d.readings else "none"),
    ("Level, median", "Level, median", lambda d: _level(d.level_dbm)),
    ("  predicted for the day", "Level predicted for the day", lambda d: _level(d.predicted_level_dbm)),
    ("  in the weakest tenth", "Level in the weakest tenth", lambda d: _level(d.level_10_percent_dbm)),
    ("Loss over the predicted", "Loss over the predicted", lambda d: _excess(d.excess_db)),
    ("  95 % interval", "", lambda d: interval_of(d.excess_interval_db)),
    ("Noise, median", "Noise, median", lambda d: _level(d.noise_dbm)),
    ("  predicted", "", lambda d: _level(d.noise_dbm and d.predicted_noise_dbm)),
    (
        "Packets that arrived",
        "Packets that arrived",
        lambda d: "-" if d.sent is None else f"{d.received} of {d.sent}",
    ),
    ("  95 % interval", "Share, 95 % interval", lambda d: share_words(d.received_share_interval)),
)


def _excess(value_db: float | None) -> str:
    return "-" if value_db is None else f"{signed(value_db)} dB"


def percent(share: float) -> str:
    """A share as a person would write it."""
    return f"{trimmed(100.0 * share)} %"
