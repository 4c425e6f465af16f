# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.errors import DomainError
YEAR_H = 8766.0
LONGEST_QUOTED_YEARS = 10.0
CAUTION = "From generic figures; no life beyond 10 years is quoted. A battery's voltage stays flat, then falls: a good voltage does not prove a full battery."
TRANSMIT_CURRENT_SOURCE = 'generic figure for this power, unverified'
_TRANSMIT_DBM = np.array([10.0, 14.0, 17.0, 20.0, 22.0, 27.0, 30.0])
_TRANSMIT_MA = np.array([25.0, 45.0, 90.0, 120.0, 120.0, 300.0, 700.0])
ChemistryName = Literal['li_socl2', 'li_mno2', 'alkaline', 'lifepo4', 'li_ion', 'lead_acid']
@dataclass(frozen=True)
class Chemistry:
    name: str
    nominal_cell_v: float
    end_cell_v: float
    usable_share: float
    self_discharge_per_year: float
    capacity_share_at_c: tuple[tuple[float, float], ...]
    rechargeable: bool
    largest_pulse_ma: float | None
    note: str
    source: str = 'common practice, no source'
CHEMISTRIES: Mapping[ChemistryName, Chemistry]
@dataclass(frozen=True)
class Draw:
    sending_ma: Any
    listening_ma: Any
    sensing_ma: Any
    sleeping_ma: Any

    @property
    def total_ma(self) -> Any:
        ...
@overload
def transmit_current_ma(power_dbm: float) -> float: ...
@overload
def transmit_current_ma(power_dbm: ArrayLike) -> NDArray[np.float64]: ...
@overload
def expected_transmissions(success: float, tries: float) -> float: ...
@overload
def expected_transmissions(success: ArrayLike, tries: ArrayLike) -> NDArray[np.float64]: ...
def mean_currents_ma(interval_s: ArrayLike, time_on_air_s: ArrayLike, *, transmit_current_ma: ArrayLike, transmissions: ArrayLike=..., receive_current_ma: ArrayLike=..., receive_window_s: ArrayLike=..., sensor_current_ma: ArrayLike=..., sensor_warm_up_s: ArrayLike=..., sleep_current_ma: ArrayLike=...) -> Draw: ...
@overload
def battery_life_years(capacity_mah: float, mean_current_ma: float, *, usable_share: float=..., self_discharge_per_year: float=...) -> float: ...
@overload
def battery_life_years(capacity_mah: ArrayLike, mean_current_ma: ArrayLike, *, usable_share: ArrayLike=..., self_discharge_per_year: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def capacity_share(chemistry: ChemistryName, temperature_c: float) -> float: ...
@overload
def capacity_share(chemistry: ChemistryName, temperature_c: ArrayLike) -> NDArray[np.float64]: ...
@overload
def daily_energy_wh(mean_current_ma: float, voltage_v: float) -> float: ...
@overload
def daily_energy_wh(mean_current_ma: ArrayLike, voltage_v: ArrayLike) -> NDArray[np.float64]: ...
@overload
def solar_panel_w(daily_wh: float, peak_sun_h: float, efficiency: float=...) -> float: ...
@overload
def solar_panel_w(daily_wh: ArrayLike, peak_sun_h: ArrayLike, efficiency: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def storage_wh(daily_wh: float, days: float, usable_share: float) -> float: ...
@overload
def storage_wh(daily_wh: ArrayLike, days: ArrayLike, usable_share: ArrayLike) -> NDArray[np.float64]: ...
def life_words(years: float) -> str: ...
