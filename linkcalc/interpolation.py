"""A smooth function of very many arguments at the cost of a few hundred.

It is worked out at Chebyshev points, as many as it takes for the last coefficients to vanish, and the
polynomial through them evaluated everywhere else.
"""

from collections.abc import Callable

import numpy as np
from numpy.polynomial.chebyshev import chebvander

from linkcalc._arrays import Floats

_SINGLY = 16
"""So many different values of y are each given a polynomial of their own, which has a wave less to follow."""

_MOST_X, _MOST_Y = 512, 32
"""With more points than these the values are worked out one by one."""

_CHUNK = 8192


def interpolated(
    function: Callable[[Floats, Floats], Floats], x: Floats, y: Floats, *, tolerance: float, few: int = 400
) -> Floats:
    """Values of a smooth function of two arguments.

    Parameters
    ----------
    function : callable
        Of two arrays that broadcast; smooth over the ranges of x and y.
    x, y : ndarray, shape (n,)
    tolerance : float
        Size at which coefficients count as vanished; the error is of this order.
    few : int
        So many values are worked out one by one.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Where the function is not smooth enough, or the arguments are few, it is called for each of them.

    References
    ----------
    Interpolation at Chebyshev points of the first kind, any textbook of numerical analysis.

    Examples
    --------
    >>> x = np.linspace(0.0, 5.0, 100_000)
    >>> calls = []
    >>> def wave(a, b):
    ...     calls.append(np.broadcast(a, b).size)
    ...     return np.sin(a + b)
    >>> found = interpolated(wave, x, x / 5.0, tolerance=1e-12)
    >>> bool(np.abs(found - np.sin(1.2 * x)).max() < 1e-11), sum(calls) < 1000
    (True, True)
    """
    if x.size <= few:
        return function(x, y)
    distinct = np.unique(y)
    if 1 < distinct.size <= _SINGLY:
        values = np.empty(x.shape)
        for one in distinct:
            here = y == one
            values[here] = interpolated(function, x[here], y[here], tolerance=tolerance, few=few)
        return values
    u, x_of = _scaled(x)
    v, y_of = _scaled(y)
    columns, rows = 32 if x.min() < x.max() else 1, 4 if distinct.size > 1 else 1
    probe = np.unique([x.argmin(), x.argmax(), y.argmin(), y.argmax(), *range(0, x.size, x.size // 12)])
    expected = function(x[probe], y[probe])
    while columns <= _MOST_X and rows <= _MOST_Y and columns * rows < x.size:
        known = function(x_of(_nodes(columns))[:, np.newaxis], y_of(_nodes(rows)))
        coefficients = _to_coefficients(columns) @ known @ _to_coefficients(rows).T
        more_x = columns > 1 and np.abs(coefficients[-2:]).max() > tolerance
        more_y = rows > 1 and np.abs(coefficients[:, -2:]).max() > tolerance
        if not (more_x or more_y):
            off = np.abs(_evaluated(coefficients, u[probe], v[probe]) - expected).max()
            if off <= 10.0 * tolerance:
                return _evaluated(coefficients, u, v)
            more_x = more_y = True
        columns, rows = columns * (2 if more_x else 1), rows * (2 if more_y else 1)
    parts = (slice(i, i + _CHUNK) for i in range(0, x.size, _CHUNK))
    return np.concatenate([function(x[part], y[part]) for part in parts])


def _scaled(values: Floats) -> tuple[Floats, Callable[[Floats], Floats]]:
    """Values from -1 to 1 over their range, and the way back."""
    low, high = values.min(), values.max()
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    scaled = np.clip((values - middle) / half, -1.0, 1.0) if half > 0.0 else np.zeros(values.shape)
    # rounding must not leave the range
    return scaled, lambda z: np.clip(middle + half * z, low, high)


def _nodes(count: int) -> Floats:
    nodes: Floats = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    return nodes


def _to_coefficients(count: int) -> Floats:
    """The matrix that turns values at the nodes into coefficients."""
    matrix: Floats = chebvander(_nodes(count), count - 1).T * 2.0 / count
    matrix[0] /= 2.0
    return matrix


def _evaluated(coefficients: Floats, u: Floats, v: Floats) -> Floats:
    columns, rows = coefficients.shape
    values = np.empty(u.shape)
    for i in range(0, u.size, _CHUNK):
        part = slice(i, i + _CHUNK)
        across = chebvander(v[part], rows - 1) @ coefficients.T
        values[part] = (chebvander(u[part], columns - 1) * across).sum(axis=-1)
    return values
