"""What if?

A plan does not change; `changed` gives another one. Equal plans give equal answers, so answers can be compared.
"""

import linkcalc as lc

plan = lc.load_plan(lc.sample_path("plain"))
for height_m in (3.0, 5.0, 8.0, 12.0):
    higher = plan.changed({"header tank.antenna_height_m": height_m})
    weaker = min(lc.check(higher).links[0].directions, key=lambda d: d.fade_margin_db)
    print(f"{height_m:4.0f} m: {weaker.fade_margin_db:5.1f} dB, {weaker.verdict}")
print(lc.check(plan).links == lc.check(plan.changed()).links)
