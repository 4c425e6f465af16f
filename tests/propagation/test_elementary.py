"""Logarithm, exponential and their kin for compiled code, against the mathematical library (numpy's)."""

import numpy as np
import pytest

from linkcalc.propagation import _kernels, compiled

pytestmark = pytest.mark.skipif(not compiled.available(), reason="numba is not installed")


def of_each(x, exponent, logarithm, exponential, powers, thirds):
    for i in range(len(x)):
        logarithm[i] = _kernels.log10(x[i])
        exponential[i] = _kernels.exp(x[i])
        powers[i] = _kernels.power(x[i], exponent)
        thirds[i] = _kernels.cosine_of_third(x[i])


@pytest.fixture(scope="module")
def compiled_of():
    kernel = compiled.compile_function(of_each, allocates=False)

    def run(x, exponent=1.425):
        found = np.empty((4, x.size))
        kernel(x, exponent, *found)
        return found

    return run


def test_logarithm_is_that_of_the_library(compiled_of):
    x = np.concatenate([10.0 ** np.linspace(-300.0, 300.0, 20_001), np.linspace(0.5, 2.0, 20_001)])
    assert np.abs(compiled_of(x)[0] - np.log10(x)).max() < 1e-13
    near = np.linspace(0.9, 1.1, 20_001)
    assert np.abs(compiled_of(near)[0] - np.log10(near)).max() < 1e-16


def test_exponential_is_that_of_the_library(compiled_of):
    x = np.linspace(-700.0, 700.0, 40_001)
    assert np.abs(compiled_of(x)[1] / np.exp(x) - 1.0).max() < 1e-15


@pytest.mark.parametrize("exponent", [1.425, -1.0 / 3.0, -0.25, 0.0])
def test_powers_are_those_of_the_library(compiled_of, exponent):
    x = 10.0 ** np.linspace(-12.0, 12.0, 20_001)
    assert np.abs(compiled_of(x, exponent)[2] / x**exponent - 1.0).max() < 2e-14


def test_cosine_of_a_third_of_an_arc_is_that_of_the_library(compiled_of):
    x = np.linspace(-1.0, 1.0, 20_001)
    assert np.abs(compiled_of(x)[3] - np.cos(np.pi / 3.0 + np.arccos(x) / 3.0)).max() < 1e-15


def test_what_has_no_logarithm_is_no_number(compiled_of):
    x = np.array([0.0, np.inf, -1.0, np.nan, -np.inf, 800.0, -800.0])
    logarithm, exponential, powers, _ = compiled_of(x)
    inf, nan = np.inf, np.nan
    np.testing.assert_array_equal(logarithm[:5], [-inf, inf, nan, nan, nan])
    np.testing.assert_allclose(exponential, [1.0, inf, np.exp(-1.0), nan, 0.0, inf, 0.0], rtol=1e-15)
    np.testing.assert_array_equal(powers[:4], [0.0, inf, nan, nan])
