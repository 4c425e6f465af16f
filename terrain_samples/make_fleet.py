"""Make the sample list of nodes: invented tanks scattered over the upland, always the same.

    python terrain_samples/make_fleet.py

writes upland_tanks.csv beside this script (or into the folder named as argument). No such tanks exist: places
are drawn from a seeded generator, and lie in the open ocean so that nobody takes them for real ones.
"""

import sys
from pathlib import Path

import numpy as np

INVENTED = "# Invented tanks: places drawn from a seeded generator, see make_fleet.py. No such tanks exist."

TANKS = 60
SOUTH, NORTH = -40.0285, -39.9735
WEST, EAST = -20.0475, -19.9635


def main(folder: Path) -> None:
    """Write the list into a folder."""
    (folder / "upland_tanks.csv").write_text(tanks())


def tanks() -> str:
    """Sixty tanks; some reports are due more often, and one tank belongs to a shed by its pipe."""
    rng = np.random.default_rng(40)
    lines = [INVENTED, "name,latitude_deg,longitude_deg,antenna_height_m,interval_s,shed"]
    for number in range(1, TANKS + 1):
        latitude = SOUTH + (NORTH - SOUTH) * rng.random()
        longitude = WEST + (EAST - WEST) * rng.random()
        height = (3, 4, 4, 6)[int(4 * rng.random())]
        interval = 300 if number % 12 == 0 else ""
        shed = "west shed" if number == 7 else ""
        lines.append(f"tank {number:02d},{latitude:.5f},{longitude:.5f},{height},{interval},{shed}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
