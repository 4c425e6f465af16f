"""Measured antenna patterns: tables of angle against gain, read from files beside the plan.

`PlanError` says what is wrong, and in which row.
"""

from pathlib import Path

from linkcalc.errors import PlanError
from linkcalc.plan.wording import quoted
from linkcalc.tabular import TableError, table_of, text_of

LARGEST_PATTERN_BYTES = 2_000_000


def read_pattern(path: Path, angle: str) -> list[list[float]]:
    """Read a measured pattern of one plane: rows of `angle` (azimuth_deg or elevation_deg) and gain_dbi."""
    from linkcalc.radio.antenna import cut

    wanted = (angle, "gain_dbi")
    remedy = f"write a header {angle},gain_dbi and a row for each direction"
    try:
        text = text_of(path, largest_bytes=LARGEST_PATTERN_BYTES, what="table of a pattern")
        table = table_of(text, remedy)
        keys = table.keys(wanted)
        for key in wanted:
            if key not in keys:
                meant = next((c for c, near in table.strange(keys, wanted, {}).items() if near == key), None)
                found = f"; {quoted(meant)} is nearest" if meant else ""
                columns = f"columns are {', '.join(wanted)}"
                raise TableError(f"column {key} is missing{found}; {columns}", table.header_row)
        rows = [table.numbers(row, [(key, keys.index(key)) for key in wanted]) for row in table.rows]
        cut(rows, around=angle == "azimuth_deg")
    except ValueError as error:  # a table's or a pattern's
        raise PlanError(str(error)) from None
    return rows
