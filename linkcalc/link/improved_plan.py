"""The improved plan: a plan file's text with the changes of remedies made, and checked again."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from linkcalc.errors import LinkcalcError, quoted
from linkcalc.link.remedy_plans import edit_of, text_and_settings
from linkcalc.link.result import Remedy, Result
from linkcalc.link.verdict import check_plan
from linkcalc.plan import LoadedPlan
from linkcalc.plan.checking import checked_plan
from linkcalc.plan.edits import edited_text
from linkcalc.plan.syntax import parsed

MARK = "Written by linkcalc"
"""How a file begins that this may overwrite."""


@dataclass(frozen=True)
class ImprovedPlan:
    """A plan with its remedies made."""

    text: str
    remedies: tuple[tuple[str, Remedy], ...]
    result: Result


def improved_plan(
    loaded: LoadedPlan, result: Result, *, link: str | None = None, number: int = 1
) -> ImprovedPlan | None:
    """Make the changes of remedies in a plan; None where every link closes.

    By default every link that does not close, one after the other, each with the cheapest remedy once those before are
    made; or remedy `number`, from 1, of one link. `LinkcalcError` where there is no such remedy.
    """
    text, edits = text_and_settings(loaded)
    wanted = [k.name for k in result.links if k.verdict != "closes" and link in (None, k.name)]
    if number > 1 and len(wanted) > 1:
        raise LinkcalcError(f"several links do not close: --link says whose remedy {number} is meant")
    done: list[tuple[str, Remedy]] = []
    for name in wanted:
        found = next(k for k in result.links if k.name == name)
        if found.verdict == "closes":  # what was done for another link helped this one
            continue
        if len(found.remedies) < number:
            said = f"{len(found.remedies)} found" if found.remedies else "none was found"
            raise LinkcalcError(
                f"link {quoted(name)} has no remedy {number}: {said}; linkcalc relay looks for a relay"
            )
        remedy = found.remedies[number - 1]
        if remedy.relay is not None:
            raise LinkcalcError(
                f"link {quoted(name)}: its remedy is a relay; linkcalc relay {loaded.path} --write-plan writes the "
                "plan with one at the best spot all around"
            )
        done.append((name, remedy))
        edits += [edit_of(c) for c in remedy.changes]
        changed = edited_text(text, edits)
        plan = checked_plan(parsed(changed.encode()), loaded.base_dir)
        result = check_plan(replace(loaded, plan=plan), brief=True)
        after = next(k for k in result.links if k.name == name)
        if after.verdict != "closes":
            raise LinkcalcError(
                f"link {quoted(name)}: the improved plan does not check as found; nothing is written"
            )
    if not done:
        return None
    return ImprovedPlan(edited_text(text, edits, _head(loaded.path, done)), tuple(done), result)


def _head(path: Path, done: Sequence[tuple[str, Remedy]]) -> str:
    lines = [f"{MARK} from {path.name}, with what makes it close by its check:"]
    for name, remedy in done:
        weaker = min(a - b for a, b in zip(remedy.fade_margins_db, remedy.required_margins_db, strict=True))
        lines.append(
            f"  link {quoted(name)}: {weaker:.1f} dB over the required margin in the weaker direction"
        )
    lines.append("A prediction: measure on site. A radio link is no safety function and no emergency stop.")
    return "\n".join(lines)


def may_overwrite(path: Path) -> bool:
    """Whether a file is not there, or was written by this module and may be written again."""
    try:
        with path.open("rb") as file:
            return file.read(len(MARK) + 2) == f"# {MARK}".encode()
    except FileNotFoundError:
        return True
    except OSError:
        return False
