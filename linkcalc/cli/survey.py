"""Readings taken on site: the prediction corrected by what was measured."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from linkcalc.cli._shell import EXIT_CODES, PlanArgument, load_plan, screen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from linkcalc.plan import Link, LoadedPlan
    from linkcalc.site.measured import Leaf as LeafName
    from linkcalc.site.readings import RefusedRow, Way

_MOST_REFUSED_SHOWN = 20


class Direction(StrEnum):
    """Which way a reading was taken."""

    there = "there"
    back = "back"


class Leaf(StrEnum):
    """Foliage on the day."""

    in_leaf = "in_leaf"
    out_of_leaf = "out_of_leaf"


def survey(
    plan: PlanArgument,
    readings: Annotated[
        list[Path],
        typer.Argument(
            metavar="READINGS...",
            help="Readings, one file or several: CSV, or JSON of the field sheet.",
            show_default=False,
        ),
    ],
    link: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Link, where the plan has several.", show_default=False),
    ] = None,
    direction: Annotated[
        Direction | None,
        typer.Option(
            help="Direction of rows that do not say: there is from `from` to `to`.", show_default=False
        ),
    ] = None,
    leaf: Annotated[
        Leaf | None, typer.Option(help="Trees on the day, where rows do not say.", show_default=False)
    ] = None,
    wet: Annotated[
        bool | None,
        typer.Option("--wet/--dry", help="Leaves on the day, where rows do not say.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for the pictures (SVG, PNG), survey.txt and survey.json.",
            show_default=False,
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Hold signal readings against the prediction, and answer the link anew.

    \b
    Columns of a CSV file, in any order; direction, and a level or a count:
      time             ISO 8601, or day.month.year 14:05
      direction        there (the link's from -> to), back, or names: tank -> shed
      rssi_dbm snr_db  of a packet, or the median of a burst
      sent received    packets; count the lost ones, they matter most
      near_height_m far_height_m   antennas as mounted, at from and to
      spreading_factor bandwidth_khz   as set for the reading, where not as planned
      near_power_dbm near_antenna near_antenna_gain_dbi near_feeder
      near_feeder_loss_db   as fitted at from; far_... at to
      engine_running wet_foliage   yes or no
      leaf             in_leaf or out_of_leaf
      spot latitude_deg longitude_deg   of spots tried for a station
      note

    \b
    Example:
      linkcalc survey site.toml readings.csv
      linkcalc survey site.toml tank.json shed.csv --out result

    Rows that cannot be used are named on stderr, one line each; the others count. Exit code: 0 closes, 3 at
    risk, 4 does not close, 2 if nothing can be used.
    """
    from json import dumps

    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.site.readings import link_named_in, read_all
    from linkcalc.site.survey import survey_link
    from linkcalc.views.jsonout import plain_data
    from linkcalc.views.survey_text import survey_report

    loaded = load_plan(plan)
    named = (name for name in map(link_named_in, readings) if name is not None)
    chosen = chosen_link(loaded, link or next(named, None))
    way = cast("Way | None", direction and direction.value)
    found = read_all(readings, (chosen.from_, chosen.to), direction=way)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen, terrain)
        answer = survey_link(
            case,
            found,
            leaf=cast("LeafName | None", leaf and leaf.value),
            wet_foliage=wet,
            plan=loaded.plan,
            plan_digest=loaded.digest,
        )
    tell_refused(readings, answer.refused)
    text = dumps(plain_data(answer), indent=2, ensure_ascii=False, allow_nan=False)
    if json:
        typer.echo(text)
    else:
        typer.echo(survey_report(answer, **screen()), nl=False)
    if out is not None:
        from linkcalc.files import atomic_write
        from linkcalc.views.survey_figures import write_all

        written = write_all(answer, out)
        for name, content in (("survey.txt", survey_report(answer)), ("survey.json", text + "\n")):
            atomic_write(out / name, content)
            written.append(out / name)
        typer.echo(f"wrote {len(written)} files to {out}", err=True)
    raise typer.Exit(EXIT_CODES[answer.verdict])


def tell_refused(files: "Sequence[Path]", refused: "Sequence[RefusedRow]") -> None:
    """Name the rows that are not used on stderr."""
    file = ", ".join(str(f) for f in files)
    for row in refused[:_MOST_REFUSED_SHOWN]:
        typer.echo(f"linkcalc: {row.file or file}, row {row.row}: {row.reason}; row not used", err=True)
    if len(refused) > _MOST_REFUSED_SHOWN:
        typer.echo(f"linkcalc: {file}: {len(refused) - _MOST_REFUSED_SHOWN} more rows not used", err=True)


def chosen_link(loaded: "LoadedPlan", name: str | None) -> "Link":
    """The link of that name, or the only one."""
    from linkcalc.plan.in_python import chosen_link

    return chosen_link(loaded, name, said="--link")
