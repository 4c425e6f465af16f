"""What the commands that take readings share: options, and how rows that are not used are named."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from linkcalc.cli._options import argument, defaults_of, option
from linkcalc.cli._output import tell
from linkcalc.cli._shell import chosen_link
from linkcalc.commands.on_site import acceptance

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan
    from linkcalc.site.readings import RefusedRow

_MOST_REFUSED_SHOWN = 20


CONFIDENCE = option("SHARE", "How sure the proof is (0 to 1).", default=defaults_of(acceptance).confidence)
WET = option(None, "Leaves on the day, where rows do not say.", "--wet/--dry")

_FILES = "Readings, one file or several: CSV, or JSON of the field sheet."
READINGS = argument("READINGS...", _FILES)
READINGS_OR_NONE = argument("READINGS...", _FILES, default=None)


def named_link(loaded: "LoadedPlan", link: str | None, files: Sequence[Path]) -> str:
    """The link that is named, by the option or in the files; or else the only one."""
    from linkcalc.site.readings import link_named_in

    named = (name for name in map(link_named_in, files) if name is not None)
    return chosen_link(loaded, link or next(named, None)).name


def tell_refused(files: Sequence[Path], refused: "Sequence[RefusedRow]") -> None:
    """Name the rows that are not used on stderr."""
    file = ", ".join(str(f) for f in files)
    for row in refused[:_MOST_REFUSED_SHOWN]:
        tell(f"{row.file or file}, row {row.row}: {row.reason}; row not used")
    if len(refused) > _MOST_REFUSED_SHOWN:
        tell(f"{file}: {len(refused) - _MOST_REFUSED_SHOWN} more rows not used")
