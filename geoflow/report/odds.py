"""Odds of doubtful zones in words: for sorting, and never a verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.counted import count, verb

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome

__all__ = ["odds_cell", "odds_text"]


def odds_cell(odds: float) -> str:
    """Write the odds of one zone in a table.

    Parameters
    ----------
    odds : float
        0 to 1.
    """
    return f"{100.0 * odds:.0f} %"


def odds_text(outcome: VetOutcome) -> str:
    """Say how many of the doubtful zones hold by the odds, and what these rest on; empty where none is doubtful.

    Parameters
    ----------
    outcome : VetOutcome
        The zones and their verdicts.
    """
    odds = outcome.odds[outcome.vetting.verdict == "doubtful"]
    if not odds.size:
        return ""
    bar = outcome.solution.bar
    orifices = [bar.orifices[bar.sections[at].orifice] for at in outcome.solution.plan.sections]
    if all(one.learned is not None for one in orifices):
        basis = "what the logs leave possible of the orifices"
    elif all(one.measured for one in orifices if one.learned is None):
        basis = "all that the measured points leave possible, each as likely"
    else:
        basis = "all that is possible, each as likely, as nothing better is known of the orifices"
    likely = float(np.mean(odds))
    if odds.size == 1:
        said = f"the odds that it holds are {odds_cell(likely)}"
    else:
        tenth = round(10.0 * likely)
        of_ten = f"about {tenth} of 10" if 0 < tenth < 10 else "hardly one" if tenth == 0 else "nearly all"
        said = f"{of_ten} such zones {verb(max(tenth, 1), 'holds', 'hold')} ({count(int(odds.size), 'doubtful zone')})"
    return f"By the odds, {said}; drawn from {basis}. Odds are for sorting: the verdict stays doubtful."
