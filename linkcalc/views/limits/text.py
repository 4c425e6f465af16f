"""Legal limits and exposure in words: what the table says, why, and what would keep it."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Unpack

from linkcalc.operation.exposure import ExposureSection, StationKeeping
from linkcalc.operation.limits import EndLimits, LimitsSection
from linkcalc.rules.found import POWER_ROUNDING_DB, LimitsCheck, RuleCheck
from linkcalc.rules.table import CONFIDENCE, QUANTITY_WORDS, REGIONS, Rule
from linkcalc.views.page import Page, Screen

STATUS_WORDS = {
    "within": "within the table's limits",
    "over": "OVER THE TABLE'S LIMITS",
    "unknown": "unknown here",
}

_NONE = "none by any rule of the table as the plan stands"


def limits_report(limits: LimitsSection, exposure: ExposureSection, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    where = limits.region_name or "no region stated"
    page.wrap(f"Legal limits, {where}: {STATUS_WORDS[limits.status]}", bold=True)
    page.wrap(limits.caution)
    if limits.region is None:
        known = ", ".join(REGIONS)
        page.wrap(f'State the region in the plan, [regulation] region = "..", or with --region: {known}.')
    answers = [_answer(end) for end in limits.ends]
    common = (
        {n: w for n, w in answers[0].items() if all(a.get(n) == w for a in answers[1:])} if answers else {}
    )
    if len(answers) > 1 and common:
        page.heading("All transmitters")
        _items(page, common)
    for end, answer in zip(limits.ends, answers, strict=True):
        page.heading(f"{sender_words(end)} (link {end.link}): {STATUS_WORDS[end.limits.status]}")
        _items(page, {n: w for n, w in answer.items() if len(answers) == 1 or n not in common})
        _items(page, _sent(end))
        _by_factor(page, end)
    _rules(page, limits)
    page.items("Distance to keep from the antennas", map(keep_away_words, exposure.stations))
    pauses = "with credit for" if exposure.duty_credit else "without credit for"
    page.wrap(f"{'; '.join(exposure.guidelines)}; {pauses} pauses between messages.", indent=2)
    page.wrap(exposure.caution, indent=2)
    return page.text()


def rules_report(rules: Iterable[Rule], **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap("Table of legal limits", bold=True)
    page.wrap("Check with your regulator; this is not legal advice.")
    rows = list(rules)
    for region, name in REGIONS.items():
        of_region = [r for r in rows if r.region == region]
        if not of_region:
            continue
        page.heading(f"{region}: {name}")
        for rule in of_region:
            page.fact(f"{rule.id}  {rule.title}")
            said = [
                timing_words(rule),
                "; ".join(_read_words(rule)),
                "contested: never counted as satisfied" if rule.contested else "",
                f"not known here: {rule.unread}" if rule.unread else "",
                rule.source,
                rule.note,
            ]
            for line in filter(None, said):
                page.wrap(line, indent=4)
    return page.text()


def timing_words(rule: Rule) -> str:
    """Write when and on how many channels a row allows to send; empty where it limits neither."""
    words = []
    if rule.duty_cycle is not None:
        duty = f"{100.0 * rule.duty_cycle:g} % duty"
        if rule.access_point_duty_cycle is not None:
            duty += f", {100.0 * rule.access_point_duty_cycle:g} % for an access point"
        if rule.polite_s_per_hour is not None:
            duty += (
                f", or listening first: {rule.polite_s_per_hour:g} s an hour in each"
                f" {rule.polite_per_khz:g} kHz, {rule.polite_burst_s:g} s a transmission,"
                f" {rule.polite_pause_s:g} s pause"
            )
        elif rule.listen_before_talk == "instead_of_duty":
            duty += ", or listening first"
        words.append(duty)
    if rule.listen_before_talk == "required":
        words.append("listening first")
    if rule.channel_s_per_hour is not None:
        words.append(f"{rule.channel_s_per_hour:g} s an hour on each channel")
    if rule.dwell_s is not None:
        dwell = f"{rule.dwell_s:g} s a transmission"
        if rule.dwell_window_s is not None:
            dwell = f"{rule.dwell_s:g} s on a channel in {rule.dwell_window_s:g} s"
        elif rule.dwell_window_s_per_channel is not None:
            dwell = (
                f"{rule.dwell_s:g} s on a channel in {rule.dwell_window_s_per_channel:g} s times the channels"
            )
        words.append(dwell)
    if rule.pause_per_burst is not None:
        words.append(
            f"a pause of {rule.pause_per_burst:g} times the transmission, {rule.pause_s or 0.0:g} s at least"
        )
    elif rule.pause_s is not None:
        words.append(f"a pause of {rule.pause_s:g} s")
    if rule.channel_return_s is not None:
        words.append(f"{rule.channel_return_s:g} s before a channel is used again")
    if rule.min_channels is not None:
        words.append(f"{rule.min_channels} channels or more")
    return "; ".join(words)


def _read_words(rule: Rule) -> Iterator[str]:
    """How far each limit of a row has been read, the best first."""
    for letter, how in CONFIDENCE.items():
        names = [QUANTITY_WORDS[q] for q, c in rule.confidence.items() if c == letter]
        if names:
            yield f"{how}: {', '.join(names)}"


def power_words(power_dbm: float) -> str:
    """Write a largest power so that, set as written, it still keeps the limit."""
    return f"{math.floor((power_dbm + POWER_ROUNDING_DB) * 10.0) / 10.0:.1f} dBm"


def interval_words(seconds: float | None, message_s: float = 0.0) -> str:
    """Write a shortest interval so that, set as written, it still keeps the limit."""
    if seconds is None:
        return "never"
    if seconds <= message_s + 1e-9:
        return "any"
    if seconds >= 600.0:
        return f"{math.ceil(seconds / 6.0 - 1e-6) / 10.0:g} min"
    return f"{math.ceil(seconds * 10.0 - 1e-6) / 10.0:g} s"


def _answer(end: EndLimits) -> dict[str, str]:
    """What the table says of one transmitter, by what it answers."""
    check = end.limits
    found = {f"Rule {check.rule}" if check.status == "within" else "Why": check.reason}
    if check.remedy:
        found["Least remedy" if check.status == "over" else "Within for certain"] = check.remedy
    if check.region is None or not check.rules:
        return found
    if check.largest_conducted_dbm is None:
        found["Largest legal power"] = _NONE
    else:
        found["Largest legal power"] = (
            f"{power_words(check.largest_conducted_dbm)} at the radio with this antenna"
            f" ({_rule_words(check, check.largest_conducted_rule)})"
        )
    words = _NONE
    if check.shortest_interval_rule is not None:
        words = interval_words(check.shortest_interval_s, check.time_on_air_s * end.tries)
        words += f" ({_rule_words(check, check.shortest_interval_rule)})"
        if check.interval_power_dbm < end.conducted_power_dbm:
            words += f", at {power_words(check.interval_power_dbm)}"
    found["Shortest interval"] = words
    return found


def _items(page: Page, found: Mapping[str, str]) -> None:
    for name, words in found.items():
        page.fact(f"{name}: {words}")


def _sent(end: EndLimits) -> dict[str, str]:
    check = end.limits
    feeder = f" - {end.feeder_loss_db:.1f} dB feeder" if end.feeder_loss_db else ""
    radiated = (
        f"{check.erp_dbm:.1f} dBm ERP, {check.eirp_dbm:.1f} dBm EIRP"
        f" ({end.conducted_power_dbm:.1f} dBm{feeder} + {end.antenna_gain_dbi:.1f} dBi)"
    )
    tries = f", {end.tries} tries each" if end.tries > 1 else ""
    on_air = f"{check.time_on_air_s * 1e3:.1f} ms for {end.payload_bytes} bytes at {end.signal}{tries}"
    if check.duty_cycle is None:
        on_air += "; no reporting interval stated"
    else:
        on_air += f"; {check.duty_cycle * 3600:.3g} s in the worst hour ({check.duty_cycle * 100:.2g} %)"
    return {"Radiated": radiated, "On the air": on_air}


def _rule_words(check: LimitsCheck, name: str | None) -> str:
    """A rule's name and, unless the answer has said it, what of it is unverified or old."""
    doubt = next((r.doubt for r in check.rules if r.id == name), "")
    return f"{name}; {doubt}" if doubt and name != check.rule else f"{name}"


def sender_words(end: EndLimits) -> str:
    if end.message is None:
        return f"{end.station} {'answers' if end.answers else 'reports to'} {end.to}"
    if end.answers:
        return f'{end.station} answers "{end.message}" of {end.to}'
    return f'{end.station} sends "{end.message}" to {end.to}'


def _by_factor(page: Page, end: EndLimits) -> None:
    check = end.limits
    words = [
        interval_words(f.shortest_interval_s, f.time_on_air_s * end.tries) for f in check.by_spreading_factor
    ]
    if check.shortest_interval_rule is None or set(words) <= {"any"}:
        return
    factors = check.by_spreading_factor
    widths = [16, *[10] * len(factors)]
    page.row(["  by factor", *(f"SF{f.spreading_factor}" for f in factors)], widths)
    page.row(["  on the air", *(f"{f.time_on_air_s * 1e3:.1f} ms" for f in factors)], widths)
    page.row(["  min. interval", *words], widths)


def _rules(page: Page, limits: LimitsSection) -> None:
    """Every rule that covers a transmitter, once: who keeps it, what stands against it, where it is from."""
    rules = {r.id: r for e in limits.ends for r in e.limits.rules}
    if not rules:
        return
    page.heading("Rules of the table that cover these transmitters")
    for name, rule in rules.items():
        page.fact(f"{name}: {rule.title}")
        held = [(sender_words(e), r) for e in limits.ends for r in e.limits.rules if r.id == name]
        for words, senders in _grouped(held).items():
            who = "all" if len(senders) == len(limits.ends) > 1 else "; ".join(senders)
            page.wrap(f"- {words}{f' ({who})' if len(limits.ends) > 1 else ''}", indent=4, hanging=6)
        doubt = f" {rule.doubt[0].upper()}{rule.doubt[1:]}." if rule.doubt else ""
        note = f" {rule.note}" if rule.note else ""
        page.wrap(f"{rule.source}.{doubt}{note}", indent=4)
    page.wrap(
        "The nominal bandwidth stands for the one a rule measures, and the spectrum is taken as flat, which"
        " is the best case: have it measured. Hopping channels are taken to lie in the same band, apart from"
        " one another. Read the current text: linkcalc limits --list names how far each row has been read.",
        indent=2,
    )


def _grouped(held: Sequence[tuple[str, RuleCheck]]) -> dict[str, list[str]]:
    """Senders by what a rule says of them; figures are left out where they alone differ."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for sender, rule in held:
        telling = [f for f in rule.findings if f.status != "within"]
        full = "; ".join(
            [f.text + (f"; to keep it: {f.remedy}" if f.remedy else "") for f in telling]
            + ([rule.unread] if rule.unread else [])
        )
        word = {"within": "kept", "over": "over", "unknown": "unknown"}[rule.status]
        if rule.contested and rule.status == "within":
            word = "contested, not counted"
        names = dict.fromkeys(QUANTITY_WORDS[f.quantity] for f in telling)
        short = ", ".join([*names, *(["a further condition"] if rule.unread else [])])
        groups.setdefault(f"{word}: {short}" if short else word, []).append(
            (sender, f"{word}: {full}" if full else word)
        )
    return {
        found[0][1] if len({full for _, full in found}) == 1 else short: [sender for sender, _ in found]
        for short, found in groups.items()
    }


def keep_away_words(s: StationKeeping) -> str:
    """Say how far to keep from a station's antenna, and what the formula gives by each guideline."""
    k = s.keeping
    found = zip(("ICNIRP", "FCC"), k.distance_m.values(), strict=True)
    words = ", ".join(f"{name} {metres:.2f} m" for name, metres in found)
    near = "; that is in the near field, where the formula does not hold" if k.near_field else ""
    return f"{s.station}: {k.text} ({k.eirp_dbm:.1f} dBm EIRP; formula: {words}{near})."
