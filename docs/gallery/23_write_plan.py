"""A plan written back

What was found in Python becomes a plan file that the commands read; loaded again it is the same plan.
"""

import linkcalc as lc

plan = lc.load_plan(lc.sample_path("plain")).changed(
    {"pump shed.antenna_height_m": 9.0}, title="Higher at the shed"
)
plan.write("higher.toml")
print(lc.load_plan("higher.toml").plan == lc.load_plan("higher.toml").changed().plan)
print(plan.to_toml()[:300])
