"""Results in a data frame

Every answer has rows: a direction of a link, a node of a fleet, a message.
"""

import pandas as pd

import linkcalc as lc

plans = {name: lc.check(lc.sample_path(name)) for name in ("plain", "upland", "wooded")}
table = pd.concat({name: result.to_pandas() for name, result in plans.items()}, names=["plan", "row"])
print(table[["from", "to", "fade_margin_db", "required_margin_db", "verdict"]].round(1).to_string())
