"""Simulated crews: readings of sites whose truth is known, through files, against the survey's intervals.

    python -m tests.validation crews [--crews N] [--only NAME] [--seed N]

A crew drives to an invented site that hides an excess loss, reads packets with receivers that have offsets,
noise and registers, writes files as phones and spreadsheets do, and asks the survey. The 95 % interval of the
margin should hold the true one in 93 to 97 % of the directions, whatever the crew did. Written out packet by
packet, so that it shares no formula with what it judges. The exit code is 1 if a share is missed.

What is drawn: excess and weather of the prediction's own doubt; 2.1 dB of ripple from spot and hour (the
median of ten readings against the rest of the same spot, 169 fixed links, leaves 2.3 dB) and 6 dB for another
height at the same place (6.5 dB there); Rician K around the expected with 8 dB (Greenstein and others, IEEE
Trans. VT 2009); 2 dB of receiver offset, registers in whole decibels, SNR readings that saturate at 7 to 10
dB, one packet in a hundred lost to interference, one reading in fifty mistyped (common practice, no source).
"""

import argparse
import csv
import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from linkcalc.link.case import LinkCase
from linkcalc.link.findings import WAYS
from linkcalc.link.uncertainty import rician_k_db
from linkcalc.site.measured import Side
from linkcalc.site.readings import read_all
from linkcalc.site.survey import Survey, survey_link
from tests import sites

RIPPLE_DB = 2.1
OTHER_HEIGHT_DB = 6.0
K_SIGMA_DB = 8.0
OFFSET_DB = 2.0
REQUIRED_SNR_DB = {7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}
LOW, HIGH = 0.93, 0.97
COLUMNS = [
    "time", "direction", "rssi_dbm", "snr_db", "sent", "received", "near_height_m", "far_height_m",
    "spreading_factor", "near_power_dbm", "far_power_dbm", "near_antenna_gain_dbi", "leaf", "wet_foliage",
]  # fmt: skip


@dataclass
class Crew:
    """One visit: what the site is, and what was read."""

    rng: np.random.Generator
    case: LinkCase
    k_db: float = 10.0
    frozen: bool = False
    unplanned_share: float = 0.0
    most_packets: int = 60
    sections: str = "s"
    """Time stamps to the second (s) or the minute (m)."""
    settings: bool = False
    other_height: bool = False
    winter_sd_db: float = 0.0
    burst: int = 1
    rows: list[dict[str, object]] = field(default_factory=list)
    margins_db: list[float] = field(default_factory=list)
    excess_db: float = 0.0

    def visit(self) -> None:
        """Read both ways."""
        rng = self.rng
        there = Side(self.case, "forward", [], [])
        self.excess_db = rng.normal(0.0, there.site_db)
        on_the_day = self.excess_db + rng.normal(0.0, there.day_db) + rng.normal(0.0, RIPPLE_DB)
        heights: dict[str, object] = {}
        planned = mounted = self.case
        if self.other_height:
            heights = {"near_height_m": 2.0, "far_height_m": 2.5}
            mounted = self.case.with_heights(near_m=2.0, far_m=2.5)
            on_the_day += rng.normal(0.0, OTHER_HEIGHT_DB)
        foliage: dict[str, object] = {}
        if self.winter_sd_db:
            foliage = {"leaf": "out_of_leaf", "wet_foliage": "no"}
            bare = planned.conditions.model_copy(update={"leaf": "out_of_leaf", "wet_foliage": False})
            mounted = replace(planned, conditions=bare)
            swing = planned.path.loss_db - mounted.path.loss_db
            on_the_day -= max(rng.normal(swing, self.winter_sd_db), 0.0) - swing
        k_db = max(rng.normal(self.k_db, K_SIGMA_DB), -20.0) if self.k_db > -50.0 else -100.0
        still = float(fades_db(rng, k_db, 1)[0]) if self.frozen else None
        minute = 0.0
        for way in WAYS:
            budget, expected = planned.budget(way), mounted.budget(way)
            side = Side(self.case, way, [], [])
            place = rng.normal(0.0, side.heard.noise_place_db)
            if rng.random() < self.unplanned_share:
                place += abs(rng.normal(0.0, 8.0))
            noise = budget.noise_power_dbm + place + rng.normal(0.0, side.heard.noise_time_db)
            self.margins_db.append(budget.fade_margin_db - self.excess_db - place)
            offset = rng.normal(0.0, OFFSET_DB)
            packets = int(rng.integers(6, self.most_packets))
            fades = fades_db(rng, k_db, packets) if still is None else np.full(packets, still)
            for k in range(0, packets, self.burst):
                own = dict(foliage)
                louder, factor = 0.0, 10
                if self.settings:
                    factor = int(rng.choice(list(REQUIRED_SNR_DB)))
                    gain = float(rng.choice([2.15, 6.0, 11.0]))
                    power = float(rng.choice([2.0, 8.0, 14.0]))
                    own |= {
                        "spreading_factor": factor,
                        "near_antenna_gain_dbi": gain,
                        "near_power_dbm": power,
                        "far_power_dbm": power,
                    }
                    louder = gain - 2.15 + power - self.case.near.transmit_power_dbm
                level = expected.received_power_dbm + louder - on_the_day + fades[k : k + self.burst]
                minute += rng.uniform(0.02, 0.3)
                row = self._row(level, noise, offset, REQUIRED_SNR_DB[factor])
                self.rows.append({"direction": way, "time": self._stamp(minute), **heights, **own, **row})

    def _stamp(self, minute: float) -> str:
        hours, rest = divmod(8 * 60 + minute, 60)
        seconds = f":{int(rest % 1 * 60):02d}" if self.sections == "s" else ""
        return f"2031-06-20T{int(hours):02d}:{int(rest):02d}{seconds}"

    def _row(self, level: np.ndarray, noise: float, offset: float, required_db: float) -> dict[str, object]:
        rng = self.rng
        heard = (level - noise >= required_db) & (rng.random(level.size) > 0.01)
        if not heard.any():
            return {"sent": level.size, "received": 0}
        register = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (noise / 10.0)) + offset
        snr = np.minimum(level - noise + rng.normal(0.0, 0.5, level.size), rng.uniform(7.0, 10.0))
        rssi = round(float(np.median(register[heard])) + rng.normal(0.0, 1.0))
        if rng.random() < 0.02:
            rssi = round(rng.uniform(-120.0, -40.0))
        return {
            "rssi_dbm": rssi,
            "snr_db": round(4.0 * float(np.median(snr[heard]))) / 4.0,
            "sent": level.size,
            "received": int(heard.sum()),
        }

    def survey(self, folder: Path, files: int = 1) -> Survey:
        """Write the files and ask."""
        paths = [folder / f"phone {k}.csv" for k in range(files)]
        shares: list[list[dict[str, object]]] = [self.rows]
        if files == 2:
            # each phone has its own station's rows; the first was saved before, and again after
            forward = [r for r in self.rows if r["direction"] == "forward"]
            returned = [r for r in self.rows if r["direction"] == "return"]
            shares = [forward + returned[: len(returned) // 2], returned]
        for path, rows in zip(paths, shares, strict=True):
            with path.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, COLUMNS)
                writer.writeheader()
                writer.writerows(rows)
        return survey_link(self.case, read_all(paths, (self.case.near.name, self.case.far.name)))


def fades_db(rng: np.random.Generator, k_db: float, n: int) -> np.ndarray:
    """Rician fades, dB over their mean power."""
    k = 10.0 ** (k_db / 10.0)
    scattered = rng.normal(size=n) + 1j * rng.normal(size=n)
    field = np.sqrt(k / (k + 1.0)) + scattered * np.sqrt(0.5 / (k + 1.0))
    fades: np.ndarray = 20.0 * np.log10(np.abs(field))
    return fades


def links(standing: tuple[sites.Standing, ...] = ()) -> list[LinkCase]:
    """The same path three times, from a weak link to a strong one."""
    return [
        sites.case(
            sites.profile(2000.0, 100.0, standing, points=401),
            tank={"antenna_height_m": 4.0, "transmit_power_dbm": power_dbm},
            shed={"transmit_power_dbm": power_dbm},
            link={"modulation": {"kind": "css", "spreading_factor": 10}},
        )
        for power_dbm in (-14.0, -4.0, 8.0)
    ]


OPEN = links()
THROUGH = links(((940.0, 970.0, 25.0, "trees"),))


@dataclass(frozen=True)
class Scenario:
    """What crews of a kind do."""

    name: str
    words: str
    cases: Sequence[LinkCase]
    how: dict[str, object]
    files: int = 1


SCENARIOS = (
    Scenario("plain", "one file, a packet a row", OPEN, {}),
    Scenario("bursts", "rows of 10 packets, their median level", OPEN, {"burst": 10}),
    Scenario("few", "6 to 11 packets each way", OPEN, {"most_packets": 12}),
    Scenario("settings", "spreading factor, power, antenna by reading", OPEN, {"settings": True}),
    Scenario("minutes", "time stamps of whole minutes", OPEN, {"sections": "m", "most_packets": 120}),
    Scenario("phones", "two phones, saved twice", OPEN, {}, 2),
    Scenario("heights", "read at 2 and 2.5 m, planned 4 and 6 m", OPEN, {"other_height": True}),
    Scenario("winter", "bare trees, 30 m through; swing sd 3 dB", THROUGH, {"winter_sd_db": 3.0}),
    Scenario("winter5", "the same, swing sd 5 dB", THROUGH, {"winter_sd_db": 5.0}),
    Scenario("noise", "unplanned noise at every other receiver", OPEN, {"unplanned_share": 0.5}),
    Scenario("loud", "unplanned noise at every receiver", OPEN, {"unplanned_share": 1.0}),
    Scenario("frozen", "fading is one draw for the link", OPEN, {"frozen": True}),
    Scenario("frozen10", "the same in bursts of 10", OPEN, {"frozen": True, "burst": 10}),
)


@dataclass(frozen=True)
class Outcome:
    """How the intervals of one kind of crew did."""

    scenario: Scenario
    directions: int
    held: float
    hopeful: float
    """Share of directions whose true margin lies below the interval."""
    bias_db: float
    error_db: float
    width_db: float

    @property
    def missed(self) -> bool:
        """Whether the share that held is outside what is wanted, by more than chance."""
        chance = 2.0 * math.sqrt(0.95 * 0.05 / max(self.directions / 2.0, 1.0))
        return not LOW - chance <= self.held <= HIGH + chance


def run(scenario: Scenario, crews: int, seed: int = 1) -> Outcome:
    """Send so many crews."""
    rng = np.random.default_rng([seed, len(scenario.name), *scenario.name.encode()])
    held, hopeful, errors, widths = [], [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(crews):
            case = scenario.cases[number % len(scenario.cases)]
            k_db = rician_k_db(case)
            crew = Crew(rng, case, k_db=k_db, **scenario.how)  # type: ignore[arg-type]
            crew.visit()
            found = crew.survey(Path(folder), scenario.files)
            for true_db, d in zip(crew.margins_db, found.directions, strict=True):
                low, high = d.fade_margin_interval_db
                held.append(low <= true_db <= high)
                hopeful.append(true_db < low)
                errors.append(d.fade_margin_db - true_db)
                widths.append(high - low)
    return Outcome(
        scenario,
        len(held),
        float(np.mean(held)),
        float(np.mean(hopeful)),
        float(np.mean(errors)),
        float(np.std(errors)),
        float(np.mean(widths)),
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation crews", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--crews", type=int, default=200, metavar="N", help="of each kind")
    parser.add_argument("--only", metavar="NAME", help="one kind")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(argv)
    heads = ("held", "hopeful", "bias", "error", "width")
    print(f"{'crews':10}{'what they do':46}" + "".join(f"{head:>8}" for head in heads) + "  dB")
    missed = False
    for scenario in SCENARIOS:
        if options.only not in (None, scenario.name):
            continue
        o = run(scenario, options.crews, options.seed)
        missed |= o.missed
        print(
            f"{scenario.name:10}{scenario.words:46}{100 * o.held:7.1f}%{100 * o.hopeful:7.1f}%"
            f"{o.bias_db:+8.1f}{o.error_db:8.1f}{o.width_db:8.1f}  {'MISSED' if o.missed else ''}",
            flush=True,
        )
    print(f"wanted: {100 * LOW:.0f} to {100 * HIGH:.0f} % held, chance of {options.crews} crews allowed for")
    return int(missed)
