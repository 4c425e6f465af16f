"""A plan made in Python

Two stations, one link and a profile that you surveyed: no file is needed. The antenna is a yagi of your own.
"""

import linkcalc as lc

yagi = {"type": "yagi", "gain_dbi": 9.0}
plan = lc.plan_from(
    station=[
        {"name": "tank", "antenna_height_m": 4.0, "antenna": yagi},
        {"name": "shed", "antenna_height_m": 6.0},
    ],
    link=[
        {"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.3}
        | {"modulation": {"kind": "css", "spreading_factor": 9}}
    ],
    profiles={"level": lc.profile_from([0.0, 1500.0, 3000.0], [40.0, 52.0, 44.0])},
)
print(lc.check(plan))
lc.check(plan).write("path.svg")
