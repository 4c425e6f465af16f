"""What was measured, against what was predicted

Readings correct the prediction; what the site hides is fitted, with its uncertainty.
"""

import linkcalc as lc

found = lc.survey(lc.sample_path("upland"), lc.sample_path("upland_readings"))
print(found.headline)
low, high = found.excess_interval_db
print(f"the site loses {found.excess_db:.1f} dB more than predicted, 95 % from {low:.1f} to {high:.1f} dB")
found.write("survey.svg")
