"""Where the other end could stand

Every cell around the shed has its own terrain profile and the rules of a single check.
"""

import linkcalc as lc

found = lc.coverage(lc.sample_path("upland"), "generator shed", radius_m=3000.0, cell_m=100.0)
print(f"closes on {found.area_km2('closes'):.1f} km², at risk on {found.area_km2('at_risk'):.1f} km²")
found.write("coverage.png")
