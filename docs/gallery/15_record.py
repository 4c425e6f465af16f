"""The record for the customer's file

Answer, sites, map, budget, limits, readings, settings and room for signatures, as one page.
"""

from pathlib import Path

import linkcalc as lc

record = lc.record(lc.sample_path("upland"), lc.sample_path("upland_readings"), site="upper tank")
Path("record.html").write_text(record.to_html(), encoding="utf-8")
print(record)
print("digest of what it rests on:", record.digest[:16])
