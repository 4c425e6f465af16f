"""Legal limits of a plan's transmitters, and the table they come from."""

from pathlib import Path

from linkcalc.cli._options import JSON, argument, flag, option
from linkcalc.cli._output import show_answer
from linkcalc.cli._shell import load_plan
from linkcalc.errors import LinkcalcError


def limits(
    plan: Path | None = argument("PLAN.toml", "Plan file.", default=None),
    region: str | None = option("REGION", "Region in place of the plan's, such as eu or us."),
    whole_table: bool = flag("--list", "Print the table of limits instead."),
    json: bool = JSON,
) -> None:
    """Hold every transmitter against a table of legal limits.

    Also says how far people should stay from each antenna.

    \b
    Example:
      linkcalc limits site.toml
      linkcalc limits site.toml --region us
      linkcalc limits --list --region nz

    Check with your regulator; this is not legal advice. Exit code: 0 whatever the answer, 2 bad input.
    """
    from linkcalc.rules.table import REGIONS

    if region is not None and region not in REGIONS:
        raise LinkcalcError(f"--region {region}: not in the table; known: {', '.join(REGIONS)}")
    if whole_table:
        if plan is not None:
            raise LinkcalcError("--list prints the table alone: leave the plan file out")
        _print_table(region, json)
    elif plan is None:
        raise LinkcalcError("name a plan file, or --list for the table of limits")
    else:
        _print_plan(plan, region, json)


def _print_plan(file: Path, region: str | None, json: bool) -> None:
    from dataclasses import asdict

    from linkcalc.operation.sections import plan_limits_of
    from linkcalc.views.jsonout import json_text
    from linkcalc.views.limits.text import limits_report

    found = plan_limits_of(load_plan(file).plan, region)
    as_json = json_text(asdict(found)) if json else None
    show_answer(limits_report, found.limits, found.exposure, as_json=as_json)


def _print_table(region: str | None, json: bool) -> None:
    from dataclasses import asdict

    from linkcalc.rules.found import CAUTION
    from linkcalc.rules.table import rules
    from linkcalc.views.jsonout import json_text, plain_data
    from linkcalc.views.limits.text import rules_report

    rows = [r for r in rules() if region in (None, r.region)]
    data = {"caution": CAUTION, "rules": [asdict(r) for r in rows]}
    show_answer(rules_report, rows, as_json=json_text(plain_data(data)) if json else None)
