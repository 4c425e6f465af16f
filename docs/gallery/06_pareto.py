"""The cheapest way to each margin

Four settings are varied together. Of all that close, those are kept that no other beats in energy and in spare margin.
"""

from matplotlib.figure import Figure

import linkcalc as lc

vary = {"sf": range(7, 13), "power": [10, 14, 20], "far.height": [4, 6, 8, 12], "payload": [8, 16, 32]}
found = lc.sweep(lc.sample_path("plain"), vary).to_pandas()
rows = found[found["verdict"] == "closes"].sort_values(
    ["charge_mc", "spare_margin_db"], ascending=[True, False]
)
front = rows[rows["spare_margin_db"] > rows["spare_margin_db"].cummax().shift(fill_value=-1.0)]
figure = Figure(figsize=(7.0, 4.5), layout="constrained")
ax = figure.add_subplot(
    xscale="log", xlabel="charge of a message, mC", ylabel="margin over what is required, dB"
)
ax.scatter(rows["charge_mc"], rows["spare_margin_db"], s=6, color="#9aa5ad")
ax.plot(front["charge_mc"], front["spare_margin_db"], "o-", color="#12466e")
figure.savefig("pareto.svg")
print(front[[*rows.columns[:4], "charge_mc", "spare_margin_db"]].to_string(index=False))
