"""What keeps a fleet from what is asked, and what would mend it: figures by hand where all nodes are alike.

Equal nodes whose packets are lost whenever they overlap have the success exp(-2 G) on an offered load G: pure
ALOHA, Abramson 1970. G here is of the other nodes.
"""

import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from linkcalc.fleets.assign import Assignment, Choice, options
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import STEADY, Network, Setting, Supply
from linkcalc.fleets.remedies import lacks_words, remedies, spread_retries
from linkcalc.link.reliability import margin_for_success
from tests.fleet.networks import equal_nodes, scattered


def choice_of(net: Network, powers_dbm: tuple[float, ...] = (14.0,), pinned: int = -1) -> Choice:
    return Choice(
        np.array(powers_dbm),
        np.full(net.nodes, pinned),
        np.ones((net.nodes, net.required_snr_db.size, len(powers_dbm)), dtype=np.bool_),
    )


def told(net: Network, setting: Setting, required: float, *, chosen: bool = True, **more: Any) -> list[str]:
    choice = choice_of(net, **more)
    got = Assignment(setting, outlook(net, setting), 0.0, np.zeros(net.nodes), ())
    return list(remedies(net, got, choice, options(net, Supply(), choice, None), required, chosen))


# What a node lacks


def lacks(net: Network, required: float = 0.9, **more: Any) -> str:
    return lacks_words(net, choice_of(net, **more), 0, required, best_alone=0.0, alone=0.0, chosen=True)


@pytest.mark.parametrize(
    ("confidence", "site_db", "year_db", "needed_db"),
    [
        # 90 % over 8 dB of all that is unknown: 1.2816 of them
        (None, None, 8.0, 10.25),
        # 6 dB of the site, of which nine in ten must do, nothing over the year
        (0.9, 6.0, 0.0, 7.69),
        # 6 dB of the site and 8 dB of the year: 7.69 and 10.25
        (0.9, 6.0, 8.0, 17.94),
        (0.8, 6.0, 8.0, 15.30),  # 0.8416 x 6
    ],
)
def test_what_a_node_lacks_is_what_sites_and_year_take(
    confidence: float | None, site_db: float | None, year_db: float, needed_db: float
) -> None:
    """A steady signal, 3 dB over what is received at -15 dB of SNR over -117 dBm: steady is 0.1 dB of fading."""
    net, _ = equal_nodes(1, 0.1, gain_db=np.full((1, 1), -143.0), confidence=confidence)
    sigma = math.hypot(site_db or 0.0, year_db)
    net = replace(
        net,
        sigma_db=np.full((1, 1), sigma),
        site_sigma_db=None if site_db is None else np.full((1, 1), site_db),
    )
    margin_db = 14.0 - 143.0 + 117.0 + 15.0
    assert lacks(net) == f"{needed_db - margin_db:.0f} dB, even alone at its best setting"
    # with as much more power it lacks nothing, with a decibel less just that
    for more_db, words in ((needed_db + 0.2, "less than 1 dB"), (needed_db - 2.0, "2 dB")):
        assert lacks(net, powers_dbm=(14.0 + more_db - margin_db,)).startswith(words)


def test_what_a_fading_node_lacks_is_what_its_success_takes_of_margin() -> None:
    """20 tries or 1, blocked path: K of 3 dB, 6 dB of sigma, all over the year."""
    for tries in (1, 3):
        net, _ = equal_nodes(
            1, 0.1, gain_db=np.full((1, 1), -146.0), sigma_db=np.full((1, 1), 6.0),
            fading=np.zeros((1, 1), dtype=np.int8), tries=tries, acknowledged=True,
        )  # fmt: skip
        needed_db = margin_for_success(0.99, 6.0, rician_k_db=3.0, tries=tries)
        assert lacks(net, 0.99) == f"{needed_db:.0f} dB, even alone at its best setting"


def test_the_best_shed_signal_and_power_count_and_no_other() -> None:
    net, _ = equal_nodes(1, 0.1, gain_db=np.full((1, 1), -150.0))
    two = replace(
        net, gain_db=np.array([[-150.0, -160.0]]), noise_dbm=np.full(2, -117.0), sigma_db=np.zeros((1, 2)),
        fading=np.full((1, 2), STEADY, dtype=np.int8), return_snr_db=np.full((1, 2), 30.0),
        required_snr_db=np.array([-15.0, -20.0]), threshold_db=np.full((2, 2), 300.0), factors=(10, 12),
        time_on_air_s=np.full((1, 2), 0.37), answer_s=np.full(2, 0.2),
    )  # fmt: skip
    # -150 + 117 + 20 = -13 dB at 0 dBm
    assert lacks(two, powers_dbm=(2.0, 7.0)).startswith("6 dB")
    assert lacks(two, powers_dbm=(2.0, 7.0), pinned=1).startswith("16 dB")
    only = choice_of(two, (2.0, 7.0))
    only.allowed[0, 1, :] = False
    words = lacks_words(two, only, 0, 0.9, best_alone=0.0, alone=0.0, chosen=True)
    assert words.startswith("11 dB")
    only.allowed[0, :, 1] = False
    assert lacks_words(two, only, 0, 0.9, best_alone=0.0, alone=0.0, chosen=True).startswith("16 dB")


def test_a_node_without_a_path_lacks_the_path() -> None:
    net, _ = equal_nodes(1, 0.1, gain_db=np.array([[-np.inf]]))
    assert lacks(net) == "no path to any base station"
    assert lacks(net, pinned=0) == "no path to its base station"
    both = replace(
        net, gain_db=np.array([[-np.inf, -150.0]]), noise_dbm=np.full(2, -117.0), sigma_db=np.zeros((1, 2)),
        fading=np.full((1, 2), STEADY, dtype=np.int8), return_snr_db=np.full((1, 2), 30.0),
    )  # fmt: skip
    assert lacks(both, pinned=0) == "no path to its base station"
    assert lacks(both) == "4 dB, even alone at its best setting"  # -150 + 14 + 117 + 15


@pytest.mark.parametrize(
    ("alone", "chosen", "words"),
    [
        (0.95, True, "the load of the others"),
        (0.9, False, "the load of the others"),
        (0.8, True, "the load of the others leaves no room for a longer signal"),
        (0.8, False, "its spreading factor or power"),
    ],
)
def test_a_node_that_would_do_alone_is_kept_by_the_others(alone: float, chosen: bool, words: str) -> None:
    net, _ = equal_nodes(2, 0.1)
    found = lacks_words(net, choice_of(net), 0, 0.9, best_alone=0.9, alone=alone, chosen=chosen)
    assert found == words


# What would mend a fleet


def test_a_fleet_that_has_what_is_asked_needs_nothing() -> None:
    assert told(*equal_nodes(20, 0.04), 0.9) == []


@pytest.mark.parametrize(("load", "times", "channels"), [(0.5, 9.02, 12), (0.1, 1.80, 2), (0.25, 4.51, 6)])
def test_load_is_mended_by_so_much_rarer_reports_or_so_many_channels(
    load: float, times: float, channels: int
) -> None:
    """90 % of the messages: G = -ln 0.9 / 2 = 0.0527 of the other 19 of 20 nodes, by rarer reports or by channels."""
    first, second = told(*equal_nodes(20, load), 0.9)
    assert times == pytest.approx(2.0 * load * 0.95 / -math.log(0.9), abs=0.01)
    found = re.fullmatch(
        r"20 nodes fail for the load of the others; what would do: reports "
        r"([\d.]+) times less often, or (\d+) channels",
        first,
    )
    assert found
    assert times <= float(found[1]) <= 1.02 * times + 0.1
    assert int(found[2]) == channels
    assert "another base station" in second


def test_channels_that_a_fleet_has_are_not_told_of() -> None:
    """On 2 channels G halves; 12 in all are needed as before."""
    first, _ = told(*equal_nodes(20, 0.5, channels=2), 0.9)
    assert first.endswith("or 12 channels")
    first, _ = told(*equal_nodes(20, 2.0, channels=1), 0.9)
    assert "channels" not in first.partition("what would do")[2]  # 36 would be needed, 16 are looked at


def test_what_neither_helps_is_said() -> None:
    """Two nodes that always send: at 256 times less the load is 0.0195, which leaves 98.1 %."""
    first, _ = told(*equal_nodes(2, 10.0), 0.9999)
    assert (
        first
        == "2 nodes fail for the load of the others, and neither rarer reports nor more channels alone would do"
    )


def test_sheds_that_hear_while_they_answer_help_where_answers_deafen() -> None:
    """Every answer lasts as long as two packets."""
    net, setting = equal_nodes(
        20, 0.03, acknowledged=True, answer_s=np.array([2.0]), tries=1, threshold_db=np.full((1, 1), -300.0)
    )
    assert outlook(net, setting).assured.min() < 0.9
    assert outlook(replace(net, half_duplex=False), setting).assured.min() > 0.9
    assert "base stations that hear while they answer" in told(net, setting, 0.9)[0]
    assert "while they answer" not in told(*equal_nodes(20, 0.5), 0.9)[0]


def test_nodes_that_would_do_with_another_setting_are_counted() -> None:
    """Two of scattered nodes set to the quickest signal, which does not reach."""
    net, setting = scattered(4, sheds=1, gain_db=np.array([[-100.0], [-100.0], [-130.0], [-130.0]]),
                             sigma_db=np.zeros((4, 1)), fading=np.full((4, 1), STEADY, dtype=np.int8),
                             interval_s=1e5)  # fmt: skip
    setting = Setting(setting.shed, np.zeros(4, dtype=np.int64), setting.power_dbm)
    # at SF7 -7.5 dB: -130 + 14 + 117 + 7.5 = 8.5 dB; at 0 dBm -5.5
    weak = replace(setting, power_dbm=np.zeros(4))
    assert told(net, setting, 0.9) == []
    words = told(net, weak, 0.9, chosen=False, powers_dbm=(0.0, 14.0))
    assert words == ["2 nodes would do with another spreading factor or power: let it be chosen"]
    one = replace(net, gain_db=np.array([[-100.0], [-100.0], [-100.0], [-130.0]]))
    words = told(one, weak, 0.9, chosen=False, powers_dbm=(0.0, 14.0))
    assert words == ["1 node would do with another spreading factor or power: let it be chosen"]


def test_nodes_that_would_not_have_it_alone_are_told_with_what_they_lack() -> None:
    """-15 dB of SNR: 46 dB of margin at -100 dB of gain; -152 is 6 dB short, -149 is 3."""
    net, setting = equal_nodes(3, 1e-4)

    def at(*gains: float) -> str:
        (words,) = told(replace(net, gain_db=np.array(gains)[:, np.newaxis]), setting, 0.9)
        return words

    tail = ": a nearer base station, a higher or better antenna, a relay"
    assert (
        at(-100.0, -100.0, -152.0)
        == f"1 node would not have it even if no other node sent, and lacks 6 dB{tail}"
    )
    assert (
        at(-100.0, -149.0, -152.0)
        == f"2 nodes would not have it even if no other node sent, and lack up to 6 dB{tail}"
    )
    assert (
        at(-100.0, -152.3, -152.0)
        == f"2 nodes would not have it even if no other node sent, and lack 6 dB{tail}"
    )
    assert (
        at(-100.0, -np.inf, -152.0)
        == f"2 nodes would not have it even if no other node sent, and lack 6 dB{tail}"
    )
    assert at(-100.0, -100.0, -np.inf) == (
        "1 node would not have it even if no other node sent: no path to a base station, see the notes"
    )


# Retries


def retrying(n: int = 60, every_s: float = 600.0, **more: Any) -> tuple[Network, Setting]:
    given: dict[str, Any] = {"acknowledged": True, "tries": 3, "timing": "periodic"}
    return equal_nodes(n, n * 0.37 / every_s, **(given | more))


def loss(net: Network, setting: Setting) -> float:
    return float(1.0 - outlook(net, setting, spread=False).success.mean())


def test_retries_that_meet_again_are_spread_by_the_least_that_does() -> None:
    """Waits of 10 s, 1 s either way: packets of 0.37 s that met meet again. What is told is what the closed form
    gives at that spread, and no lesser one of the list is within half as much again of the best."""
    net, setting = retrying()
    (words,) = spread_retries(net, setting)
    said = re.search(
        r"retry_wait_s = ([\d.]+), retry_jitter = 1\) .* falls (\w+), from ([\d.]+) % to ([\d.]+) %", words
    )
    assert said, words
    wait_s = float(said[1])
    after = {
        s: loss(replace(net, retry_wait_s=s / 2.0, retry_jitter=1.0), setting)
        for s in (10.0, 20.0, 30.0, 60.0, 120.0)  # of 600 s, two retries have room for 150 s each
    }
    first = next(s for s, lost in after.items() if lost <= 1.5 * min(after.values()))
    assert wait_s == first / 2.0
    assert float(said[3]) == pytest.approx(100.0 * loss(net, setting), rel=0.06)
    assert float(said[4]) == pytest.approx(100.0 * after[first], rel=0.06)
    times = loss(net, setting) / after[first]
    names = {3: "threefold", 4: "fourfold", 5: "fivefold", 6: "sixfold", 7: "sevenfold", 8: "eightfold",
             9: "ninefold", 10: "tenfold"}  # fmt: skip
    assert said[2] == names.get(round(times), "more")


def test_retries_have_no_more_room_than_the_interval_leaves() -> None:
    """Two retries within half of 60 s: 15 s each, less the packet: 10 s of spread fit, 20 s do not."""
    (words,) = spread_retries(*retrying(n=12, every_s=60.0))
    assert "retry_wait_s = 5," in words
    assert list(spread_retries(*retrying(n=12, every_s=41.0))) == []  # 10.25 s, less 0.37


def test_nothing_is_said_of_retries_that_are_spread_or_not_made_or_lose_next_to_nothing() -> None:
    assert list(spread_retries(*retrying(tries=1))) == []
    assert list(spread_retries(*retrying(retry_wait_s=60.0, retry_jitter=1.0))) == []
    net, setting = retrying(n=3, every_s=6000.0)
    assert loss(net, setting) < 5e-4
    assert list(spread_retries(net, setting)) == []
