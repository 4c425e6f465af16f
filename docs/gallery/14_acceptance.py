"""How many packets prove a link

A count is a test with a stated confidence; the plan gives its time.
"""

import linkcalc as lc

test = lc.acceptance(lc.sample_path("upland"), success=0.95, sent=100, lost=1)
print(test.count.passed if test.count else "nothing was counted")
print(test.to_pandas().round(3).iloc[:, :5].to_string(index=False))
