"""Delta-Bullington rows of the published P.452-18 set: diffraction as in Rec. ITU-R P.526.

The other losses of those rows belong to Rec. ITU-R P.452 and are not compared. Some columns are printed
with 6 decimals, and the refractivity lapse is an input printed so: that bounds what can be compared.
"""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.propagation import _p1812, diffraction, p1812
from tests.validation.tables import Errors, Line, read_profile, read_rows, required, skipped

TABLE = "p526/delta_bullington.csv"


def run(tables: Path) -> Iterable[Line]:
    folder = tables / "p526"
    path = folder / "delta_bullington.csv"
    if not path.is_file():
        yield skipped(TABLE, "not here")
        return
    errors = Errors(TABLE)
    profiles: dict[str, dict[str, Any]] = {}
    for row in read_rows(path):
        try:
            name = row["profile"]
            if name not in profiles:
                profiles[name] = read_profile(folder / "profiles" / name)
            check(errors, row, profiles[name])
        except Exception as error:
            errors.failed(row.get("case_id", "?"), error)
    yield from errors.lines()


def check(errors: Errors, row: Mapping[str, str], profile: Mapping[str, Any]) -> None:
    """One row: path geometry, spherical earth, median and time-dependent diffraction."""
    length = float(profile["distance_m"][-1] - profile["distance_m"][0])
    frequency = required(row, "f_ghz") * 1e9
    antennas = {"tx_height_m": required(row, "htg_m"), "rx_height_m": required(row, "hrg_m")}
    polarisation = "horizontal" if required(row, "pol_1h2v") == 1 else "vertical"
    latitude = p1812.mid_path_latitude_deg(
        required(row, "lat_tx_deg"),
        required(row, "lon_tx_deg"),
        required(row, "lat_rx_deg"),
        required(row, "lon_rx_deg"),
        length,
    )
    terrain = {name: profile[name] for name in ("distance_m", "ground_m", "clutter_m")}
    path = p1812.basic_transmission_loss_db(
        **terrain,
        **antennas,
        frequency_hz=frequency,
        polarisation=polarisation,
        climate=p1812.Climate(
            delta_n=required(row, "dn"),
            n0=required(row, "n0"),
            latitude_deg=latitude,
            zone=profile["zone"],
        ),
        detail=True,
    )
    for column, ours, tolerance, unit in (
        ("ae", path["ae_km"], 1e-4, "km"),
        ("dtot", path["d_km"], 1e-6, "km"),
        ("hts", path["hts_m"], 1e-6, "m"),
        ("hrs", path["hrs_m"], 1e-6, "m"),
        ("theta_t", path["theta_t_mrad"], 1e-6, "mrad"),
        ("theta_r", path["theta_r_mrad"], 1e-6, "mrad"),
        ("theta", path["theta_mrad"], 1e-6, "mrad"),
        ("hm", path["hm_m"], 1e-6, "m"),
        ("hte", path["hte_duct_m"], 1e-6, "m"),
        ("hre", path["hre_duct_m"], 1e-6, "m"),
        ("hstd", path["hstd_m"], 1e-6, "m"),
        ("hsrd", path["hsrd_m"], 1e-6, "m"),
        ("dlt", path["dlt_km"], 1e-6, "km"),
        ("dlr", path["dlr_km"], 1e-6, "km"),
        ("dtm", path["dtm_km"], 1e-6, "km"),
        ("dlm", path["dlm_km"], 1e-6, "km"),
        ("b0", path["beta0_pct"], 1e-6, "%"),
        ("omega", path["omega"], 1e-6, ""),
        ("ldsph", path["Ldsph_ae_db"], 1e-5, "dB"),
    ):
        errors.compare(row, column, ours, tolerance, unit)
    if row.get("path"):
        transhorizon = row["path"].lower().startswith("trans")
        errors.add("path", float(transhorizon != path["transhorizon"]), 0.0, "")

    both = [
        diffraction.delta_bullington_loss_db(
            **terrain,
            **antennas,
            frequency_hz=frequency,
            polarisation=polarisation,
            k_factor=radius / 6371.0,
            sea_share=path["omega"],
        )
        for radius in (path["ae_km"], path["abeta_km"])
    ]
    median, beta = both
    share = float(np.asarray(_p1812.time_interpolation(required(row, "p_pct"), path["beta0_pct"])))
    errors.compare(row, "ld50", median, 1e-5, "dB")
    errors.compare(row, "ldp", median + share * (beta - median), 1e-5, "dB")
