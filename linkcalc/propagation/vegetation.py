"""Loss in and behind trees: Rec. ITU-R P.833, and two textbook forms to compare with.

After P.833-10 (09/2021) as public implementations and readers of its text give it. Letters: A text seen, B
two independent secondary sources, C one. Never add this loss to a diffraction loss over the same trees.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Frequencies
and depths outside the range that a source states warn (`OutOfRangeWarning`).

Everywhere `leaf` is "in_leaf" or "out_of_leaf", `polarisation` "vertical" or "horizontal", and `forest` "mixed" or
"tropical".
"""

from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import Polarisation, stated_range

Leaf = Literal["in_leaf", "out_of_leaf"]
Forest = Literal["mixed", "tropical"]

_ATTENUATION_MHZ_DB_M = {
    "vertical": ((30.0, 1000.0, 30_000.0), (0.02, 0.20, 6.0)),
    "horizontal": ((105.9, 1000.0, 30_000.0), (0.04, 0.20, 6.0)),
}
"""Vertical: the curve as a public implementation holds it (C). Horizontal: its table's row at 105.9 MHz
(C), and the vertical curve from 1 GHz on, where the two meet."""

_MAXIMUM_A1_ALPHA_MHZ = {
    "mixed": (1.37, 0.42, 105.9, 2117.5),
    "tropical": (0.18, 0.752, 900.0, 1800.0),
}
_BARE = 1.0 / 1.2
"""Leaves add some 20 % to the attenuation of bare trees near 1 GHz: P.833-10, quoted by four readers (B)."""

_BARE_MAXIMUM_MHZ_DB = ((900.0, 2200.0), (2.0, 8.5))
"""What the maximum falls by when leaves fall: forest near Mulhouse, P.833-10 (B/C); held outside."""

_SIGMA_SHARE, _SIGMA_DB = 0.29, 2.0
"""Reach the 8.7 dB that P.833-10 gives for the forest near Mulhouse (C) where a wood loses its most."""

WET_LEAF_DB = 3.5


def specific_attenuation_db_m(
    frequency_hz: ArrayLike, *, leaf: Leaf = "in_leaf", polarisation: Polarisation = "vertical"
) -> Any:
    """Attenuation per metre of a short path through woodland.

    Log-log interpolation between points of the Recommendation's curve: 0.02 dB/m at 30 MHz (vertical) or
    0.04 at 105.9 MHz (horizontal), 0.2 at 1 GHz, 6 at 30 GHz. Bare trees have 1/1.2 of it.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape
        30 MHz (horizontal: 105.9 MHz) to 30 GHz; the outer segments are continued beyond.

    Returns
    -------
    float or ndarray, dB/m

    References
    ----------
    Rec. ITU-R P.833-10, specific attenuation due to woodland, figure 2 and table 1, by a public
    implementation (C).

    Examples
    --------
    >>> round(specific_attenuation_db_m(900e6), 3)
    0.187
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    g = _specific(f, leaf, polarisation)
    known, _ = _ATTENUATION_MHZ_DB_M[polarisation]
    stated_range("woodland attenuation (P.833 points)", "frequency", f, known[0], known[-1], "MHz")
    return scalar_if_0d(g)


def maximum_loss_db(frequency_hz: ArrayLike, *, leaf: Leaf = "in_leaf", forest: Forest = "mixed") -> Any:
    """Most that woodland takes from a path with one terminal inside it, however deep.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape
        Mixed forest 105.9 to 2117.5 MHz, tropical park 900 to 1800 MHz.
    leaf : {"in_leaf", "out_of_leaf"}
        Bare trees lose 2 dB less at most up to 900 MHz, 8.5 dB at 2.2 GHz.

    References
    ----------
    Rec. ITU-R P.833-10, A1 f^alpha with its fitted constants (B). A third set, 1.15 f^0.43 near Mulhouse
    from 900 to 2200 MHz, lies 2.4 dB lower at 868 MHz.

    Examples
    --------
    >>> round(maximum_loss_db(868e6), 1), round(maximum_loss_db(915e6, forest="tropical"), 1)
    (23.5, 30.4)
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    _, _, low, high = _fit(forest)
    stated_range(f"woodland maximum loss ({forest})", "frequency", f, low, high, "MHz")
    return scalar_if_0d(_maximum(f, leaf, forest))


def woodland_loss_db(
    depth_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    leaf: Leaf = "in_leaf",
    wet: bool = False,
    polarisation: Polarisation = "vertical",
    forest: Forest = "mixed",
) -> Any:
    """Loss of a path with one terminal in woodland, over the same path without trees.

    Am (1 - exp(-d g / Am)): short paths lose the specific attenuation g, deep ones no more than the maximum
    Am, for then the field comes over the canopy and by scatter.

    Parameters
    ----------
    depth_m : array_like, m, any shape, at least 0
        Length of the path inside the trees.
    frequency_hz : array_like, Hz, any shape
        The range of `forest`.
    wet : bool
        Wet leaves: an allowance growing with the dry loss to 3.5 dB (2 to 5 dB below 1 GHz: common practice,
        no source). Bare trees get none.

    References
    ----------
    Rec. ITU-R P.833-10, one terminal in woodland (B); constants as `specific_attenuation_db_m` and
    `maximum_loss_db`.

    Examples
    --------
    >>> woodland_loss_db([0.0, 20.0, 100.0], 868e6).round(1).tolist()
    [0.0, 3.4, 12.7]
    """
    d, f = _depth_and_frequency(depth_m, frequency_hz, polarisation, forest)
    most = _maximum(f, leaf, forest)
    dry = -most * np.expm1(-d * _specific(f, leaf, polarisation) / most)
    return scalar_if_0d(dry + _wet_allowance(dry, leaf, wet))


def belt_loss_db(
    depth_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    leaf: Leaf = "in_leaf",
    wet: bool = False,
    polarisation: Polarisation = "vertical",
    forest: Forest = "mixed",
    limit_db: ArrayLike | None = None,
) -> Any:
    """Loss through a belt of trees or a single tree that stands between the terminals.

    Depth times specific attenuation, and no more than the way over or round the trees loses.

    Parameters
    ----------
    depth_m : array_like, m, any shape, at least 0
    frequency_hz : array_like, Hz, any shape
        The range of `forest`; the standard gives the form for 1 GHz and below, and up to about 3 GHz.
    limit_db : array_like, dB, any shape, at least 0, or None
        Diffraction loss over or round the trees. The dry loss never exceeds `maximum_loss_db` either (our
        choice, for paths whose diffraction loss is not known).

    References
    ----------
    Rec. ITU-R P.833-10, single vegetative obstruction at or below 1 GHz (C).

    Examples
    --------
    >>> belt_loss_db([10.0, 100.0], 900e6).round(1).tolist()
    [1.9, 18.7]
    >>> belt_loss_db(100.0, 900e6, limit_db=12.0)
    12.0
    """
    d, f = _depth_and_frequency(depth_m, frequency_hz, polarisation, forest)
    most = _maximum(f, leaf, forest)
    dry = np.minimum(d * _specific(f, leaf, polarisation), most)
    loss = dry + _wet_allowance(dry, leaf, wet)
    # after the wet allowance: the way over or round the trees loses no more for wet leaves
    if limit_db is not None:
        loss = np.minimum(loss, checked("limit_db", limit_db, at_least=0.0))
    return scalar_if_0d(loss)


def woodland_sigma_db(loss_db: ArrayLike) -> Any:
    """Standard deviation of a predicted vegetation loss, 0 dB or more: 0.29 of it plus 2 dB, and no more than itself.

    P.833-10 states 8.7 dB for the forest near Mulhouse (C): reached where a wood loses its most. That it grows with
    the loss is our choice: the two textbook forms at 915 MHz lie within about two of it from `woodland_loss_db`
    between 20 and 100 m of trees.

    >>> woodland_sigma_db(10.0)
    4.9
    """
    loss = checked("loss_db", loss_db, at_least=0.0)
    return scalar_if_0d(np.minimum(loss, _SIGMA_SHARE * loss + _SIGMA_DB))


def weissberger_loss_db(depth_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Modified exponential decay through dry trees in leaf; for comparison only.

    0.45 f^0.284 d below 14 m, 1.33 f^0.284 d^0.588 to 400 m, f in GHz from 0.23 to 95 (range from memory). Weissberger
    1982, textbook form, from memory.

    >>> weissberger_loss_db([10.0, 100.0], 915e6).round(1).tolist()
    [4.4, 19.4]
    """
    d = checked("depth_m", depth_m, at_least=0.0)
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    stated_range("Weissberger", "depth", d, 0.0, 400.0, "m")
    stated_range("Weissberger", "frequency", f, 0.23, 95.0, "GHz")
    return scalar_if_0d(f**0.284 * np.where(d < 14.0, 0.45 * d, 1.33 * d**0.588))


def early_ccir_loss_db(depth_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Early CCIR form, 0.2 f^0.3 d^0.6 with f in MHz; for comparison only.

    Depth 0 to 400 m, 200 MHz to 95 GHz (range from memory). CCIR Report 236-2, textbook form, from memory.

    >>> early_ccir_loss_db([10.0, 100.0], 915e6).round(1).tolist()
    [6.2, 24.5]
    """
    d = checked("depth_m", depth_m, at_least=0.0)
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    stated_range("early CCIR form", "depth", d, 0.0, 400.0, "m")
    stated_range("early CCIR form", "frequency", f, 200.0, 95e3, "MHz")
    return scalar_if_0d(0.2 * f**0.3 * d**0.6)


def _depth_and_frequency(
    depth_m: ArrayLike, frequency_hz: ArrayLike, polarisation: str, forest: str
) -> tuple[Floats, Floats]:
    d = checked("depth_m", depth_m, at_least=0.0)
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    _, _, low, high = _fit(forest)
    stated_range("woodland loss (P.833)", "frequency", f, low, high, "MHz", stacklevel=4)
    return d, f


def _fit(forest: str) -> tuple[float, float, float, float]:
    if forest not in _MAXIMUM_A1_ALPHA_MHZ:
        raise DomainError(f"forest must be one of {', '.join(_MAXIMUM_A1_ALPHA_MHZ)}, got {forest!r}")
    return _MAXIMUM_A1_ALPHA_MHZ[forest]


def _in_leaf(leaf: str) -> bool:
    if leaf not in ("in_leaf", "out_of_leaf"):
        raise DomainError(f"leaf must be in_leaf or out_of_leaf, got {leaf!r}")
    return leaf == "in_leaf"


def _specific(f_mhz: Floats, leaf: str, polarisation: str) -> Floats:
    if polarisation not in _ATTENUATION_MHZ_DB_M:
        raise DomainError(f"polarisation must be vertical or horizontal, got {polarisation!r}")
    known_f, known_g = (np.log(points) for points in _ATTENUATION_MHZ_DB_M[polarisation])
    x = np.log(f_mhz)
    i = np.clip(np.searchsorted(known_f, x) - 1, 0, len(known_f) - 2)
    slope = (known_g[i + 1] - known_g[i]) / (known_f[i + 1] - known_f[i])
    result: Floats = (1.0 if _in_leaf(leaf) else _BARE) * np.exp(known_g[i] + slope * (x - known_f[i]))
    return result


def _maximum(f_mhz: Floats, leaf: str, forest: str) -> Floats:
    a1, alpha, _, _ = _fit(forest)
    most: Floats = a1 * f_mhz**alpha
    if _in_leaf(leaf):
        return most
    known_f, less_db = _BARE_MAXIMUM_MHZ_DB
    less = np.interp(np.log(f_mhz), np.log(known_f), less_db)
    bare: Floats = np.maximum(most - less, 0.5 * most)  # far below the frequencies that were measured
    return bare


def _wet_allowance(dry_db: Floats, leaf: str, wet: bool) -> Floats | float:
    return -WET_LEAF_DB * np.expm1(-dry_db / WET_LEAF_DB) if wet and leaf == "in_leaf" else 0.0
