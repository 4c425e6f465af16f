"""What is required of a link in both directions, under the uncertainty and the fading that each change leads to."""

from dataclasses import dataclass

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import Step
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Advice, AdviceKind
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, together_db


@dataclass(frozen=True)
class LinkRequirement:
    """What both directions must have."""

    requirement: Requirement

    def _state(self, case: LinkCase) -> tuple[Floats, Floats, Floats, Floats]:
        """Margins forward and return, with the standard deviations and the fading that go with them."""
        shared = path_items(case, case.losses)
        parts = [[*shared, *noise_items(case.noise(rx))] for rx in (case.far, case.near)]
        return (
            np.concatenate(case.margins_db(case.losses)),
            np.array([together_db(items, "site")[0] for items in parts]),
            np.array([together_db(items, "conditions")[0] for items in parts]),
            fading_k_db(case, case.losses),
        )

    def lacking_db(self, case: LinkCase) -> Floats:
        """What the forward and the return direction lack; negative where they have more than required."""
        margin, *uncertain = self._state(case)
        return np.asarray(self.requirement.margin_db(*uncertain) - margin)

    def short_db(self, case: LinkCase) -> float:
        """What the direction that lacks most lacks."""
        return float(self.lacking_db(case).max())

    def margin_db(self, case: LinkCase) -> float:
        """Margin of the direction that lacks most: the weaker one, as a check has it."""
        margin, *uncertain = self._state(case)
        return float(margin[np.argmin(margin - self.requirement.margin_db(*uncertain))])

    def of_each_hop(self) -> "LinkRequirement":
        """The same for each of two hops."""
        return LinkRequirement(self.requirement.of_each_hop())

    def suffices(self, case: LinkCase) -> bool:
        """Whether nothing is short: quicker than `short_db`."""
        r = self.requirement
        margin, *uncertain = self._state(case)
        return bool(
            not case.losses.ground_unknown[0]  # without known ground nothing closes
            and margin.min() >= (r.stated_margin_db or 0.0)
            and np.min(r.site_share(margin, *uncertain)) >= r.confidence
        )

    def advice(self, kind: AdviceKind, step: Step, effort: int, changed: LinkCase) -> Advice:
        """A change, with what it leads to."""
        return Advice(kind, step, effort, self.margin_db(changed), self.suffices(changed))
