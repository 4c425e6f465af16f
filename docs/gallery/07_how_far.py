"""How far, before anybody has looked at the ground

Distance by kind of ground and spreading factor, from a few facts. One hill decides more than all of this.
"""

import linkcalc as lc

facts = lc.plan_of_facts(frequency_mhz=868.3, transmit_power_dbm=14.0, heights_m=(3.0, 6.0))
found = lc.how_far(facts, spreading_factors=[7, 10, 12])
print(found.to_pandas()[["words", "spreading_factor", "closes_m"]].round(0).to_string(index=False))
found.write("range.svg")
