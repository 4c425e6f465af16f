"""Building entry loss of Rec. ITU-R P.2109-1, workbook of Study Group 3, printed to 0.001 dB."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.propagation import building_entry
from tests.validation.tables import Errors, Line, number, read_rows, required, skipped, table_files

TOLERANCE_DB = 0.0005 + 1e-4
"""Half a printed unit and a hair: the probabilities are inputs printed to seven digits."""

KINDS = {1: "traditional", 2: "thermally_efficient"}


def run(tables: Path) -> Iterable[Line]:
    paths = table_files(tables / "p2109", {"f_ghz", "p_pct", "building_class", "loss_db"})
    if not paths:
        yield skipped("p2109", "not here")
    for path in paths:
        errors = Errors(f"p2109/{path.name}")
        for line, row in enumerate(read_rows(path), start=1):
            out_of_range = (number(row, "rtn") or 0.0) != 0.0
            try:
                ours = loss(row)
            except DomainError as error:
                if out_of_range:
                    errors.add("rtn (refused)", 0.0, 0.0, "")
                else:
                    errors.failed(f"row {line}", error)
            except (LinkcalcError, ValueError) as error:
                errors.failed(f"row {line}", error)
            else:
                if out_of_range:
                    errors.add("rtn (refused)", 1.0, 0.0, "", "a row out of range was not refused")
                else:
                    errors.compare(row, "loss_db", ours, TOLERANCE_DB, "dB")
        yield from errors.lines()


def loss(row: Mapping[str, str]) -> float:
    code = required(row, "building_class")
    return building_entry.building_entry_loss_db(
        required(row, "f_ghz") * 1e9,
        required(row, "p_pct") / 100.0,
        building=KINDS.get(int(code), f"code {code:g}"),
        elevation_deg=required(row, "elevation_deg", 0.0),
    )
