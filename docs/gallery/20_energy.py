"""How long the battery lasts

By spreading factor and interval, with the tries that the link's success makes likely.
"""

import linkcalc as lc

found = lc.energy(lc.sample_path("upland"))
print(found.line)
print(found.to_pandas()[["station", "mean_current_ma", "summary"]].to_string(index=False))
found.write("battery.svg")
