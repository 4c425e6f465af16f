"""Heights from any array

A DataArray with a coordinate reference system gives a profile, and the ray's clearance over it.
"""

import numpy as np
import xarray

import linkcalc as lc

x, y = np.arange(500_000.0, 503_000.0, 30.0), np.arange(1_000_000.0, 1_003_000.0, 30.0)
hill_m = 30.0 * np.exp(-(((x[None, :] - 501_500.0) / 400.0) ** 2)) + 0.0 * y[:, None]
ground = xarray.DataArray(hill_m, {"y": y, "x": x}, ("y", "x"), attrs={"crs": 32631})
profile = lc.profile_of_array(ground, (9.0510, 3.0010), (9.0560, 3.0250))
clear = lc.clearance_of(profile, 868e6, (6.0, 8.0))
worst = clear.isel(distance_m=int(np.nanargmin(clear.clearance_ratio)))
print(f"{profile.length_m:.0f} m; worst at {float(worst.distance_m):.0f} m, {float(worst.clearance_m):.1f} m")
