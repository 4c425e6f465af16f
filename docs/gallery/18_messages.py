"""What becomes of a message

How often each is lost, and when it arrives, with its tries.
"""

import linkcalc as lc

found = lc.messages(lc.sample_path("upland"))
for message in found.messages:
    print(f"{message.name}: lost once in {1.0 / message.loss_working_site:,.0f} at a site that works")
found.write("delay.svg")
