"""The parts of a plan, counted and priced."""

from pathlib import Path

from linkcalc.cli._options import JSON, PLAN, option
from linkcalc.cli._output import show_answer, write_file
from linkcalc.cli._shell import load_plan


def parts(
    plan: Path = PLAN,
    csv: Path | None = option("FILE.csv", "Write them as CSV.", "--csv", "--out", "-o"),
    json: bool = JSON,
) -> None:
    """Count masts, antennas, feeders, connectors, arrestors, radios, batteries and panels, and price them.

    Prices are those of the plan's [prices]; what it does not state is an invented example, and marked.

    \b
    Example:
      linkcalc parts site.toml
      linkcalc parts site.toml --csv parts.csv
      linkcalc parts site.toml --set prices.currency=EUR --set prices.radio=95

    Exit code: 0 whatever the verdict, 2 bad input.
    """

    from linkcalc.commands.link import parts as parts_of
    from linkcalc.views.check.remedies import bill_csv, bill_report
    from linkcalc.views.jsonout import section_json

    loaded = load_plan(plan)
    found = parts_of(loaded)
    show_answer(
        bill_report,
        found,
        f"Parts of {loaded.plan.title or loaded.path.name}",
        as_json=section_json("parts", found) if json else None,
    )
    if csv is not None:
        write_file(csv, bill_csv(found))
