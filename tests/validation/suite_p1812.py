"""Every case of the published validation set of Rec. ITU-R P.1812, every intermediate value.

The published logs print Lbulla, Lbulls and Ldsph for the beta0 earth radius, and Lbd after it was
overwritten by Lbda; `median_radius.csv` has the values for the median radius and the true Lbd.
"""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from linkcalc.propagation import p1812
from tests.validation.tables import Errors, Line, read_profile, read_rows, required, skipped

TOLERANCE = 1e-6
UNITS = {"km": "km", "m": "m", "mrad": "mrad", "db": "dB", "deg": "deg", "pct": "%", "dbuvm": "dB(uV/m)"}

# Columns under another name than the value they hold.
SAME_AS = {
    "Lbd_db": ("Lbda_db", "printed after it was overwritten by Lbda"),
    "Lbd_true_db": ("Lbd_db", ""),
    "htc_m": ("hts_m", "no height gain by clutter since edition 6"),
    "hrc_m": ("hrs_m", "no height gain by clutter since edition 6"),
    "Lb_published_db": ("Lb_db", ""),
    "E_published_dbuvm": ("E_published_dbuvm", "for the transmitter of the case, not for 1 kW"),
}
INPUTS = {"htg_m", "hrg_m", "dct_km", "dcr_km", "sigma_l_db", "p_pct", "pl_pct"}


def run(tables: Path) -> Iterable[Line]:
    folder = tables / "p1812"
    results = folder / "results.csv"
    if not results.is_file():
        yield skipped("p1812", "no p1812/results.csv here")
        return
    main, median = Errors("p1812/results.csv"), Errors("p1812/median_radius.csv")
    second_path = folder / "median_radius.csv"
    second = {row.get("case_id", ""): row for row in read_rows(second_path)} if second_path.is_file() else {}
    profiles: dict[str, dict[str, Any]] = {}
    for row in read_rows(results):
        case = row.get("case_id", "?")
        try:
            name = row["profile"]
            if name not in profiles:
                profiles[name] = read_profile(folder / "profiles" / name)
            ours = predict(row, profiles[name])
        except Exception as error:
            main.failed(case, error)
            continue
        compare(main, row, ours)
        if case in second:
            compare(median, second[case], ours)
    yield from main.lines()
    yield from median.lines()
    if not second:
        yield skipped("p1812/median_radius.csv", "not here")


def predict(row: Mapping[str, str], profile: Mapping[str, Any]) -> dict[str, Any]:
    """Every intermediate and final value of one case."""
    length = float(profile["distance_m"][-1] - profile["distance_m"][0])
    latitude = p1812.mid_path_latitude_deg(
        required(row, "lat_tx_deg"),
        required(row, "lon_tx_deg"),
        required(row, "lat_rx_deg"),
        required(row, "lon_rx_deg"),
        length,
    )
    detail = p1812.basic_transmission_loss_db(
        **{name: profile[name] for name in ("distance_m", "ground_m", "clutter_m")},
        tx_height_m=required(row, "htg_m"),
        rx_height_m=required(row, "hrg_m"),
        frequency_hz=required(row, "f_ghz") * 1e9,
        polarisation="horizontal" if required(row, "pol") == 1 else "vertical",
        climate=p1812.Climate(
            delta_n=required(row, "delta_n"),
            n0=required(row, "n0"),
            latitude_deg=latitude,
            zone=profile["zone"],
            tx_coast_km=required(row, "dct_km", 500.0),
            rx_coast_km=required(row, "dcr_km", 500.0),
        ),
        variability=p1812.Variability(
            time_percent=required(row, "p_pct"),
            location_percent=required(row, "pl_pct", 50.0),
            location_sigma_db=required(row, "sigma_l_db", 0.0),
        ),
        detail=True,
    )
    clutter = profile["clutter_m"]
    field_strength = p1812.field_strength_dbuv_m(
        detail["Lb_db"], required(row, "f_ghz") * 1e9, required(row, "ptx_kw", 1.0)
    )
    return {
        **detail,
        "lat_mid_deg": latitude,
        "E_published_dbuvm": field_strength + required(row, "gtx_dbi", 0.0),
        "r_second_m": float(clutter[1]),
        "r_second_last_m": float(clutter[-2]),
    }


def compare(errors: Errors, row: Mapping[str, str], ours: Mapping[str, Any]) -> None:
    """Every column of the row that the prediction knows."""
    for column in row:
        name, note = SAME_AS.get(column, (column, ""))
        if name in ours and column not in INPUTS:
            unit = UNITS.get(column.rsplit("_", 1)[-1], "")
            errors.compare(row, column, ours[name], TOLERANCE, unit, note)
