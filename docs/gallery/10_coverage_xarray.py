"""Coverage as an xarray dataset

With its coordinate reference system, so that it lies where it should under any map.
"""

import linkcalc as lc

found = lc.coverage(lc.sample_path("upland"), "generator shed", radius_m=2000.0, cell_m=100.0).to_xarray()
higher = found.ground_m > found.ground_m.median()
print(found.spatial_ref.attrs["grid_mapping_name"])
print("median margin on the higher half:", round(float(found.margin_db.where(higher).median()), 1), "dB")
print("on the lower half:", round(float(found.margin_db.where(~higher).median()), 1), "dB")
