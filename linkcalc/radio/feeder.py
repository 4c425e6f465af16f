"""Loss between radio and antenna: coaxial cable, connectors, lightning arrestor.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

import difflib
import warnings
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning

_TABLE_HZ = np.array([150e6, 450e6, 850e6])

_TABLE_DB_PER_100M = {
    "rg174": (30.0, 57.0, 87.5),  # two tables, 79 and 98 at 900 MHz, on either side of it
    "rg58": (20.0, 38.5, 58.2),  # the source prints 35.5 beside 11.75 dB/100 ft at 450 MHz, which is 38.5
    "rg8x": (15.4, 28.2, 43.0),  # 850 MHz from memory, unchecked; 450 MHz from an emergency-radio group page
    "rg213": (8.9, 16.3, 24.7),
    "rg8_foam": (7.2, 13.0, 17.0),
    "half_inch_foam": (2.8, 5.2, 6.8),
    "seven_eighths_inch_foam": (1.4, 2.6, 3.7),
    "one_and_five_eighths_inch_foam": (0.92, 1.7, 2.3),
}

CABLE_TYPES = ("none", *_TABLE_DB_PER_100M)
"""The cable types by name, lossiest first; "none" is a radio that carries its antenna."""

LOWEST_HZ, HIGHEST_HZ = 30e6, 1e9
"""Where the cable law still follows its table, 150 to 850 MHz."""


def cable_loss_db_per_100m(cable_type: str, frequency_hz: ArrayLike) -> Any:
    """Attenuation of a matched coaxial cable, new and dry.

    Parameters
    ----------
    cable_type : str
        One of `CABLE_TYPES`.
    frequency_hz : array_like, Hz, above 0
        Valid from 30 MHz to 1 GHz, outside it warns (`OutOfRangeWarning`); the table holds 150, 450 and 850 MHz.

    Notes
    -----
    a sqrt(f) + b f (conductor and dielectric loss) fitted to the table, which it meets within 4 %; that
    rest is interpolated over log f, so that the table's own values are returned. A wet braid can double the
    loss.

    References
    ----------
    A radio-repeater training guide, appendix H. Its RG-58 row contradicts itself at 450 MHz: 11.75 dB per
    100 ft (38.5 dB per 100 m) in one column, 35.5 dB per 100 m in the other; the law through its neighbours
    gives 38.7, so 38.5 is used. RG-174: between two tables that differ by 20 % at 900 MHz (79 and 98 dB per
    100 m). RG-8X at 850 MHz is from memory, unchecked.

    Examples
    --------
    >>> round(cable_loss_db_per_100m("rg58", 450e6), 2)
    38.5
    """
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    if cable_type not in CABLE_TYPES:
        raise DomainError(_unknown(cable_type))
    if cable_type == "none":
        return scalar_if_0d(np.zeros(frequency.shape))
    if ((frequency < LOWEST_HZ) | (frequency > HIGHEST_HZ)).any():
        warnings.warn(
            "cable loss is a table from 150 to 850 MHz, carried on to 30 MHz and 1 GHz but not beyond",
            OutOfRangeWarning,
            stacklevel=2,
        )
    coefficients, rest = _cable_law(cable_type)
    fitted = _law_terms(frequency) @ coefficients
    return scalar_if_0d(fitted * np.interp(np.log(frequency), np.log(_TABLE_HZ), rest))


def feeder_loss_db(
    cable_type: str,
    length_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    loss_db_per_100m: ArrayLike | None = None,
    connectors: ArrayLike = 0,
    connector_loss_db: ArrayLike = 0.25,
    arrestor: bool = False,
    arrestor_loss_db: ArrayLike = 0.3,
) -> Any:
    """Loss of the whole feeder: cable, connectors and arrestor.

    Parameters
    ----------
    cable_type : str
        One of `CABLE_TYPES`; not looked at when `loss_db_per_100m` is given.
    length_m : array_like, m, 0 or more
    frequency_hz : array_like, Hz, above 0
    loss_db_per_100m : array_like, dB per 100 m, 0 or more, optional
        Stated cable loss at this frequency in place of the table's.
    connectors : array_like, 0 or more
    connector_loss_db : array_like, dB, 0 or more
        Each. Licensing practice accepts 0.25 dB at 150 MHz to 0.6 dB at 850 MHz; a good one measures 0.1 dB.
    arrestor : bool
    arrestor_loss_db : array_like, dB, 0 or more
        0.1 to 0.5 dB: common practice, no source.

    Examples
    --------
    >>> round(feeder_loss_db("rg213", 10.0, 850e6, connectors=2, arrestor=True), 2)
    3.27
    """
    length = checked("length_m", length_m, at_least=0.0)
    per_100m: Any = (
        cable_loss_db_per_100m(cable_type, frequency_hz)
        if loss_db_per_100m is None
        else checked("loss_db_per_100m", loss_db_per_100m, at_least=0.0)
    )
    loss = per_100m * length / 100.0
    loss = loss + checked("connectors", connectors, at_least=0.0) * checked(
        "connector_loss_db", connector_loss_db, at_least=0.0
    )
    if arrestor:
        loss = loss + checked("arrestor_loss_db", arrestor_loss_db, at_least=0.0)
    return scalar_if_0d(loss)


def _law_terms(frequency: Floats) -> Floats:
    return np.stack([np.sqrt(frequency), frequency], axis=-1)


@cache
def _cable_law(cable_type: str) -> tuple[Floats, Floats]:
    """Return a and b (neither negative, fitted with equal relative weight) and the table over the fit."""
    table = np.array(_TABLE_DB_PER_100M[cable_type])
    terms = _law_terms(_TABLE_HZ)
    weighted = terms / table[:, np.newaxis]
    coefficients = np.linalg.lstsq(weighted, np.ones(3), rcond=None)[0]
    # no dielectric gives power back: conductor loss alone, then
    if coefficients[1] < 0.0:
        coefficients = np.array([weighted[:, 0].sum() / (weighted[:, 0] ** 2).sum(), 0.0])
    return coefficients, table / (terms @ coefficients)


def _unknown(cable_type: str) -> str:
    near = difflib.get_close_matches(str(cable_type).lower(), CABLE_TYPES, n=3, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else f"types are: {', '.join(CABLE_TYPES)}"
    return f"unknown cable type {cable_type!r}; {hint}"
