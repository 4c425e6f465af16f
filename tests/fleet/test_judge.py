"""The word for each node, by hand: what was worked out, what was played, and what the link says alone."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from linkcalc.fleets.contention import Outlook, outlook
from linkcalc.fleets.judge import Judged, by_link, judged
from linkcalc.fleets.simulate import Played
from linkcalc.link.requirement import VERDICTS, Requirement
from tests.fleet.networks import equal_nodes


def fares(success: float, assured: float, alone: float, margin_db: float = 20.0) -> Outlook:
    found = outlook(*equal_nodes(1, 0.1))
    one = {"success": success, "assured": assured, "alone": alone, "margin_db": margin_db}
    return replace(found, **{name: np.array([value]) for name, value in one.items()})


def played(delivered: int, messages: int = 1000) -> Played:
    return Played(
        np.array([messages]), np.array([delivered]), *(np.zeros(1, dtype=np.int64) for _ in range(6))
    )


def judge(
    predicted: float, assured: float, *, alone: float = 1.0, play: Played | None = None, tries: int = 1,
    link: int = 2, margin_db: float = 20.0,
) -> Judged:  # fmt: skip
    return judged(
        fares(0.93, assured, alone), fares(predicted, 0.0, 0.0, margin_db), play, 0.9, tries,
        np.array([link], dtype=np.int8),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("predicted", "assured", "link", "word"),
    [
        (0.95, 0.90, 2, "closes"),
        (0.95, 0.89, 2, "at_risk"),
        (0.95, 0.90, 1, "at_risk"),  # a check of the link alone says so
        (0.95, 0.90, 0, "does_not_close"),
        (0.95, 0.90, -1, "does_not_close"),  # no path
        (0.50, 0.10, 2, "at_risk"),
        (0.49, 0.10, 2, "does_not_close"),  # fewer than half of the messages
        (0.49, 0.95, 2, "does_not_close"),
    ],
)
def test_a_node_closes_where_both_its_link_and_the_air_let_it(
    predicted: float, assured: float, link: int, word: str
) -> None:
    assert judge(predicted, assured, link=link).verdict == (word,)


def test_a_node_without_a_level_does_not_close() -> None:
    assert judge(0.95, 0.95, margin_db=-np.inf).verdict == ("does_not_close",)


@pytest.mark.parametrize(
    ("predicted", "alone", "word"),
    [(0.9, 0.89, "closes"), (0.89, 0.89, "at_risk"), (0.9, 0.9, "at_risk")],
)
def test_where_the_poor_site_alone_misses_it_the_prediction_and_the_link_decide(
    predicted: float, alone: float, word: str
) -> None:
    """What the sites take is the link's own question; the air is then held against the predicted level."""
    assert judge(predicted, 0.5, alone=alone).verdict == (word,)


# 900 of 1000: Wilson's 99 % interval ends at (0.9 + 0.00332 + 2.5758 x 0.009574) / 1.006635 = 0.92186
@pytest.mark.parametrize(("predicted", "too_hopeful"), [(0.9236, False), (0.9241, True), (0.5, False)])
def test_the_simulation_has_the_say_two_thousandths_above_its_interval(
    predicted: float, too_hopeful: bool
) -> None:
    found = judge(predicted, 0.95, play=played(900))
    assert found.by_played.tolist() == [too_hopeful]
    assert found.predicted[0] == pytest.approx(0.9 if too_hopeful else predicted, abs=1e-9)
    assert found.assured[0] == pytest.approx(0.95 * 0.9 / predicted if too_hopeful else 0.95, abs=1e-9)
    assert found.success[0] == pytest.approx(0.93 * 0.9 / predicted if too_hopeful else 0.93, abs=1e-9)
    assert found.verdict == ("closes",)
    assert not judge(predicted, 0.95).by_played.any()


def test_of_more_tries_each_is_taken_to_fare_so_much_worse() -> None:
    """0.96 of two tries are 0.8 of one, 0.84 are 0.6: three quarters. 0.9375 of two are 0.75 of one, then 0.5625:
    0.80859 of two."""
    found = judge(0.96, 0.9375, play=played(840), tries=2)
    assert found.by_played.all()
    assert found.predicted[0] == pytest.approx(0.84, abs=1e-9)
    assert found.assured[0] == pytest.approx(1.0 - 0.4375**2, abs=1e-9)
    assert found.verdict == ("at_risk",)


def test_what_was_not_played_says_nothing() -> None:
    assert not judge(0.95, 0.95, play=played(0, messages=0)).by_played.any()


def test_a_link_is_judged_by_its_weaker_way_where_answers_count() -> None:
    """The margin asked at 8 dB of site and a clear path; half a decibel above and below it, each way."""
    asked = Requirement(0.9, 0.9, None, 1, 0.0)
    one: dict[str, Any] = {"site_db": 8.0, "conditions_db": 2.0, "k_db": 10.0}
    paths: Any = SimpleNamespace(
        **{name: np.array([[v]]) for name, v in one.items()}, unknown=np.array([[False]])
    )
    needed_db = float(asked.margin_db(8.0, 2.0, 10.0))
    for there, back, acknowledged, word in (
        (0.5, 0.5, True, "closes"),
        (0.5, -0.5, True, "at_risk"),
        (-0.5, 0.5, True, "at_risk"),
        (0.5, -0.5, False, "closes"),
        (-0.5, 0.5, False, "at_risk"),
        (0.5, -60.0, True, "does_not_close"),
    ):
        # at 14 dBm: gain + 14 + 117 + 15 of margin there; the answers' SNR + 15 back
        net, setting = equal_nodes(
            1, 0.1, acknowledged=acknowledged, gain_db=np.array([[needed_db + there - 146.0]]),
            return_snr_db=np.array([[needed_db + back - 15.0]]),
        )  # fmt: skip
        assert [VERDICTS[w] for w in by_link(net, paths, setting, asked)] == [word]
        unknown: Any = SimpleNamespace(**{**vars(paths), "unknown": np.array([[True]])})
        capped = "at_risk" if word == "closes" else word
        assert [VERDICTS[w] for w in by_link(net, unknown, setting, asked)] == [capped]
