"""A measured antenna pattern

Gain by azimuth as it was measured; between the points it is interpolated. The antenna is turned past the far station.
"""

import linkcalc as lc

azimuths_deg, gains_dbi = (
    range(0, 360, 30),
    [9.0, 5.5, -4.0, -12.0, -15.0, -14.0, -16.0, -14.0, -15.0, -12.0, -4.0, 5.5],
)
pattern = [[float(a), g] for a, g in zip(azimuths_deg, gains_dbi, strict=True)]
plan = lc.load_plan(lc.sample_path("upland"))
bearing_deg = lc.check(plan, advice=False).links[0].path.azimuth_deg
for off_deg in (0.0, 15.0, 45.0, 90.0):
    turned = {"azimuth_pattern": pattern, "azimuth_deg": (bearing_deg + off_deg) % 360.0}
    found = lc.check(plan.changed({"tank.antenna": turned}), advice=False).links[0].directions[0]
    print(f"turned off by {off_deg:3.0f} degrees: {found.fade_margin_db:6.1f} dB")
