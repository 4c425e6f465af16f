"""Own measurements against predictions

By class of path: how far off, and whether the stated intervals hold what was measured. The figures here are invented.
"""

import linkcalc as lc

plan = lc.load_plan(lc.sample_path("upland"))
first = plan.plan.link[0]
several = plan.changed(
    link=[first.model_copy(update={"name": f"day {i}"}) for i in range(4)],
    message=None,
    tank=None,
    engine=None,
)
found = lc.compare_measured(several, {"day 0": 128.0, "day 1": 131.5, "day 2": 126.0, "day 3": 133.0})
print(found.line)
print(found.by_class().round(1).to_string())
