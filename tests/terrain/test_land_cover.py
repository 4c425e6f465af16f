"""What stands around a station, from land cover and canopy."""

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.terrain.land_cover import (
    BUILT_UP,
    CLUTTER_HEIGHT_M,
    CROPS,
    GRASS,
    MANGROVES,
    TREES,
    WATER,
    surroundings_of,
)

AWAY = np.linspace(5.0, 95.0, 20)


def of(main, share=1.0, other=GRASS, **canopy):
    """Surroundings where the farther cells are of one class."""
    cover = np.full(20, other)
    cover[20 - round(20 * share) :] = main
    return surroundings_of(AWAY, cover, **canopy)


@pytest.mark.parametrize(
    ("main", "share", "expected"),
    [
        (CROPS, 1.0, "open"),
        (WATER, 1.0, "open"),
        (TREES, 0.3, "woodland"),
        (TREES, 0.2, "open"),
        (MANGROVES, 1.0, "woodland"),
        (BUILT_UP, 0.2, "suburban"),
        (BUILT_UP, 0.1, "open"),
        (BUILT_UP, 0.75, "urban"),
    ],
)
def test_what_covers_enough_of_the_circle_names_it(main, share, expected):
    assert of(main, share).surroundings == expected


def test_one_tree_or_roof_beside_the_antenna_counts():
    cover = np.full(20, GRASS)
    cover[1] = TREES
    assert surroundings_of(AWAY, cover).surroundings == "woodland"
    cover[1] = BUILT_UP
    assert surroundings_of(AWAY, cover).surroundings == "suburban"


def test_heights_are_those_of_p1812_where_no_canopy_is_known():
    # Rec. ITU-R P.1812-7, table 2 (from memory): suburban 10 m, urban, trees and forest 15 m, open 0 m
    assert {k: CLUTTER_HEIGHT_M[k] for k in ("open", "suburban", "urban", "woodland")} == {
        "open": 0.0,
        "suburban": 10.0,
        "urban": 15.0,
        "woodland": 15.0,
    }
    assert of(TREES).height_m == 15.0


def test_the_canopys_height_is_taken_with_its_deviation():
    assert of(TREES, canopy_m=np.full(20, 20.0)).height_m == 20.0
    assert of(TREES, canopy_m=np.full(20, 20.0), canopy_sigma_m=np.full(20, 4.0)).height_m == 24.0


def test_trees_that_the_canopy_shows_count_where_the_land_cover_has_none():
    assert surroundings_of(AWAY, canopy_m=np.full(20, 12.0)).surroundings == "woodland"
    assert of(CROPS, canopy_m=np.full(20, 12.0)).surroundings == "woodland"


def test_bushes_are_no_wood():
    assert of(TREES, canopy_m=np.full(20, 1.0)).surroundings == "open"


def test_nothing_known_is_not_open():
    assert surroundings_of(AWAY).surroundings == "none"
    assert surroundings_of([200.0, 300.0], [GRASS, GRASS]).surroundings == "none"


@pytest.mark.parametrize("cover", [[1, 2], [GRASS], [GRASS, 255]])
def test_what_is_no_land_cover_is_refused(cover):
    with pytest.raises(DomainError):
        surroundings_of([10.0, 20.0], cover)
