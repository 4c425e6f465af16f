"""Where a relay would go

Every cell around the link is tried; the best spots are checked in full.
"""

import linkcalc as lc

found = lc.relay(lc.sample_path("upland"), cell_m=150.0, relays=1)
print(
    found.to_pandas()[["spot", "latitude_deg", "longitude_deg", "verdict", "margin_db"]].to_string(
        index=False
    )
)
found.write("relay.png")
