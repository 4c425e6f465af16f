"""Clutter loss of Rec. ITU-R P.2108: rows in range to half a printed unit, rows out of range refused."""

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.propagation import clutter
from tests.validation.tables import Errors, Line, number, read_rows, required, skipped, table_files

HAIR = 1e-4
SIX_KINDS = ("water", "open", "suburban", "urban", "trees", "dense_urban")
FIVE_KINDS = ("water", "open", "suburban", "urban", "dense_urban")


def run(tables: Path) -> Iterable[Line]:
    folder = tables / "p2108"
    kinds: tuple[tuple[set[str], str, Callable[[Mapping[str, str]], float]], ...] = (
        ({"f__ghz", "h__meter", "clutter_type", "A_h__db"}, "A_h__db", height_gain),
        ({"frequency_ghz", "height_m", "class", "loss_db"}, "loss_db", height_gain_by_class),
        ({"f__ghz", "d__km", "p", "L_ctt__db"}, "L_ctt__db", statistical),
    )
    found = [(path, column, loss) for needed, column, loss in kinds for path in table_files(folder, needed)]
    curves = [path for path in table_files(folder, {"frequency_ghz"}) if distance_km(path) is not None]
    if not found and not curves:
        yield skipped("p2108", "not here")
    for path, column, loss in found:
        errors = Errors(f"p2108/{path.name}")
        for line, row in enumerate(read_rows(path), start=1):
            one_row(errors, f"row {line}", row, column, loss)
        yield from errors.lines()
    for path in curves:
        errors = Errors(f"p2108/{path.name}")
        for line, row in enumerate(read_rows(path), start=1):
            curve(errors, f"row {line}", row, distance_km(path) or 0.0)
        yield from errors.lines()


def one_row(
    errors: Errors, case: str, row: Mapping[str, str], column: str, loss: Callable[[Mapping[str, str]], float]
) -> None:
    """Compare a row, or see that a row marked as out of range is refused."""
    out_of_range = (number(row, "rtn") or 0.0) != 0.0
    try:
        ours = loss(row)
    except DomainError as error:
        if out_of_range:
            errors.add("rtn (refused)", 0.0, 0.0, "")
        else:
            errors.failed(case, error)
    except (LinkcalcError, ValueError) as error:
        errors.failed(case, error)
    else:
        if out_of_range:
            errors.add("rtn (refused)", 1.0, 0.0, "", "a row out of range was not refused")
        else:
            compare(errors, row, column, ours)


def compare(errors: Errors, row: Mapping[str, str], column: str, ours: float) -> None:
    """Half a unit of the last printed digit, tenths at the coarsest; a column for each precision."""
    published = number(row, column)
    if published is not None:
        decimals = max(1, len(row[column].partition(".")[2]))
        name = column if decimals == 1 else f"{column} to {decimals} decimals"
        errors.add(name, ours - published, 0.5 * 10.0**-decimals + HAIR, "dB")


def height_gain(row: Mapping[str, str]) -> float:
    return clutter.height_gain_loss_db(
        required(row, "f__ghz") * 1e9,
        required(row, "h__meter"),
        kind(SIX_KINDS, required(row, "clutter_type")),
        clutter_height_m=number(row, "R__meter"),
        street_width_m=required(row, "w_s__meter", 27.0),
    )


def height_gain_by_class(row: Mapping[str, str]) -> float:
    return clutter.height_gain_loss_db(
        required(row, "frequency_ghz") * 1e9,
        required(row, "height_m"),
        kind(FIVE_KINDS, required(row, "class")),
        clutter_height_m=number(row, "clutter_height_m"),
        street_width_m=required(row, "street_width_m", 27.0),
    )


def kind(kinds: tuple[str, ...], code: float) -> str:
    return kinds[int(code) - 1] if 1 <= code <= len(kinds) else f"code {code:g}"


def statistical(row: Mapping[str, str]) -> float:
    return clutter.statistical_loss_db(
        required(row, "f__ghz") * 1e9, required(row, "d__km") * 1e3, required(row, "p")
    )


def curve(errors: Errors, case: str, row: Mapping[str, str], d_km: float) -> None:
    """A row of losses, its columns named by the share of locations: p50_db."""
    for column in row:
        match = re.fullmatch(r"p([\d.]+)_db", column)
        if match:
            try:
                ours = clutter.statistical_loss_db(
                    required(row, "frequency_ghz") * 1e9, d_km * 1e3, float(match[1])
                )
            except (LinkcalcError, ValueError) as error:
                errors.failed(f"{case} {column}", error)
            else:
                compare(errors, row, column, ours)


def distance_km(path: Path) -> float | None:
    """Distance from a name such as statistical_0p65km."""
    match = re.fullmatch(r"statistical_(\d+)(?:p(\d+))?km", path.stem)
    return float(f"{match[1]}.{match[2] or 0}") if match else None
