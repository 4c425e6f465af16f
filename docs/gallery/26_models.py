"""What every model says

One model governs, with its reason; the others stand beside it, and their spread says how sure that is.
"""

import linkcalc as lc

path = lc.check(lc.sample_path("upland")).links[0].path
for name, loss_db in sorted(path.models.items(), key=lambda item: item[1]):
    print(f"{name:22} {loss_db:6.1f} dB{'  <- governing model' if name == path.model else ''}")
print(path.model_reason)
print(f"spread of those that apply: {path.spread_db:.1f} dB")
