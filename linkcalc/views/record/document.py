"""The record as a page: question and answer first, then what they rest on, then what is to be signed.

Here are its rows, figures and words; the page itself is `templates/record/page.html`.
"""

from collections.abc import Iterable, Sequence
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from linkcalc.link.requirement import Requirement
from linkcalc.link.result import MODEL_NAMES, Advice, Direction, PathFacts
from linkcalc.operation.limits import EndLimits
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.site.record import Record
from linkcalc.site.survey import CAUTIONS as MEASURED_CAUTIONS
from linkcalc.views import style
from linkcalc.views.check import remedies as remedies_text
from linkcalc.views.check.budget import budget_rows, term_notes
from linkcalc.views.html import data_url, drawing, page
from linkcalc.views.limits import text as limits_text
from linkcalc.views.record import pictures
from linkcalc.views.record import rows as of_record
from linkcalc.views.words import (
    VERDICT_WORDS,
    assumption_lines,
    decibel_words,
    distance_words,
    largest_contributors,
    likely_words,
    path_words,
    probability_words,
    required_margin_words,
    starter_words,
    trimmed,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Data = dict[str, Any]


def record_html(record: Record, signature_lines: int = 2) -> str:
    """Write the record as one page of HTML that needs nothing else."""
    from markupsafe import Markup

    result, bill = record.result, record.bill
    rules = files("linkcalc.views.record").joinpath("record.css").read_text("utf-8")
    signed = ["Installed and measured by", "Accepted for the customer", *["Witnessed by"] * signature_lines]
    return page(
        "record/page.html",
        record=record,
        rules=Markup(rules.replace("/* colours */", style.css_variables(style.RECORD))),
        day=record.day and of_record.date_words(record.day),
        ways=[f"from {d.from_} to {d.to}" for d in result.directions],
        stations=[s.station.name for s in record.sites],
        answer=_answer(record),
        # that a link is no safety function, the plan's cautions have said
        cautions=[c for c in record.cautions if c != MEASURED_CAUTIONS[0]],
        not_of_this_site=starter_words(record.assumed),
        example_prices=remedies_text.EXAMPLES,
        remedies=_remedies(record),
        site_rows=of_record.site_rows(record),
        map=record.map and _drawn("map", "Stations and path from above", pictures.map_figure(record)),
        bill=[[part.station, *remedies_text.bill_cells(part)] for part in bill.parts],
        total=["Together", "", "", "", remedies_text.money(bill.cost, bill.currency)],
        profile=_profile(record),
        budget=_budget(result.directions),
        uncertain="; ".join(
            f"{c.name} {decibel_words(c.sigma_db)} ({c.source})"
            for c in largest_contributors(result.directions, 4)
        ),
        limits=_limits(record),
        settings=of_record.setting_rows(record),
        as_built=of_record.as_built_rows(record),
        readings=of_record.readings_data(record),
        test=of_record.acceptance_data(record),
        operation=[of_record.without_commands(line) for line in record.operation],
        photos=[{"name": p.name, "source": data_url(f"image/{p.kind}", p.content)} for p in record.photos],
        measure_again_on=record.recheck.on and of_record.date_words(record.recheck.on),
        conditions=_conditions(record),
        # what is the starter's stands at the head
        assumed=assumption_lines([a for a in record.assumed if a not in still_the_starters(record.assumed)]),
        signs=signed[: max(signature_lines, 0)],
    )


def _answer(record: Record) -> Data:
    link, result, survey = record.link, record.result, record.survey
    question = (
        f"Does the radio link from {link.from_} to {link.to} ({path_words(result)}) reach in each direction "
        f"what is required of it: {Requirement.of(link).words}?"
    )
    lines = [result.statement]
    if survey is not None:
        before = VERDICT_WORDS[result.verdict].lower()
        lines = [survey.statement, f"Predicted before the readings: {before}. {lines[0]}"]
    ways = result.directions
    rows = [
        ("Margin predicted", [decibel_words(d.fade_margin_db) for d in ways]),
        ("90 % interval", [likely_words(d) for d in ways]),
        ("Required margin", [required_margin_words(d.required_margin_db) for d in ways]),
        ("Such sites work", [probability_words(d.site_share) for d in ways]),
        ("Messages that arrive there", [probability_words(d.success_where_it_works) for d in ways]),
        (
            "A message arrives, all such sites, with its tries",
            [probability_words(d.delivery_probability) for d in ways],
        ),
        ("On a single try", [probability_words(d.delivery_probability_single) for d in ways]),
        (
            f"At least, {trimmed(ways[0].year_share_percent)} % of the year",
            [probability_words(d.delivery_probability_year_share) for d in ways],
        ),
    ]
    if survey is not None:
        measured = survey.directions
        rows += [
            ("Margin as measured", [decibel_words(d.fade_margin_db) for d in measured]),
            ("A message arrives, as measured", [probability_words(d.delivery_probability) for d in measured]),
        ]
    rows.append(("Limiting factor", [d.limited_by for d in ways]))
    return {"question": question, "verdict": VERDICT_WORDS[record.verdict], "lines": lines, "rows": rows}


def _remedies(record: Record) -> Data | None:
    """What would make it close, where it does not."""
    result = record.result
    if record.verdict == "closes" or not (result.advice or result.remedies):
        return None
    return {
        "combined": [
            {
                "cost": remedies_text.cost_words(r),
                "changes": f"{remedies_text.changes_words(r)} ({remedies_text.effect_words(r)}).",
                "parts": remedies_text.parts_words(r.parts, r.currency) if r.parts else "",
            }
            for r in result.remedies
        ],
        "prices_stated": all(r.prices_stated for r in result.remedies),
        # what is in them need not be listed again on its own
        "single": [
            _advice_words(a)
            for a in result.advice
            if not result.remedies or a.kind == "measure" or a.sufficient
        ],
    }


def _advice_words(a: Advice) -> str:
    words = remedies_text.advice_words(a)
    return f"{a.text.removesuffix('.')} (margin of the weaker direction {words})." if words else a.text


def _drawn(name: str, label: str, drawn: "tuple[Figure, str]") -> Data:
    figure, caption = drawn
    return {"drawing": drawing(figure, name, label), "caption": caption}


def _profile(record: Record) -> Data:
    drawn = _drawn("profile", "The path in profile", pictures.profile_figure(record.result))
    return {**drawn, "facts": " ".join(_path_facts(record.result.path))}


def _path_facts(path: PathFacts) -> Iterable[str]:
    losses = {MODEL_NAMES.get(name, name): decibel_words(loss) for name, loss in path.models.items()}
    governing = MODEL_NAMES.get(path.model, path.model)
    others = "; ".join(f"{name} {loss}" for name, loss in losses.items() if name != governing)
    yield f"The path is {path.regime}: {path.regime_reason}."
    yield f"Governing model: {governing} ({path.model_reason}): {losses.get(governing, 'n/a')} of path loss."
    if others:
        yield f"Other models: {others}. Those that apply to it differ by {decibel_words(path.spread_db)}."
    if path.bridged_m > 0:
        yield f"Missing heights are bridged along {distance_words(path.bridged_m)}."


def _budget(ways: Sequence[Direction]) -> list[Data]:
    """A row for each term and sum, with an amount for each direction; those that are nothing are left out."""
    notes, rows = term_notes(ways), []
    for first, found in budget_rows(ways):
        kind, name = first.kind, first.name
        if kind == "sum" or (kind == "term" and any(line and line.value_db for line in found)):
            amounts = [line and _amount(line.value_db, line.unit if kind == "sum" else "") for line in found]
            how = "; ".join(notes.get(name, {})) if kind == "term" else ""
            rows.append({"name": name, "amounts": amounts, "how": how, "sum": kind == "sum"})
    return rows


def _amount(value_db: float, unit: str) -> str:
    sign = "+" if not unit and value_db > 0 else ""
    return f"{sign}{decibel_words(value_db, unit)}".strip()


def _limits(record: Record) -> Data:
    checks = [end.limits for end in record.limits]
    rows = list(map(_sent, record.limits))
    return {
        "head": list(rows[0]) if rows else [],
        "rows": [list(row.values()) for row in rows],
        "reasons": dict.fromkeys(f"{c.reason}." for c in checks),
        "sources": dict.fromkeys(f"{rule.id}: {rule.source}." for c in checks for rule in c.rules),
        "keep_away": [*map(limits_text.keep_away_words, record.keep_away), record.keep_away_caution],
    }


def _sent(end: EndLimits) -> Data:
    """What one end sends, and what the table of limits says of it, by the heads of a table."""
    from markupsafe import Markup

    c, said = end.limits, limits_text.STATUS_WORDS[end.limits.status]
    most = shortest = "unknown"
    if c.rules:
        most = "none" if c.largest_conducted_dbm is None else limits_text.power_words(c.largest_conducted_dbm)
        shortest = "never"
        if c.shortest_interval_rule is not None:
            words = limits_text.interval_words(c.shortest_interval_s, c.time_on_air_s * end.tries)
            shortest = words if words in ("any", "never") else f"every {words}"
    return {
        "Transmission": limits_text.sender_words(end),
        "ERP": of_record.level(c.erp_dbm),
        "EIRP": of_record.level(c.eirp_dbm),
        "On the air": f"{c.time_on_air_s * 1e3:.0f} ms × {end.tries}",
        "Worst hour": "unknown" if c.duty_cycle is None else f"{100.0 * c.duty_cycle:.2g} %",
        "Table says": said if c.status != "over" else Markup('<span class="over">{}</span>').format(said),
        "Most power": most,
        "Shortest interval": shortest,
    }


def _conditions(record: Record) -> str:
    c = record.conditions
    return (
        f"Judged for trees {'in leaf' if c.leaf == 'in_leaf' else 'out of leaf'}, "
        f"{'wet' if c.wet_foliage else 'dry'} foliage, {c.ground.replace('_', ' ')}, a {c.climate} climate."
    )
