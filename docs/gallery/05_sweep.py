"""Every combination at once

Six spreading factors over forty mast heights: 240 checks in one call, drawn as bands of margin.
"""

import numpy as np

import linkcalc as lc

vary = {"sf": range(7, 13), "far.height": np.linspace(2.0, 14.0, 40)}
found = lc.sweep(lc.sample_path("plain"), vary)
print(f"{int((found['verdict'] == 'closes').sum())} of {found.size} combinations close")
found.write("sweep.svg")
