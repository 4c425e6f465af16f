"""What is asked of a link, and the word for having it or not."""

from dataclasses import dataclass
from typing import Literal

from linkcalc.plan import DEFAULT_REQUIRED_MARGIN_DB, Link
from linkcalc.reliability import margin_for_success
from linkcalc.result import VerdictWord


@dataclass(frozen=True)
class Requirement:
    """A fade margin, a message success, or both."""

    stated_margin_db: float | None
    success: float | None
    tries: int

    @classmethod
    def of(cls, link: Link) -> "Requirement":
        """Read it off a link; the default margin is asked where nothing is stated."""
        margin_db = link.required_margin_db
        if margin_db is None and link.required_success is None:
            margin_db = DEFAULT_REQUIRED_MARGIN_DB
        return cls(margin_db, link.required_success, link.tries)

    def margin_db(self, sigma_db: float, fading: Literal["rician", "rayleigh"], rician_k_db: float) -> float:
        """Fade margin that meets all that is asked, dB, under a given spread and fading; 0 at least."""
        needed = self.stated_margin_db or 0.0
        if self.success is not None:
            for_success_db = margin_for_success(
                self.success, sigma_db, fading=fading, rician_k_db=rician_k_db, tries=self.tries
            )
            needed = max(needed, float(for_success_db))
        return needed

    @staticmethod
    def verdict(margin_db: float, needed_db: float) -> VerdictWord:
        """Closes: has what is asked. Does not close: below sensitivity in the median. At risk: between."""
        if margin_db >= max(needed_db, 0.0):
            return "closes"
        return "at_risk" if margin_db >= 0.0 else "does_not_close"
