"""Legal limits and exposure in words: what the table says, why, and what would keep it."""

import math
from collections.abc import Iterable, Sequence

from linkcalc.exposure import ExposureSection
from linkcalc.rules.limits import POWER_ROUNDING_DB, Finding, LimitsCheck, RuleCheck
from linkcalc.rules.plan_limits import EndLimits, LimitsSection
from linkcalc.rules.table import CONFIDENCE, REGIONS, Rule
from linkcalc.views.text import Page

STATUS_WORDS = {
    "within": "within the table's limits",
    "over": "OVER THE TABLE'S LIMITS",
    "unknown": "unknown here",
}

QUANTITY_WORDS = {
    "band": "band edges",
    "power": "power",
    "density": "power density",
    "duty": "duty cycle",
    "listen": "listening",
    "dwell": "dwell time",
    "channels": "channels",
    "bandwidth": "bandwidth",
}

_WIDTH = 80


def limits_report(
    limits: LimitsSection,
    exposure: ExposureSection,
    width: int = _WIDTH,
    *,
    colour: bool = False,
    ascii_only: bool = False,
) -> str:
    """Return what the table of legal limits says about every transmitter, and the distances to keep.

    Parameters
    ----------
    limits : LimitsSection
    exposure : ExposureSection
    width : int, columns
    colour, ascii_only : bool
        As for `linkcalc.views.text.report`.

    Returns
    -------
    str
        Ends in a line feed.
    """
    page = Page(width, colour, ascii_only)
    where = limits.region_name or "no region stated"
    page.wrap(f"Legal limits, {where}: {STATUS_WORDS[limits.status]}", bold=True)
    page.wrap(limits.caution)
    if limits.region is None:
        known = ", ".join(REGIONS)
        page.wrap(f'State the region in the plan, [regulation] region = "..", or with --region: {known}.')
    for end in limits.ends:
        _end(page, end)
    _sources(page, limits)
    _exposure(page, exposure)
    return page.text()


def rules_report(
    rules: Iterable[Rule], width: int = _WIDTH, *, colour: bool = False, ascii_only: bool = False
) -> str:
    """Return the table of limits, region by region.

    Parameters
    ----------
    rules : iterable of Rule
    width : int, columns
    colour, ascii_only : bool
        As for `linkcalc.views.text.report`.

    Returns
    -------
    str
        Ends in a line feed.
    """
    page = Page(width, colour, ascii_only)
    page.wrap("Table of legal limits", bold=True)
    page.wrap("Check with your regulator; this is not legal advice.")
    rows = list(rules)
    for region, name in REGIONS.items():
        of_region = [r for r in rows if r.region == region]
        if not of_region:
            continue
        page.heading(f"{region}: {name}")
        for rule in of_region:
            page.wrap(f"{rule.id}  {rule.title}", indent=2, hanging=4)
            words = [f"{QUANTITY_WORDS[q]} {CONFIDENCE[c]}" for q, c in rule.confidence.items()]
            page.wrap("; ".join(words), indent=4)
            if rule.contested:
                page.wrap("contested: never counted as satisfied", indent=4)
            if rule.unread:
                page.wrap(f"not known here: {rule.unread}", indent=4)
            page.wrap(rule.source, indent=4)
            if rule.note:
                page.wrap(rule.note, indent=4)
    return page.text()


def power_words(power_dbm: float) -> str:
    """Write a largest power so that, set as written, it still keeps the limit.

    >>> power_words(13.979), power_words(13.96)
    ('14.0 dBm', '13.9 dBm')
    """
    return f"{math.floor((power_dbm + POWER_ROUNDING_DB) * 10.0) / 10.0:.1f} dBm"


def interval_words(seconds: float | None, message_s: float = 0.0) -> str:
    """Write a shortest interval so that, set as written, it still keeps the limit.

    >>> interval_words(37.113), interval_words(1800.0), interval_words(None), interval_words(0.3707, 0.3707)
    ('37.2 s', '30 min', 'never', 'any')
    """
    if seconds is None:
        return "never"
    if seconds <= message_s + 1e-9:
        return "any"
    if seconds >= 600.0:
        return f"{math.ceil(seconds / 6.0 - 1e-6) / 10.0:g} min"
    return f"{math.ceil(seconds * 10.0 - 1e-6) / 10.0:g} s"


def _end(page: Page, end: EndLimits) -> None:
    check = end.limits
    page.heading(f"{sender_words(end)} (link {end.link}): {STATUS_WORDS[check.status]}")
    _item(page, f"Rule {check.rule}" if check.status == "within" else "Why", check.reason)
    if check.unverified:
        _item(page, "Unverified in that rule", _quantities(check.unverified))
    feeder = f" - {end.feeder_loss_db:.1f} dB feeder" if end.feeder_loss_db else ""
    _item(
        page,
        "Radiated",
        f"{check.erp_dbm:.1f} dBm ERP, {check.eirp_dbm:.1f} dBm EIRP"
        f" ({end.conducted_power_dbm:.1f} dBm{feeder} + {end.antenna_gain_dbi:.1f} dBi)",
    )
    tries = f", {end.tries} tries each" if end.tries > 1 else ""
    on_air = f"{check.time_on_air_s * 1e3:.1f} ms for {end.payload_bytes} bytes at {end.signal}{tries}"
    if check.duty_cycle is None:
        on_air += "; no reporting interval stated"
    else:
        on_air += f"; {check.duty_cycle * 3600:.3g} s in the worst hour ({check.duty_cycle * 100:.2g} %)"
    _item(page, "On the air", on_air)
    if check.region is None or not check.rules:
        return
    if check.largest_conducted_dbm is None:
        _item(page, "Largest legal power", "none by any rule of the table as the plan stands")
    else:
        _item(
            page,
            "Largest legal power",
            f"{power_words(check.largest_conducted_dbm)} at the radio with this antenna"
            f" ({check.largest_conducted_rule})",
        )
    _intervals(page, end, check)
    for rule in check.rules:
        _rule(page, rule)


def sender_words(end: EndLimits) -> str:
    if end.message is None:
        return f"{end.station} {'answers' if end.answers else 'reports to'} {end.to}"
    if end.answers:
        return f'{end.station} answers "{end.message}" of {end.to}'
    return f'{end.station} sends "{end.message}" to {end.to}'


def _intervals(page: Page, end: EndLimits, check: LimitsCheck) -> None:
    message = check.time_on_air_s * end.tries
    words = interval_words(check.shortest_interval_s, message)
    if check.shortest_interval_rule is None:
        words = "none by any rule of the table as the plan stands"
    else:
        words += f" ({check.shortest_interval_rule})"
        if check.interval_power_dbm < end.conducted_power_dbm:
            words += f", at {power_words(check.interval_power_dbm)}"
    _item(page, "Shortest interval", words)
    if not check.by_spreading_factor or check.shortest_interval_rule is None:
        return
    factors = check.by_spreading_factor
    widths = [14, *[10] * len(factors)]
    page.row(["  by factor", *(f"SF{f.spreading_factor}" for f in factors)], widths)
    page.row(["  on the air", *(f"{f.time_on_air_s * 1e3:.1f} ms" for f in factors)], widths)
    page.row(
        [
            "  no oftener",
            *(interval_words(f.shortest_interval_s, f.time_on_air_s * end.tries) for f in factors),
        ],
        widths,
    )


def _rule(page: Page, rule: RuleCheck) -> None:
    word = "contested, not counted" if rule.contested and rule.status == "within" else rule.status
    page.wrap(f"{rule.id}: {word}. {rule.title}", indent=2, hanging=4)
    for finding in rule.findings:
        if finding.status != "within":
            _finding(page, finding)
    if rule.unread:
        page.wrap(f"- not known here: {rule.unread}", indent=4, hanging=6)


def _finding(page: Page, finding: Finding) -> None:
    remedy = f"; to keep it: {finding.remedy}" if finding.remedy else ""
    page.wrap(f"- {finding.status}: {finding.text}{remedy}", indent=4, hanging=6)


def _sources(page: Page, limits: LimitsSection) -> None:
    rules = {r.id: r for e in limits.ends for r in e.limits.rules}
    if not rules:
        return
    page.heading("Where these limits are from")
    page.wrap(
        "Typed on the day named, from trade notes; the rules themselves were not re-read on that day."
        " The nominal bandwidth stands for the one a rule measures, and the spectrum is taken as flat,"
        " which is the best case: have it measured.",
        indent=2,
    )
    for rule in rules.values():
        unverified = f" Unverified: {_quantities(rule.unverified)}." if rule.unverified else ""
        note = f" {rule.note}" if rule.note else ""
        page.item(f"{rule.id}: {rule.source}.{unverified}{note}")


def _exposure(page: Page, exposure: ExposureSection) -> None:
    page.heading("Distance to keep from the antennas")
    for s in exposure.stations:
        k = s.keeping
        found = ", ".join(
            f"{name} {metres:.2f} m"
            for name, metres in zip(("ICNIRP", "FCC"), k.distance_m.values(), strict=True)
        )
        near = "; that is in the near field, where the formula does not hold" if k.near_field else ""
        page.item(f"{s.station}: {k.text} ({k.eirp_dbm:.1f} dBm EIRP; formula: {found}{near}).")
    pauses = "with credit for" if exposure.duty_credit else "without credit for"
    page.wrap(f"{'; '.join(exposure.guidelines)}; {pauses} pauses between messages.", indent=2)
    page.wrap(exposure.caution, indent=2)


def _item(page: Page, name: str, words: str) -> None:
    page.wrap(f"{name}: {words}", indent=2, hanging=4)


def _quantities(names: Sequence[str]) -> str:
    return ", ".join(QUANTITY_WORDS[n] for n in names)
