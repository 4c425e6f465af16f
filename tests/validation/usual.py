"""Fifteen usual links, answered with all defaults, beside what people of the trade would say of them.

    python -m tests.validation usual [--page docs/usual.md]

What the trade says is common practice, no source, but for the two facts marked so. A word that contradicts it is
marked, and the exit code is then 1.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.link.result import LinkResult
from linkcalc.link.verdict import check_plan
from linkcalc.plan.loading import plan_from
from linkcalc.terrain.profile import Profile
from linkcalc.views.words import probability_words
from tests import sites

START, END = "<!-- usual -->", "<!-- end -->"

WORDS = {"closes": "closes", "at_risk": "at risk", "does_not_close": "does not close"}


@dataclass(frozen=True)
class Usual:
    """A link as a customer would describe it."""

    what: str
    path: Profile
    near: dict[str, Any]
    far: dict[str, Any]
    link: dict[str, Any]
    trade: str
    """What people of the trade say."""
    expected: tuple[str, ...]
    """Verdicts that do not contradict that."""
    conditions: dict[str, Any] = field(default_factory=dict)


def uneven(base: Callable[[np.ndarray], np.ndarray] | float = 100.0) -> Callable[[np.ndarray], np.ndarray]:
    """Ground as it is: some decimetres here and there."""

    def ground(x: np.ndarray) -> np.ndarray:
        level = np.full(x.shape, base) if isinstance(base, float) else base(x)
        return np.asarray(level + 0.2 * np.sin(x / 61.0) + 0.15 * np.cos(x / 23.0))

    return ground


def valley(depth_m: float, length_m: float) -> Callable[[np.ndarray], np.ndarray]:
    """Two shoulders with a valley between them."""
    return lambda x: 300.0 - depth_m * np.sin(np.pi * x / length_m) ** 2


def hill_tops(length_m: float) -> Callable[[np.ndarray], np.ndarray]:
    """Level land between two hills of 100 m."""
    return lambda x: 100.0 + 100.0 * (np.exp(-((x / 900.0) ** 2)) + np.exp(-(((length_m - x) / 900.0) ** 2)))


def css(spreading_factor: int, frequency_mhz: float = 868.3, **more: Any) -> dict[str, Any]:
    """A signal of 125 kHz."""
    kind = {"kind": "css", "spreading_factor": spreading_factor}
    return {"frequency_mhz": frequency_mhz, "modulation": kind, **more}


WHIP: dict[str, Any] = {"antenna": {"type": "quarter_wave_whip"}}


def end(height_m: float, power_dbm: float = 14.0, **more: Any) -> dict[str, Any]:
    """A station with a dipole."""
    return {"antenna_height_m": height_m, "transmit_power_dbm": power_dbm, **more}


def flat(length_m: float, *standing: sites.Standing) -> Profile:
    """A farm's level ground."""
    return sites.profile(length_m, uneven(), standing, points=301)


def usual_links() -> list[Usual]:
    """Those of the table."""
    yagi = {"antenna": {"type": "yagi"}}
    rolling = uneven(lambda x: 100.0 + 6.0 * np.sin(x / 190.0) + 4.0 * np.sin(x / 71.0))
    return [
        Usual(
            "flat farm, 500 m; whips at 2 and 4 m, 14 dBm, SF9",
            flat(500.0), end(2.0, **WHIP), end(4.0, **WHIP), css(9),
            "everyday (a fact of practice)", ("closes",),
        ),
        Usual(
            "flat farm, 1 km; dipoles at 3 and 6 m, 14 dBm, SF9",
            flat(1000.0), end(3.0), end(6.0), css(9),
            "works at most sites, go and measure", ("closes", "at_risk"),
        ),
        Usual(
            "flat farm, 2 km; the same, SF10",
            flat(2000.0), end(3.0), end(6.0), css(10),
            "usual over open fields; measure", ("closes", "at_risk"),
        ),
        Usual(
            "flat farm, 4 km; dipoles at 4 and 8 m, 14 dBm, SF12",
            flat(4000.0), end(4.0), end(8.0), css(12),
            "about as far as open fields let it; measure", ("closes", "at_risk"),
        ),
        Usual(
            "flat farm, 8 km; whips at 2 and 4 m, 14 dBm, SF12",
            flat(8000.0), end(2.0, **WHIP), end(4.0, **WHIP), css(12),
            "not without masts or a relay", ("at_risk", "does_not_close"),
        ),
        Usual(
            "8 km in clear sight across a valley; 30 dBm, dipoles at 6 m clear of all, SF11",
            sites.profile(8000.0, uneven(valley(120.0, 8000.0)), points=301),
            end(6.0, 30.0, surroundings="none"), end(6.0, 30.0, surroundings="none"), css(11, 915.0),
            "works (a fact of practice)", ("closes",),
        ),
        Usual(
            "5 km from shoulder to shoulder of a valley; 14 dBm, dipoles at 4 m among open ground, SF10",
            sites.profile(5000.0, uneven(valley(80.0, 5000.0)), points=301), end(4.0), end(4.0), css(10),
            "sight is nearly everything: likely, measure", ("closes", "at_risk"),
        ),
        Usual(
            "3 km with a hill of 30 m half way; 14 dBm, dipoles at 3 and 6 m, SF12",
            sites.profile(3000.0, uneven(sites.ridge(30.0, 1500.0, 250.0)), points=301),
            end(3.0), end(6.0), css(12),
            "over the hill with a relay", ("at_risk", "does_not_close"),
        ),
        Usual(
            "1 km, the tank 300 m inside a wood of 15 m; 14 dBm, dipoles at 3 and 6 m, SF10",
            flat(1000.0, (15.0, 300.0, 15.0, "trees")), end(3.0), end(6.0), css(10),
            "vegetation loss: antenna out of the trees", ("at_risk", "does_not_close"),
        ),
        Usual(
            "1 km with a shelter belt of 20 m half way, trees of 12 m; 14 dBm, SF10",
            flat(1000.0, (490.0, 510.0, 12.0, "trees")), end(3.0), end(6.0), css(10),
            "a belt costs some decibels, no more", ("closes", "at_risk"),
        ),
        Usual(
            "town edge, 1.5 km; shed among houses, dipoles at 3 and 5 m, 14 dBm, SF9",
            flat(1500.0), end(3.0), end(5.0, surroundings="suburban"), css(9),
            "houses around the antenna: over the roofs with it", ("at_risk", "does_not_close"),
        ),
        Usual(
            "the same with the shed's antenna at 12 m, over the roofs",
            flat(1500.0), end(3.0), end(12.0, surroundings="suburban"), css(9),
            "that settles it", ("closes", "at_risk"),
        ),
        Usual(
            "600 m, controller's whip inside a steel shed; 14 dBm, SF10",
            flat(600.0), end(3.0), end(2.0, building="thermally_efficient", **WHIP), css(10),
            "antenna out of the shed", ("at_risk", "does_not_close"),
        ),
        Usual(
            "3 km over rolling ground of 10 m; 14 dBm, yagis at 5 m, SF11",
            sites.profile(3000.0, rolling, points=301), end(5.0, **yagi), end(5.0, **yagi), css(11),
            "depends on the one rise between", ("closes", "at_risk", "does_not_close"),
        ),
        Usual(
            "15 km between two hill tops 100 m over the land; 14 dBm, yagis at 6 m clear of all, SF10",
            sites.profile(15_000.0, uneven(hill_tops(15_000.0)), points=601),
            end(6.0, surroundings="none", **yagi), end(6.0, surroundings="none", **yagi), css(10),
            "works: sight, height and gain", ("closes",),
        ),
    ]  # fmt: skip


def answer(one: Usual) -> LinkResult:
    """What `check` says of it."""
    plan = plan_from(
        station=[{"name": "tank", **one.near}, {"name": "shed", **one.far}],
        link=[{"name": "level", "from": "tank", "to": "shed", **one.link}],
        conditions=one.conditions,
        profiles={"level": one.path},
    )
    return check_plan(plan, advice=False).links[0]


def table() -> tuple[str, list[str]]:
    """The table as Markdown, and the links whose word contradicts the trade's."""
    rows = [
        "| link | says | margin | required | such sites that work | the trade says |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    wrong = []
    for one in usual_links():
        found = answer(one)
        weaker = min(found.directions, key=lambda d: d.fade_margin_db - d.required_margin_db)
        contradicts = found.verdict not in one.expected
        wrong += [one.what] if contradicts else []
        rows.append(
            f"| {one.what} | {WORDS[found.verdict]} | {weaker.fade_margin_db:.1f} dB "
            f"| {weaker.required_margin_db:.1f} dB | {probability_words(weaker.site_share)} "
            f"| {one.trade}{': CONTRADICTED' if contradicts else ''} |"
        )
    return "\n".join(rows), wrong


def main(argv: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.validation usual", description=__doc__)
    parser.add_argument("--page", type=Path, metavar="FILE", help=f"write it between {START} and {END}")
    options = parser.parse_args(argv)
    text, wrong = table()
    print(text)
    if options.page is not None:
        before, found, rest = options.page.read_text(encoding="utf-8").partition(START)
        _, end_mark, after = rest.partition(END)
        if not (found and end_mark):
            raise SystemExit(f"{options.page}: has no {START} with an {END} after it")
        options.page.write_text(f"{before}{START}\n{text}\n{END}{after}", encoding="utf-8")
    return 1 if wrong else 0
