"""Candidates side by side."""

from pathlib import Path
from typing import Literal

import typer

from linkcalc.cli._options import JSON, argument, defaults_of, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import EXIT_CODES
from linkcalc.commands.link import compare as side_by_side

USUAL = defaults_of(side_by_side)


def compare(
    plans: list[Path] = argument("PLAN.toml...", "One plan or several."),
    settings: list[str] | None = option(
        "NAME.KEY=VALUE",
        "A further candidate: the plan with this key set, or several with commas between.",
        "--set",
    ),
    leaf: Literal["plan", "in", "out", "both"] = option(
        None,
        "Trees: as each plan says, in leaf, out of leaf, or both.",
        default=USUAL.leaf,
    ),
    out: Path | None = option(
        "DIR", "Folder for the pictures (SVG, PNG), compare.csv, compare.json and compare.txt."
    ),
    json: bool = JSON,
) -> None:
    """Put candidates side by side: verdict, margin, chance, parts and their cost, battery, what limits.

    \b
    Example:
      linkcalc compare low.toml high.toml
      linkcalc compare site.toml --set tank.antenna_height_m=8 --set "tank.antenna.type=yagi, shed.antenna.type=yagi"
      linkcalc compare site.toml improved.toml --leaf both --out result

    Exit code, of the candidate whose worst link is best: 0 closes, 3 at risk, 4 does not close; 2 bad input.
    """

    from linkcalc.views.compare.text import compare_report
    from linkcalc.views.jsonout import section_json

    found = side_by_side(plans, settings or (), leaf=leaf)
    text = section_json("compare", found)
    show_answer(compare_report, found, as_json=text if json else None)
    if out is not None:
        from linkcalc.files import csv_text
        from linkcalc.views.compare.figures import write_all
        from linkcalc.views.jsonout import plain_data

        rows = [plain_data(r) for r in found.rows]
        flat = [[" ".join(map(str, v)) if isinstance(v, list) else v for v in r.values()] for r in rows]
        contents = {
            "compare.csv": csv_text([list(rows[0]), *flat]),
            "compare.json": text,
            "compare.txt": compare_report(found),
        }
        write_files(out, contents, write_all(found, out))
    raise typer.Exit(EXIT_CODES[found.best])
