"""Profiles made of arrays, and cut short."""

from typing import Any

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.terrain.profile import cut_short, profile_from

X, Z = [0.0, 400.0, 1000.0, 1200.0], [40.0, 46.0, 40.0, 42.0]


def test_a_profile_of_two_columns_is_bare_inland_ground() -> None:
    p = profile_from(X, Z)
    assert (p.clutter_m == 0.0).all()
    assert (p.zone == 4).all()
    assert (p.source, p.notes, p.latitude_deg) == ("given in Python", (), None)


def test_clutter_is_trees_unless_said_and_none_at_the_stations() -> None:
    p = profile_from(X, Z, [3.0, 5.0, 6.0, 0.0], clutter_kind=["", "", "building", ""])
    assert p.clutter_m.tolist() == [0.0, 5.0, 6.0, 0.0]
    assert p.clutter_kind == ("", "trees", "building", "")
    assert p.notes == ("clutter at the stations themselves is not counted",)


def test_a_profile_keeps_its_own_heights() -> None:
    ground = np.array(Z)
    p = profile_from(X, ground)
    ground[1] = 90.0
    assert p.ground_m[1] == 46.0


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"ground_m": [1.0, 2.0]}, "every column of a profile must have 4 values"),
        ({"distance_m": [0.0, 1.0]}, "at least 3 points, got 2"),
        ({"distance_m": [0.0, 400.0, 400.0, 500.0]}, "must start at 0 and increase"),
        ({"ground_m": [1.0, 2.0, np.nan, 3.0]}, "ground_m must be finite"),
        ({"clutter_m": [0.0, -1.0, 0.0, 0.0]}, "clutter_m must be at least 0"),
        ({"clutter_kind": ["", "hedge", "", ""]}, "must be one of trees, building, tank, got 'hedge'"),
        ({"zone": [4, 2, 4, 4]}, "zone must be 1 "),
    ],
)
def test_columns_that_are_no_profile_are_refused(columns: dict[str, Any], said: str) -> None:
    with pytest.raises(DomainError, match=said):
        profile_from(**{"distance_m": X, "ground_m": Z} | columns)


def test_a_profile_cut_short_is_the_same_ground_up_to_there() -> None:
    whole = profile_from(X, Z, [0.0, 5.0, 6.0, 0.0], zone=[4, 4, 3, 3])
    p = cut_short(whole, 700.0)
    assert (p.distance_m.tolist(), p.ground_m.tolist()) == ([0.0, 400.0, 700.0], [40.0, 46.0, 43.0])
    assert (p.clutter_m.tolist(), p.clutter_kind) == ([0.0, 5.0, 0.0], ("", "trees", ""))
    assert p.zone.tolist() == [4, 4, 3]
    at_a_point = cut_short(whole, 1000.0)
    assert (at_a_point.distance_m.tolist(), at_a_point.clutter_m[-1]) == ([0.0, 400.0, 1000.0], 0.0)
    uncut = cut_short(whole, 1200.0)
    assert uncut.ground_m.tolist() == whole.ground_m.tolist()


@pytest.mark.parametrize("length_m", [0.0, -5.0, 1200.1, np.nan])
def test_a_profile_cannot_be_cut_outside_itself(length_m: float) -> None:
    with pytest.raises(DomainError, match="the profile is 1200 m long"):
        cut_short(profile_from(X, Z), length_m)


def test_too_little_of_a_profile_is_none() -> None:
    with pytest.raises(DomainError, match="the first 300 m of the profile have fewer than 3 points"):
        cut_short(profile_from(X, Z), 300.0)
