"""Messages in words: how often each is lost, when it arrives, how long it is on the air."""

import math
from collections.abc import Sequence
from typing import Unpack

from linkcalc.link.result import Assumption
from linkcalc.operation.messages import MessageAnswer, MessagesSection
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import starter_words


def messages_report(
    found: MessagesSection | None, *, assumed: Sequence[Assumption] = (), **screen: Unpack[Screen]
) -> str:
    """Return what becomes of every message; of `assumed`, values that are still the starter's are named."""
    page = Page(**screen)
    if found is None:
        page.wrap("This plan has no [[message]] table, so there is nothing to follow.", bold=True)
        page.wrap(
            'Add one: [[message]] name = "permit", kind = "run_permit", link = "..", interval_s = 600.0'
        )
        return page.text()
    if invented := starter_words(assumed, "messages"):
        page.wrap(invented, bold=True)
        page.blank()
    for i, message in enumerate(found.messages):
        if i:
            page.blank()
        _message(page, message)
    page.blank()
    page.wrap(
        "All over what varies in a year. Where it works: the mean over such sites. As predicted: a site at"
        " the predicted margin. Poor site: only one in ten is worse. Once measured: had a reading on site"
        " confirmed the prediction."
    )
    page.blank()
    page.wrap(found.caution)
    return page.text()


def odds_words(probability: float) -> str:
    """Write a chance in few characters: percent if it is frequent, else one in so many."""
    if probability <= 0.0:
        return "0"
    if probability < 1e-6:
        return "< 1 in 10^6"
    if probability >= 0.0095:
        return f"{100.0 * probability:.{0 if probability >= 0.095 else 1}f} %"
    one_in = 1.0 / probability
    step = 10.0 ** max(0, math.floor(math.log10(one_in)) - 1)
    return f"1 in {round(one_in / step) * step:,.0f}".replace(",", " ")


def share_words(share: float) -> str:
    """Write a share that is near one, not rounded up to all."""
    if share >= 0.9995:
        return "> 99.9 %" if share > 0.9999 else "99.9 %"
    return f"{100.0 * share:.{1 if share >= 0.985 else 0}f} %"


def count_words(number: float) -> str:
    """Write an expected number with two figures or so."""
    if number == 0.0:
        return "0"
    if number < 0.001:
        return "< 0.001"
    if number < 0.0995:
        return f"{number:.2g}"
    return f"{number:,.{2 if number < 0.995 else 1 if number < 9.95 else 0}f}".replace(",", " ")


def duration_words(seconds: float) -> str:
    """Write a time with two or three figures in a fitting unit."""
    if seconds < 0.9995:
        return f"{seconds * 1e3:.0f} ms"
    units = (("s", 1.0, 99.5), ("min", 60.0, 7200.0), ("h", 3600.0, 259_200.0), ("days", 86_400.0, math.inf))
    unit, size, _ = next(u for u in units if seconds < u[2])
    number = seconds / size
    return f"{number:.1f}".removesuffix(".0") + f" {unit}" if number < 9.95 else f"{number:.0f} {unit}"


def name_words(m: MessageAnswer) -> str:
    kind = m.kind.replace("_", " ")
    return m.name if m.name.casefold() == kind else f"{m.name} ({kind})"


def _message(page: Page, m: MessageAnswer) -> None:
    page.wrap(f"{name_words(m)}, {m.from_} → {m.to} over {m.link}", bold=True)
    rate = f"{count_words(m.per_year)} a year"
    if m.interval_s is not None:
        rate = f"every {duration_words(m.interval_s)}"
    tries = "one try" if m.tries == 1 else f"up to {m.tries} tries" if m.acknowledged else f"{m.tries} times"
    answered = "acknowledged" if m.acknowledged else "not acknowledged"
    page.fact(f"{m.payload_bytes} bytes, {rate}, {tries}, {answered}")
    widths = [18, 16, 14, 14, 14]
    sites = ("working_site", "predicted_site", "poor_site", "after_reading")
    losses = [getattr(m, f"loss_{site}") for site in sites]
    lost = [getattr(m, f"lost_per_year_{site}") for site in sites]
    page.fact(f"Chance that such a site works ({100.0 * m.accepted_loss:.3g} % lost at most):"
        f" {share_words(m.working_chance)}; that it is dead (more than half lost):"
        f" {odds_words(m.dead_chance)}.")  # fmt: skip
    page.row(["", "where it works", "as predicted", "poor site", "once measured"], widths)
    page.row(["lost", *map(odds_words, losses)], widths)
    page.row(["lost in a year", *map(count_words, lost)], widths)
    single = "No second try: what fades once is lost."
    if m.tries > 1:
        single = (
            f"A single try is lost: {odds_words(m.single_loss)}. Were tries independent, the optimistic bound,"
            f" all would be lost: {odds_words(m.loss_independent_tries)}."
        )
    page.fact(single)
    if m.unconfirmed is not None:
        page.fact(f"The sender hears no acknowledgement: {odds_words(m.unconfirmed)}.")
    page.fact(delay_words(m))
    answers = ""
    if m.acknowledgement_airtime_s_per_day > 0:
        answers = f"; the answers {duration_words(m.acknowledgement_airtime_s_per_day)} a day"
    page.fact(
        f"On the air: {duration_words(m.time_on_air_s)} a try,"
        f" {duration_words(m.airtime_s_per_day)} a day{answers}."
    )
    page.notes(m.notes)


def delay_words(m: MessageAnswer) -> str:
    d = m.delay
    if d.mean_s is None:
        return "It is never delivered."
    arrive = d.drawing.delivered[-1]
    by = (("half", d.median_s), ("95 %", d.p95_s), ("99 %", d.p99_s))
    parts = [f"{share} within {duration_words(t)}" for share, t in by if t is not None]
    if len(parts) < 3:
        parts.append(f"{share_words(arrive)} arrive at all")
    return f"Delivered after {duration_words(d.mean_s)} on average; {', '.join(parts)}."
