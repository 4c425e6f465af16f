"""What stands around the antenna

No raster shows it, and it costs several decibels an end: margins by surroundings and mast height, as xarray.
"""

import linkcalc as lc

vary = {"near.surroundings": ["open", "suburban", "woodland"], "near.height": [3.0, 6.0, 12.0]}
found = lc.sweep(lc.sample_path("plain"), vary).to_xarray()
print(found.weaker_fade_margin_db.round(1).to_pandas())
print("closes:", int((found.verdict == "closes").sum()), "of", found.verdict.size)
