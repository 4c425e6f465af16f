"""Tiny conversions, used at the edges."""

import math

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact, SI."""

BOLTZMANN_J_K = 1.380649e-23
"""Exact, SI (2019)."""

REFERENCE_TEMPERATURE_K = 290.0
"""T0 of the noise figure's definition (ITU-R P.372)."""

EARTH_RADIUS_M = 6_371_000.0
"""Mean radius used by the ITU-R P series for effective-earth geometry."""

DBI_OVER_DBD_DB = 10.0 * math.log10(1.6409223769)
"""Directivity of a lossless half-wave dipole, 2.15 dBi: EIRP = ERP + this (textbook: 1.6409)."""

METRES_PER_FOOT = 0.3048
"""International foot, exact."""

METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0
"""US survey foot, exact."""
