"""Own measurements against predictions

By class of path: how far off, and whether the stated intervals hold what was measured. The figures here are invented.
"""

import pandas as pd

import linkcalc as lc

plan = lc.load_plan(lc.sample_path("upland"))
first = plan.plan.link[0]
links = [first.model_copy(update={"name": f"day {i}"}) for i in range(4)]
several = plan.changed(link=links, message=None, tank=None, engine=None)
measured = pd.DataFrame({"link": [k.name for k in links], "path_loss_db": [128.0, 131.5, 126.0, 133.0]})
found = lc.compare_measured(several, measured)
print(found.line)
print(found.by_class().round(1).to_string())
