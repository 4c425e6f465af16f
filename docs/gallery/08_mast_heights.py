"""Both masts at once

The margin over both antenna heights, and the cheapest pair that closes the link.
"""

import linkcalc as lc

found = lc.heights(lc.sample_path("plain"), highest_m=12.0, cost_per_m=55.0)
print(found)
found.write("heights.svg")
