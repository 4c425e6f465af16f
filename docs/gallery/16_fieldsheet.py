"""A page for the phone of whoever stands on site

Heights, antennas and readings in, verdict out, without network.
"""

from pathlib import Path

import linkcalc as lc

sheet = lc.fieldsheet(lc.sample_path("plain"), highest_m=12.0, step_m=1.0)
Path("sheet.html").write_text(sheet.to_html(), encoding="utf-8")
print(sheet)
