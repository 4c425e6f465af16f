"""Pages of what a file may hold, of the table of legal limits and of the commands, made from the code."""

from typing import Any

from page_text import Part, parted, plain, summary, table


def pages() -> dict[str, str]:
    """All of them, by path."""
    return {**plan_pages(), **fleet_pages(), **rules_pages(), **commands_pages()}


def plan_pages() -> dict[str, str]:
    """Every key a plan file may have, from the sections that read it."""
    from linkcalc.plan import Plan

    head = [
        "# The plan file", "",
        "A plan is a TOML file. `linkcalc new site.toml` writes one with the keys that matter, `--full` with",
        "all of them; `linkcalc schema` prints the JSON Schema, made from the same sections as this page, by",
        "which editors complete and mark keys. Units are in the names of the keys.",
        "A key whose default is *assumed* is listed in every report with its source; a key without a default",
        "must be given. A key that is not listed here is refused, and the nearest one is named.", "",
    ]  # fmt: skip
    return _keys_of(Plan, "plan_file", head)


def fleet_pages() -> dict[str, str]:
    """Every key a fleet file may have."""
    from linkcalc.plan.fleet import Fleet

    head = [
        "# The fleet file", "",
        "A fleet is a TOML file for [`linkcalc fleet`](../fleet.md); `linkcalc schema fleet` prints its",
        "JSON Schema. What it shares with [the plan file](plan_file.md) means the same.", "",
    ]  # fmt: skip
    return _keys_of(Fleet, "fleet_file", head)


def _keys_of(file: Any, name: str, head: list[str]) -> dict[str, str]:
    """The keys at the top of a file on its own page, those of each of its tables on theirs."""
    from linkcalc.plan.keys import allowed, places

    by_table: dict[str, list[Any]] = {}
    for place in {(p.header, p.section): p for p in places(file)}.values():
        by_table.setdefault(place.keys[0] if place.keys else "", []).append(place)
    parts = []
    for key, found in by_table.items():
        lines = []
        for place in found:
            title = f"`{place.header}`"
            if sum(p.header == place.header for p in found) > 1:
                title += f", kind = {allowed(place.fields()['kind'])}"
            # the first one's name is the page's title
            heading = [f"## {title}", ""] if key and place is not found[0] else []
            lines += [*heading, plain(summary(place.section)) + ".", "", *_keys_of_table(place), ""]
        if key:
            parts.append(Part(key, f"`{found[0].header}`", plain(summary(found[0].section)), lines))
        else:
            head = [*head, *lines]
    return parted(name, head, parts)


def _keys_of_table(place: Any) -> list[str]:
    from linkcalc.plan.keys import allowed, kind_of, sections_of

    rows = []
    for key, field in place.fields().items():
        takes = allowed(field)
        if sections_of(field.annotation):
            takes = "tables" if kind_of(field.annotation) is list else "a table"
        words = field.description or place.section.__name__
        rows.append((f"`{key}`", plain(takes), _default(field), plain(words)))
    return table(("key", "takes", "default", "what it is"), rows)


def _default(field: Any) -> str:
    if field.is_required():
        return "must be given"
    value = field.get_default(call_default_factory=True)
    extra = field.json_schema_extra
    source = extra.get("source") if isinstance(extra, dict) else None
    if value is None or value == "" or isinstance(value, list | tuple):
        return "none" if not source else f"assumed ({plain(source)})"
    if hasattr(type(value), "model_fields"):
        return "its defaults"
    words = str(value).lower() if isinstance(value, bool) else str(value)
    return f"`{words}`" + (f", assumed: {plain(source)}" if source else "")


def rules_pages() -> dict[str, str]:
    """The table of legal limits, with what nobody has read in a text."""
    from linkcalc.rules.table import REGIONS, rules
    from linkcalc.views.limits.text import timing_words

    head = [
        "# The table of legal limits", "",
        "**Check with your regulator; this is not legal advice.** *Read*: seen in the public text of",
        "the rule; *second hand*: in a public page about it; *unverified*: from memory. Where an",
        "answer rests on something unverified, or on a row that was checked more than 24 months ago,",
        "the answer says so. Each row names the edition it was held against, and the day. The command",
        "`linkcalc limits PLAN.toml` holds a plan against this table.", "",
        "A rule with a condition that the table cannot judge leaves the answer at \"unknown\"; a plan",
        "whose radios are known to meet it names the rule: `regulation.conditions_met = [\"eu-917\"]`.",
        "A signal across two adjacent bands that may be joined is held against both. `python -m",
        "tests.validation limits` asks this table some 800 questions with the answers that the rules",
        "themselves give.", "",
        "Power is in milliwatts, conducted, as ERP (over a dipole) or EIRP (over an isotropic radiator):",
        "EIRP = ERP + 2.15 dB.", "",
    ]  # fmt: skip
    sure = {"A": "read", "B": "second hand", "C": "unverified"}
    heads = ("rule", "what", "power", "timing and channels", "how sure", "source and notes")
    parts = []
    for region, name in REGIONS.items():
        rows = [
            (
                f"`{r.id}`",
                plain(r.title),
                _power(r),
                plain(timing_words(r)) or "-",
                "; ".join(f"{quantity} {sure[c]}" for quantity, c in r.confidence.items()),
                ("**Contested, never counted as satisfied.** " if r.contested else "")
                + (f"**Not judged: {plain(r.unread)}.** " if r.unread else "")
                + plain(f"{r.source}. {r.note}"),
            )
            for r in rules()
            if r.region == region
        ]
        if rows:
            parts.append(Part(region, f"{name} (`{region}`)", "", table(heads, rows)))
    return parted("rules", head, parts)


def _power(rule: Any) -> str:
    parts = [
        f"{getattr(rule, f'max_{kind}_mw'):g} mW {word}"
        for kind, word in (("conducted", "conducted"), ("erp", "ERP"), ("eirp", "EIRP"))
        if getattr(rule, f"max_{kind}_mw") is not None
    ]
    if rule.density_dbm is not None:
        parts.append(f"{rule.density_dbm:g} dBm in {rule.density_reference_khz:g} kHz")
    return ", ".join(parts) or "-"


def commands_pages() -> dict[str, str]:
    """The help of every command, as it is printed."""
    import typer
    from typer.testing import CliRunner

    from linkcalc.cli import app

    runner = CliRunner(env={"COLUMNS": "90", "TERMINAL_WIDTH": "90"})
    names = list(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    head = [
        "# Commands", "", "`linkcalc COMMAND --help` prints the same.", "",
        "Exit codes: 0 closes, 3 at risk, 4 does not close, 2 the input cannot be used (one line says why).",
        "",
    ]  # fmt: skip
    parts = []
    for name in names:
        found = runner.invoke(app, [name, "--help"], prog_name="linkcalc")
        if found.exit_code != 0:
            raise RuntimeError(f"linkcalc {name} --help ends with {found.exit_code}: {found.output}")
        about = " ".join(found.output.strip().split("\n\n")[1].split())
        parts.append(Part(name, f"`{name}`", plain(about), ["```text", found.output.strip(), "```", ""]))
    return parted("commands", head, parts)
