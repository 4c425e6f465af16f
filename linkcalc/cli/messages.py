"""What becomes of the messages of a plan."""

from pathlib import Path

from linkcalc.cli._options import JSON, PICTURES, PLAN
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import load_plan


def messages(plan: Path = PLAN, out: Path | None = PICTURES, json: bool = JSON) -> None:
    """Say how often each message is lost, when it arrives, and how long it is on the air.

    Messages are the [[message]] tables of the plan. Tries share the slow state of the link; the figure for
    independent tries is given beside, as the optimistic bound.

    \b
    Example:
      linkcalc messages site.toml
      linkcalc messages site.toml --out result

    A radio link is no safety function. Exit code: 0 whatever the answer, 2 bad input.
    """

    from linkcalc.commands.operation import messages as fates_of
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.messages.text import messages_report

    loaded = load_plan(plan)
    found = fates_of(loaded) if loaded.plan.message else None
    show_answer(
        messages_report,
        found,
        assumed=loaded.assumed,
        as_json=section_json("messages", found, loaded.assumed) if json else None,
    )
    if out is not None and found is not None:
        from linkcalc.views.messages.figures import write_all

        write_files(out, {}, write_all(found, out))
