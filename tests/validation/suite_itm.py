"""Test vectors of the irregular terrain model, NTIA/ITS reference software v1.4: half a printed unit."""

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import numpy as np

from linkcalc.errors import LinkcalcError
from linkcalc.propagation import irregular
from linkcalc.propagation.ground import GroundConstants
from tests.validation.tables import Errors, Line, read_rows, required, skipped, table_files

HAIR = 1e-4
LOSS = "A__db"

EXAMPLE_PATH = {
    "tx_height_m": 15.0,
    "rx_height_m": 3.0,
    "frequency_hz": 3500e6,
    "atmosphere": irregular.Atmosphere(climate=5, n0=301.0),
}
"""One path with its percentages in the table: the rest is in the table's description, not in its rows."""


def run(tables: Path) -> Iterable[Line]:
    folder = tables / "itm"
    kinds: tuple[tuple[set[str], float, Callable[[Path, Mapping[str, str]], float]], ...] = (
        ({LOSS, "profile", "spacing_m"}, 0.005, point_to_point),
        ({LOSS, "delta_h__meter", "d__km"}, 0.05, area),
        ({LOSS, "confidence_pct", "reliability_pct"}, 0.05, example),
    )
    found = [
        (path, half_unit, loss) for columns, half_unit, loss in kinds for path in table_files(folder, columns)
    ]
    if not found:
        yield skipped("itm", "not here")
    for path, half_unit, loss in found:
        errors = Errors(f"itm/{path.name}")
        for number, row in enumerate(read_rows(path), start=1):
            try:
                ours = loss(folder, row)
            except (LinkcalcError, OSError, ValueError) as error:
                errors.failed(row.get("case_id", f"row {number}"), error)
            else:
                errors.compare(row, LOSS, ours, half_unit + HAIR, "dB")
        yield from errors.lines()


def point_to_point(folder: Path, row: Mapping[str, str]) -> float:
    heights = profile(folder / "profiles" / row["profile"])
    return irregular.point_to_point_loss_db(required(row, "spacing_m"), heights, **common(row))


def area(folder: Path, row: Mapping[str, str]) -> float:
    terrain = irregular.Terrain(
        required(row, "delta_h__meter"),
        tx_siting=int(required(row, "tx_siting_criteria")),
        rx_siting=int(required(row, "rx_siting_criteria")),
    )
    return irregular.area_loss_db(required(row, "d__km") * 1e3, terrain, **common(row))


def example(folder: Path, row: Mapping[str, str]) -> float:
    return irregular.point_to_point_loss_db(
        25.6,
        profile(folder / "profiles" / "profile_cmd.csv"),
        **EXAMPLE_PATH,
        variability=irregular.Variability(
            "accidental",
            time_percent=required(row, "reliability_pct"),
            situation_percent=required(row, "confidence_pct"),
        ),
    )


def common(row: Mapping[str, str]) -> dict:
    """The arguments both modes share."""
    return {
        "tx_height_m": required(row, "h_tx__meter"),
        "rx_height_m": required(row, "h_rx__meter"),
        "frequency_hz": required(row, "f__mhz") * 1e6,
        "polarisation": "vertical" if required(row, "pol") == 1 else "horizontal",
        "ground": GroundConstants(required(row, "epsilon"), required(row, "sigma")),
        "atmosphere": irregular.Atmosphere(int(required(row, "climate")), required(row, "N_0")),
        "variability": irregular.Variability(
            int(required(row, "mdvar")),
            time_percent=required(row, "time"),
            location_percent=required(row, "location"),
            situation_percent=required(row, "situation"),
        ),
    }


def profile(path: Path) -> np.ndarray:
    rows = sorted(read_rows(path), key=lambda row: required(row, "index", 0.0))
    return np.array([required(row, "height_m") for row in rows])
