"""Sixty tanks on one channel

Who reaches which shed, who collides, and how each node should send.
"""

import linkcalc as lc

found = lc.fleet(lc.sample_path("upland_fleet"), simulate=False)
table = found.to_pandas()
print(found.line)
print(table.groupby(["shed", "spreading_factor"]).size().unstack(fill_value=0))
found.write("fleet.svg")
