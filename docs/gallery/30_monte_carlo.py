"""Ten thousand draws

Uncertain inputs are drawn together, and every draw is answered as a check would. What drives the margin is ranked.
"""

from matplotlib.figure import Figure
from scipy.stats import norm, truncnorm, uniform

import linkcalc as lc

uncertain = {"far.height": uniform(3.0, 2.0), "nf": truncnorm(-3, 3, 6, 1), "k_factor": norm(1.4, 0.05)}
found = lc.sample(lc.sample_path("plain"), uncertain, draws=10_000, seed=7)
print({word: round(share, 3) for word, share in found.shares().items()})
print({name: round(weight, 2) for name, weight in found.drivers().items()})
figure = Figure(figsize=(7.0, 3.5), layout="constrained")
ax = figure.add_subplot(xlabel="fade margin of the weaker direction, dB", ylabel="draws")
ax.hist(found["weaker_fade_margin_db"], bins=80, color="#12466e")
figure.savefig("draws.svg")
