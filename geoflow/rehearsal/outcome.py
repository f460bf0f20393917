"""What a rehearsal gives: the plan that was driven, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass

from geoflow.outcomes import PlanOutcome
from geoflow.rehearsal.rehearsal import Rehearsal

__all__ = ["RehearseOutcome"]

# As a log is judged after the day.
_WITHIN_WANTED, _GROUND_OFF = 0.90, 0.02


@dataclass(frozen=True, slots=True, eq=False)
class RehearseOutcome:
    """A rehearsed day.

    Attributes
    ----------
    plan : PlanOutcome
        The plan that was driven.
    rehearsal : Rehearsal
        What came of it.
    seed : int
        Of its draws.
    """

    plan: PlanOutcome
    rehearsal: Rehearsal
    seed: int

    @property
    def has_findings(self) -> bool:
        """Whether the plan has findings, too little is within 10 %, or ground is missed, uneven or short."""
        done = self.rehearsal
        lost = max(done.missed, done.uneven, done.short) > _GROUND_OFF * done.asked
        return self.plan.has_findings or lost or float(done.within_10.mean()) < _WITHIN_WANTED
