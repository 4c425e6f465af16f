"""From a margin to a word: arrays of paths and one path go the same way."""

import math
from dataclasses import replace

import numpy as np
import pytest

from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.judgement import judge, judgement
from linkcalc.link.models import profile_losses
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.uncertainty import path_items
from tests import sites

RIDGE = sites.profile(3000.0, sites.ridge(30.0, 1300.0, 250.0), points=61)


@pytest.mark.parametrize(
    "case",
    [
        sites.case(sites.profile(700.0)),
        sites.case(RIDGE, link={"tries": 3}),
        sites.case(RIDGE, link={"required_margin_db": 30.0, "channel_busy_percent": 5.0}),
        sites.case(link={"frequency_mhz": 100.0}, shed={"noise_environment": "city"}),
        sites.case(tank={"building": "traditional", "surroundings": "suburban"}),
    ],
)
def test_a_direction_says_what_the_arrays_say(case: LinkCase) -> None:
    for back, direction in enumerate(judge_link(case)[1]):
        receiver = case.near if back else case.far
        found = judge(case, case.losses, receiver, np.array([direction.fade_margin_db]))
        assert VERDICTS[found.verdict[0]] == direction.verdict
        assert found.site_share[0] == direction.site_share
        assert found.required_margin_db[0] == direction.required_margin_db
        assert found.success[0] == direction.delivery_probability
        assert found.k_db[0] == direction.rician_k_db
        low, high = direction.fade_margin_interval_db
        assert found.site_db[0] == pytest.approx((high - low) / 2.0 / 1.6449, abs=1e-6)


def test_many_paths_are_judged_as_each_alone() -> None:
    case = sites.case(RIDGE, shed={"noise_environment": "city"}, link={"frequency_mhz": 151.0})
    near_m, far_m = np.array([2.0, 3.0, 9.0, 30.0]), np.array([4.0, 6.0, 2.0, 30.0])
    found = profile_losses(case.profile, case.situation, near_m, far_m)
    margins = np.array([-20.0, 3.0, 20.0, 60.0])
    together = judge(case, found, case.far, margins)
    shared = judge(case, found, case.far, margins, path_items(case, found))
    assert len({VERDICTS[w] for w in together.verdict}) == 3
    for i in range(4):
        alone = judge(case, found.at(slice(i, i + 1)), case.far, margins[i : i + 1])
        for name in (
            "site_db",
            "conditions_db",
            "k_db",
            "required_margin_db",
            "site_share",
            "success",
            "verdict",
        ):
            assert getattr(together, name)[i] == pytest.approx(getattr(alone, name)[0], abs=1e-9)
            assert getattr(shared, name)[i] == getattr(together, name)[i]


@pytest.mark.parametrize(("cells", "word"), [(5.1, "closes"), (4.9, "at_risk")])
def test_a_path_over_fewer_than_five_cells_never_simply_closes(cells: float, word: str) -> None:
    """Between its ends hardly anything is known; a survey without cells is not held to it."""
    case = sites.case(sites.profile(400.0))
    coarse = replace(case.losses, cell_m=np.array([400.0 / cells]))
    for found, expected in ((coarse, word), (case.losses, "closes")):
        assert VERDICTS[judge(case, found, case.far, np.array([90.0])).verdict[0]] == expected


def test_where_there_is_no_path_there_is_no_word() -> None:
    found = judgement(
        Requirement(0.99, 0.9, None, 1, 0.01),
        np.array([math.nan, 30.0]),
        np.array([9.0]),
        np.array([2.0]),
        np.array([10.0]),
    )
    assert found.verdict.tolist() == [-1, 2]
    assert np.isnan(found.success[0])


def test_success_is_over_all_that_is_unknown_and_varies() -> None:
    """3 dB of the site and 4 dB of the year are 5 dB together."""
    asked = Requirement(0.99, 0.9, None, 2, 0.05)
    found = judgement(asked, np.array([8.0]), np.array([3.0]), np.array([4.0]), np.array([6.0]))
    assert found.success[0] == mean_success(8.0, 5.0, 6.0, tries=2, busy=0.05)
    assert found.verdict[0] == VERDICTS.index("at_risk")
    given = judgement(
        asked, np.array([8.0]), np.array([3.0]), np.array([4.0]), np.array([6.0]), required_db=np.array([7.0])
    )
    assert given.verdict[0] == VERDICTS.index("closes")
    assert replace(given, verdict=found.verdict).success == found.success
