"""Candidates side by side

What decides between plans, with the cost of their parts (prices that a plan does not state are invented).
"""

import linkcalc as lc

plan = lc.load_plan(lc.sample_path("plain"))
found = lc.compare({"as planned": plan, "mast of 8 m": plan.changed({"header tank.antenna_height_m": 8})})
print(
    found.to_pandas()[["candidate", "verdict", "site_share", "cost_over_first"]]
    .round(2)
    .to_string(index=False)
)
found.write("compare.svg")
