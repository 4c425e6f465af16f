"""Does the link close?

One line answers a plan: the verdict, what limits it, and the path as a picture.
"""

import linkcalc as lc

result = lc.check(lc.sample_path("upland"))
print(result)
print("first remedy:", result.links[0].advice[0].text)
result.write("path.svg")
