"""Readings in a data frame

What a radio heard, from whatever table it was written down in, corrects the prediction. The figures here are invented.
"""

import pandas as pd

import linkcalc as lc

levels_dbm = {"forward": [-117, -119, -116, -118, -121, -117], "return": [-114, -116, -113, -117, -115, -114]}
heard = pd.DataFrame(levels_dbm).melt(var_name="direction", value_name="rssi_dbm")
readings = lc.readings_from(heard, lc.sample_path("upland"))
found = lc.survey(lc.sample_path("upland"), readings)
print(found.headline)
print(lc.readings_frame(readings).groupby("direction")["rssi_dbm"].agg(["count", "median"]))
