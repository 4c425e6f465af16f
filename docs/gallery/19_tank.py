"""What a lost stop does to the tank

How far it overruns, and what interval and watchdog prevent it. A radio link is no safety function.
"""

import linkcalc as lc

found = lc.tank(lc.sample_path("upland"), tank_years=0)
print(found.line)
print(f"free above the stop level: {found.freeboard_m3:.1f} m³")
found.write("tank.svg")
