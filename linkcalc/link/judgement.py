"""From margins to a verdict, over arrays of paths: how uncertain, how much is required, what arrives, which word."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import LinkCase
from linkcalc.link.losses import Losses
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import Requirement
from linkcalc.link.uncertainty import Item, fading_k_db, noise_items, path_items, spreads_db
from linkcalc.plan import Station


@dataclass(frozen=True, eq=False)
class Judgement:
    """One direction of many paths; arrays (n,), NaN where there is no path."""

    site_db: Floats
    """Standard deviation of what is fixed at such a site and unknown."""
    conditions_db: Floats
    """Standard deviation of what varies over the year."""
    k_db: Floats
    required_margin_db: Floats
    site_share: Floats
    """Share of such sites that give what is required of a site."""
    success: Floats
    """Of one message with its tries, averaged over all that is unknown and varies."""
    verdict: NDArray[np.int8]
    """Index into `requirement.VERDICTS`, -1 without path."""


def judge(
    case: LinkCase,
    found: Losses,
    receiver: Station,
    margin_db: Floats,
    shared: list[Item] | None = None,
) -> Judgement:
    """Judge one direction of many paths; the case's own profile is not looked at.

    `shared`: `uncertainty.path_items` of the paths, where they are at hand.
    """
    items = [*(path_items(case, found) if shared is None else shared), *noise_items(case.noise(receiver))]
    got = judgement(Requirement.of(case.link), margin_db, *spreads_db(items), fading_k_db(case, found))
    # no profile, no plain "closes"
    capped = np.where(found.ground_unknown, np.minimum(got.verdict, 1), got.verdict)
    return replace(got, verdict=capped.astype(np.int8))


def judgement(
    requirement: Requirement,
    margin_db: Floats,
    site_db: Floats,
    conditions_db: Floats,
    k_db: Floats,
    *,
    required_db: Floats | None = None,
) -> Judgement:
    """The same from standard deviations and fading; `required_db` where it is at hand."""
    margin, site, conditions, k = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (margin_db, site_db, conditions_db, k_db))
    )
    needs = requirement.site_needs_db(conditions, k)
    if required_db is None:
        required_db = np.asarray(requirement.margin_db(site, conditions, k, needs_db=needs))
    return Judgement(
        site_db=site,
        conditions_db=conditions,
        k_db=k,
        required_margin_db=required_db,
        site_share=np.asarray(requirement.site_share(margin, site, conditions, k, needs_db=needs)),
        success=np.asarray(
            mean_success(
                margin, np.hypot(site, conditions), k, tries=requirement.tries, busy=requirement.busy
            )
        ),
        verdict=requirement.verdict(margin, required_db, conditions, k),
    )
