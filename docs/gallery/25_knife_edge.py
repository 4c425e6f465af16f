"""One hill

Loss over a single edge by how much of the first Fresnel zone is clear (Rec. ITU-R P.526).
"""

import numpy as np
from matplotlib.figure import Figure

import linkcalc as lc

clearance = np.linspace(-2.0, 2.0, 200)
loss_db = lc.propagation.diffraction.knife_edge_loss_db(-np.sqrt(2.0) * clearance)
figure = Figure(figsize=(7.0, 4.0), layout="constrained")
ax = figure.add_subplot(xlabel="clearance, radii of the first Fresnel zone", ylabel="loss, dB")
ax.plot(clearance, loss_db, color="#12466e")
ax.invert_yaxis()
figure.savefig("edge.svg")
print(f"{lc.propagation.diffraction.knife_edge_loss_db(0.0):.1f} dB where the ray just grazes")
