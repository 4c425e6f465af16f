# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from dataclasses import dataclass
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range
from linkcalc.units import BOLTZMANN_J_K, REFERENCE_TEMPERATURE_K
Environment = Literal['city', 'residential', 'rural', 'quiet_rural', 'none']
@dataclass(frozen=True)
class _ManMade:
    c: float
    d: float
    upper_decile_db: float
    lower_decile_db: float
    location_decile_db: float
    highest_mhz: float = 250.0
_CATEGORIES = {'city': _ManMade(76.8, 27.7, 11.0, 6.7, 8.4, 900.0), 'residential': _ManMade(72.5, 27.7, 10.6, 5.3, 5.8), 'rural': _ManMade(67.2, 27.7, 9.2, 4.6, 6.8), 'quiet_rural': _ManMade(53.6, 28.6, 9.2, 4.6, 6.8)}
_CITY_UHF_C_D = (44.3, 12.3)
_GALACTIC_DECILE_DB = 2.0
_DECILE_SIGMAS = 1.2816
UNMEASURED_PLACE_SIGMA_DB = 2.5
@dataclass(frozen=True)
class SystemNoise:
    thermal_dbm: Any
    noise_figure_db: Any
    external_db: Any
    rise_db: Any
    total_dbm: Any
    upper_decile_db: Any
    lower_decile_db: Any
    location_sigma_db: Any
    extrapolated: Any
@overload
def thermal_noise_power_dbm(bandwidth_hz: float, temperature_k: float=...) -> float: ...
@overload
def thermal_noise_power_dbm(bandwidth_hz: ArrayLike, temperature_k: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def man_made_noise_db(frequency_hz: float, environment: Environment) -> float: ...
@overload
def man_made_noise_db(frequency_hz: ArrayLike, environment: Environment) -> NDArray[np.float64]: ...
@overload
def man_made_noise_is_extrapolated(frequency_hz: float, environment: Environment) -> bool: ...
@overload
def man_made_noise_is_extrapolated(frequency_hz: ArrayLike, environment: Environment) -> NDArray[np.bool_]: ...
@overload
def galactic_noise_db(frequency_hz: float) -> float: ...
@overload
def galactic_noise_db(frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
def man_made_noise_deciles_db(environment: Environment) -> tuple[float, float]: ...
def man_made_noise_location_sigma_db(environment: Environment) -> float: ...
def system_noise(bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike, environment: Environment, rise_db: ArrayLike, frequency_hz: ArrayLike) -> SystemNoise: ...
def noise_sigma_db(noise: SystemNoise) -> Any: ...
def _category(environment: str) -> _ManMade | None: ...
def _man_made(f_mhz: Floats, category: _ManMade | None) -> Floats: ...
def _extrapolated(f_mhz: Floats, category: _ManMade | None) -> Any: ...
def _ratio(db: Floats) -> Floats: ...
