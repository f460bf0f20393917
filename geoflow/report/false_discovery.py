"""Which of many shares are larger than chance would have them, with so many looked at."""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = ["adjusted", "chance_of_so_many"]


def chance_of_so_many(hits: int, tries: int, others: int, rest: int) -> float:
    """Chance that so many of all hits, or more, fall to one group, if every group is alike.

    The upper tail of the hypergeometric distribution: Fisher's exact test, one-sided (R. A. Fisher, Statistical Methods
    for Research Workers, 5th edition 1934, section 21.02, from memory; held against SciPy's).

    Parameters
    ----------
    hits, tries : int
        How many of how many in the group.
    others, rest : int
        How many of how many outside it.
    """
    total, drawn = hits + others, tries + rest
    whole = math.comb(drawn, tries)
    tail = sum(math.comb(total, at) * math.comb(drawn - total, tries - at) for at in range(hits, min(total, tries) + 1))
    return float(tail / whole) if whole else 1.0


def adjusted(chances: Sequence[float], tests: int) -> list[float]:
    """Adjust chances for how many tests were made: taking those up to q keeps the false discovery rate at q.

    Source: Y. Benjamini and Y. Hochberg, Controlling the false discovery rate, Journal of the Royal Statistical Society
    B 57 (1995) 289-300: the step-up procedure, as adjusted p-values (from memory; held against SciPy's).

    Parameters
    ----------
    chances : sequence of float
        Of the tests, each under the assumption that there is nothing to find.
    tests : int
        How many were made in all; those that are not among `chances` count with a chance of 1.
    """
    order = sorted(range(len(chances)), key=lambda at: -chances[at])
    found, least = [1.0] * len(chances), 1.0
    for place, at in enumerate(order):
        least = min(least, chances[at] * tests / (len(chances) - place))
        found[at] = least
    return found
