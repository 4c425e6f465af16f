# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation import _kernels as k
from linkcalc.propagation._kernels import Number, where
from linkcalc.propagation._ranges import stated_range
from linkcalc.propagation.diffraction import Polarisation, checked_profile, is_vertical, number
EARTH_RADIUS_KM = 6371.0
SEA, COASTAL, INLAND = (1, 3, 4)
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: float, clutter_m: ArrayLike | None=..., zone: ArrayLike | None=..., polarisation: Polarisation=..., time_percent: float=..., location_percent: float=..., location_sigma_db: float=..., entry_loss_db: float=..., entry_sigma_db: float=..., delta_n: float=..., n0: float=..., latitude_deg: float=..., tx_coast_km: float | None=..., rx_coast_km: float | None=..., detail: Literal[False]=...) -> float: ...
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: ArrayLike, clutter_m: ArrayLike | None=..., zone: ArrayLike | None=..., polarisation: Polarisation=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., location_sigma_db: ArrayLike=..., entry_loss_db: ArrayLike=..., entry_sigma_db: ArrayLike=..., delta_n: float=..., n0: float=..., latitude_deg: float=..., tx_coast_km: float | None=..., rx_coast_km: float | None=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: ArrayLike, clutter_m: ArrayLike | None=..., zone: ArrayLike | None=..., polarisation: Polarisation=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., location_sigma_db: ArrayLike=..., entry_loss_db: ArrayLike=..., entry_sigma_db: ArrayLike=..., delta_n: float=..., n0: float=..., latitude_deg: float=..., tx_coast_km: float | None=..., rx_coast_km: float | None=..., detail: Literal[True]) -> MappingProxyType[str, Any]: ...
@overload
def location_standard_deviation_db(frequency_hz: float, resolution_m: float, *, rx_height_m: float=..., clutter_height_m: float=...) -> float: ...
@overload
def location_standard_deviation_db(frequency_hz: ArrayLike, resolution_m: ArrayLike, *, rx_height_m: ArrayLike=..., clutter_height_m: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def field_strength_dbuv_m(loss_db: float, frequency_hz: float, erp_kw: float=...) -> float: ...
@overload
def field_strength_dbuv_m(loss_db: ArrayLike, frequency_hz: ArrayLike, erp_kw: ArrayLike=...) -> NDArray[np.float64]: ...
def mid_path_latitude_deg(tx_latitude_deg: float, tx_longitude_deg: float, rx_latitude_deg: float, rx_longitude_deg: float, distance_m: float) -> float: ...
def _unit_vector(latitude_deg: float, longitude_deg: float) -> Floats: ...
def checked_zone(zone: ArrayLike | None, size: int) -> NDArray[np.int8]: ...
@overload
def coast_km(name: str, value: float | None, at_sea: float) -> float: ...
@overload
def coast_km(name: str, value: ArrayLike | None, at_sea: ArrayLike) -> NDArray[np.float64]: ...
@overload
def checked_lapse(delta_n: float) -> float: ...
@overload
def checked_lapse(delta_n: ArrayLike) -> NDArray[np.float64]: ...
def warn_outside_range(frequency_hz: Floats | float, length_m: Floats | float, *heights_m: Floats | float) -> None: ...
def _within(low: float, value: Floats | float, high: float) -> bool: ...
class Path(NamedTuple):
    d_km: float
    dtm_km: float
    dlm_km: float
    omega: float
    tau: float
    mu1: float
    mu4: float
    beta0_pct: float
    ae_km: float
    abeta_km: float
    hts_m: float
    hrs_m: float
    transhorizon: bool
    lt: int
    lr: int
    dlt_km: float
    dlr_km: float
    theta_t_mrad: float
    theta_r_mrad: float
    theta_mrad: float
    hst_raw_m: float
    hsr_raw_m: float
    hst_m: float
    hsr_m: float
    hstd_m: float
    hsrd_m: float
    hte_diff_m: float
    hre_diff_m: float
    hte_duct_m: float
    hre_duct_m: float
    hm_m: float
    nu1_actual_ae: float
    nu1_smooth_ae: float
    nu1_actual_beta: float
    nu1_smooth_beta: float
    sphere_ae: k.Sphere
    sphere_beta: k.Sphere
    act_db: float
    acr_db: float
    theta1_mrad: float
    alpha: float
    mu2: float
    mu3: float
    beta_pct: float
    Gamma: float
    Fj: float
    Fk: float
class Terms(NamedTuple):
    Lbfs_db: Number
    Lb0p_db: Number
    Lb0b_db: Number
    Lbulla_ae_db: Number
    Lbulls_ae_db: Number
    Ldsph_ae_db: Number
    Ld50_db: Number
    Lbulla_beta_db: Number
    Lbulls_beta_db: Number
    Ldsph_beta_db: Number
    Ldb_db: Number
    Fi: Number
    Ldp_db: Number
    Lbd50_db: Number
    Lbd_db: Number
    Lbs_db: Number
    Lba_db: Number
    Lminb0p_db: Number
    Lminbap_db: Number
    Lbda_db: Number
    Lbam_db: Number
    Lbc_db: Number
    Lloc_db: Number
    Lb_db: Number
    E_dbuvm: Number
def scan_sections(d: Floats, zone: NDArray[np.int8]) -> tuple[float, float, float]: ...
def longest(edges: Floats, inside: NDArray[np.bool_]) -> float: ...
def scan_roughness(d: Floats, h: Floats, first: int, last: int, hst: float, slope: float) -> float: ...
def path_of_profile(d: Floats, h: Floats, top: Floats, zone: NDArray[np.int8], htg: float, hrg: float, delta_n: float, latitude: float, dct: float, dcr: float) -> Path: ...
def sea_coupling(omega: float, coast: float, horizon: float, height: float) -> float: ...
def site_shielding(angle: float, horizon: float, f: Number) -> Number: ...
def upper_quantile(x: Number) -> Number: ...
def time_interpolation(p: Number, beta0: float) -> Number: ...
def losses(path: Path, f: Number, p: Number, pl: Number, sigma: Number, entry: Number, entry_sigma: Number, n0: float, vertical: bool) -> Terms: ...
