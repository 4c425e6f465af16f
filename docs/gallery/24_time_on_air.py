"""Time on air, and what it buys

Each spreading factor doubles the time and gains some 2.5 dB: pure functions of arrays.
"""

import numpy as np

import linkcalc as lc

factors = np.arange(7, 13)
time_s = lc.radio.css.time_on_air_s(16, spreading_factor=factors, bandwidth_hz=125e3)
needed_db = lc.radio.css.required_snr_db(factors)
for factor, seconds, snr_db in zip(factors, time_s, needed_db, strict=True):
    print(f"SF{factor}: {1e3 * seconds:5.0f} ms, needs {snr_db:.1f} dB")
