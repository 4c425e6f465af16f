"""A slider that answers at once

Work out the table once; a slider then only looks a cell up, in a small part of a millisecond.
"""

import linkcalc as lc

factors, heights_m = list(range(7, 13)), [2.0 + 0.5 * i for i in range(21)]
table = lc.sweep(lc.sample_path("plain"), {"spreading_factor": factors, "far.antenna_height_m": heights_m})


def moved(spreading_factor: int, height_m: float) -> str:
    cell = table.cell({"spreading_factor": spreading_factor, "far.antenna_height_m": height_m})
    return (
        f"SF{spreading_factor} at {height_m:g} m: {cell['weaker_fade_margin_db']:.1f} dB, {cell['verdict']}"
    )


print(moved(7, 4.0))
print(moved(10, 4.0))
# in a notebook: ipywidgets.interact(moved, spreading_factor=factors, height_m=heights_m)
