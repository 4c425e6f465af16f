"""What the law allows

Every transmitter against the table of a region. Check with your regulator; this is not legal advice.
"""

import linkcalc as lc

for region in ("eu", "us"):
    found = lc.limits(lc.sample_path("upland"), region=region)
    print(region, found.limits.status)
    print(found.exposure.line)
