"""Logarithm, exponential and their kin without branches and without a library, for the compiler.

A call into the mathematical library takes a point at a time; these are compiled to a few arithmetic
instructions, of which the compiler works on several points at once. Good to some 1e-15 of the value, over
normal numbers. They stand for the functions of `_kernels` with the same names; `bits` and `of_bits` exist in
compiled code only.
"""

import math

_LOG10_2 = 0.30102999566398120
_PER_LN10 = 0.43429448190325183
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_MANTISSA = (1 << 52) - 1
_ONE = 1023 << 52
_ROOT_HALF = 0x3FE6A09E667F3BCD
"""Bits of sqrt(1/2)."""


def bits(x: float) -> int:
    """Bits of a number."""
    raise NotImplementedError(x)


def of_bits(n: int) -> float:
    """Turn bits into the number."""
    raise NotImplementedError(n)


def split(x: float) -> tuple[float, float]:
    """Logarithm of a number's fraction, between sqrt(1/2) and sqrt(2), and the power of two beside it."""
    n = bits(x) - _ROOT_HALF
    twos = n >> 52
    fraction = of_bits((n & _MANTISSA) + _ROOT_HALF)
    s = (fraction - 1.0) / (fraction + 1.0)
    z = s * s
    # atanh series
    sum_ = 1.0 / 17.0 + z * (1.0 / 19.0)
    sum_ = 1.0 / 13.0 + z * (1.0 / 15.0 + z * sum_)
    sum_ = 1.0 / 9.0 + z * (1.0 / 11.0 + z * sum_)
    sum_ = 1.0 / 5.0 + z * (1.0 / 7.0 + z * sum_)
    sum_ = z * (1.0 / 3.0 + z * sum_)
    return 2.0 * s + 2.0 * s * sum_, float(twos)


def defined(x: float, value: float) -> float:
    """A logarithm where there is one: minus infinity of 0, infinity of infinity, else NaN."""
    odd = math.inf if x == math.inf else math.nan
    odd = -math.inf if x == 0.0 else odd
    return value if x > 0.0 and x < math.inf else odd


def log10(x: float) -> float:
    fraction, twos = split(x)
    return defined(x, fraction * _PER_LN10 + twos * _LOG10_2)


def exp(x: float) -> float:
    inside = x if x > -708.0 else -708.0
    inside = inside if inside < 709.0 else 709.0
    # adding and taking away this number rounds to the nearest whole one
    shift = inside * 1.44269504088896340736 + 6755399441055744.0
    twos = shift - 6755399441055744.0
    r = inside - twos * _LN2_HIGH - twos * _LN2_LOW
    sum_ = 1.0 / 39916800.0 + r * (1.0 / 479001600.0 + r * (1.0 / 6227020800.0))
    sum_ = 1.0 / 362880.0 + r * (1.0 / 3628800.0 + r * sum_)
    sum_ = 1.0 / 5040.0 + r * (1.0 / 40320.0 + r * sum_)
    sum_ = 1.0 / 120.0 + r * (1.0 / 720.0 + r * sum_)
    sum_ = 1.0 / 6.0 + r * (1.0 / 24.0 + r * sum_)
    sum_ = 1.0 + (r + r * r * (0.5 + r * sum_))
    value = sum_ * of_bits((bits(shift) << 52) + _ONE)
    value = 0.0 if x < -708.0 else value
    value = math.inf if x > 709.0 else value
    return value if x == x else x


def power(x: float, exponent: float) -> float:
    fraction, twos = split(x)
    return exp(exponent * defined(x, fraction + twos * _LN2_LOW + twos * _LN2_HIGH))


def cosine_of_third(c: float) -> float:
    # cos(pi/3 + acos(c)/3) = sin(asin(c)/3)
    size = abs(c)
    size = size if size < 1.0 else 1.0
    large = size > 0.5
    t = math.sqrt(0.5 - 0.5 * size) if large else size
    z = t * t
    # asin of up to 1/2, as a quotient (Cody and Waite's form, coefficients of fdlibm)
    p = 7.91534994289814532176e-04 + z * 3.47933107596021167570e-05
    p = 2.01212532134862925881e-01 + z * (-4.00555345006794114027e-02 + z * p)
    p = z * (1.66666666666666657415e-01 + z * (-3.25565818622400915405e-01 + z * p))
    q = -6.88283971605453293030e-01 + z * 7.70381505559019352791e-02
    q = 1.0 + z * (-2.40339491173441421878e00 + z * (2.02094576023350569471e00 + z * q))
    arc = t + t * (p / q)
    arc = 0.5 * math.pi - 2.0 * arc if large else arc
    third = arc * (1.0 / 3.0)
    w = third * third
    sum_ = -1.0 / 39916800.0 + w * (1.0 / 6227020800.0 - w * (1.0 / 1307674368000.0))
    sum_ = -1.0 / 5040.0 + w * (1.0 / 362880.0 + w * sum_)
    sum_ = -1.0 / 6.0 + w * (1.0 / 120.0 + w * sum_)
    sine = third + third * w * sum_
    return sine if c >= 0.0 else -sine
