"""Readings taken on site: the prediction corrected by what was measured."""

from pathlib import Path

import typer

from linkcalc.cli._options import JSON, LINK, PLAN, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._readings import READINGS, WET, named_link, tell_refused
from linkcalc.cli._shell import EXIT_CODES, load_plan
from linkcalc.site.reading import Leaf, Way


def survey(
    plan: Path = PLAN,
    readings: list[Path] = READINGS,
    link: str | None = LINK,
    direction: Way | None = option(None, "Direction of rows that do not say: there is from `from` to `to`."),
    leaf: Leaf | None = option(None, "Trees on the day, where rows do not say."),
    wet: bool | None = WET,
    out: Path | None = option("DIR", "Folder for the pictures (SVG, PNG), survey.txt and survey.json."),
    json: bool = JSON,
) -> None:
    """Hold signal readings against the prediction, and answer the link anew.

    \b
    Columns of a CSV file, in any order; direction, and a level or a count:
      time             ISO 8601, or day.month.year 14:05
      direction        forward (the link's from -> to), return, or names: tank -> shed
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
    from linkcalc.commands.on_site import survey as survey_of
    from linkcalc.views.jsonout import json_text, plain_data
    from linkcalc.views.survey.text import survey_report

    loaded = load_plan(plan)
    answer = survey_of(
        loaded,
        readings,
        link=named_link(loaded, link, readings),
        direction=direction,
        leaf=leaf,
        wet_foliage=wet,
    )
    tell_refused(readings, answer.refused)
    text = json_text(plain_data(answer))
    show_answer(survey_report, answer, as_json=text if json else None)
    if out is not None:
        from linkcalc.views.survey.figures import write_all

        contents = {"survey.txt": survey_report(answer), "survey.json": text}
        write_files(out, contents, write_all(answer, out))
    raise typer.Exit(EXIT_CODES[answer.verdict])
