"""One way in which everything that is not known of a bar may turn out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from geoflow.bar.equipment import Bar

__all__ = ["LOSSLESS", "Case", "at_better_end", "feed_ways"]

LOSSLESS: Final = (2.0,)
"""End of the feed of one section that loses nothing."""


@dataclass(frozen=True, slots=True)
class Case:
    """One way in which the unknowns may turn out.

    Attributes
    ----------
    coefficient, flash_weight : tuple of float
        Per section [-]; a NaN weight is that of the bore at the conditions.
    hose_end : float
        -1, 0 or +1: low, middle or high back pressure.
    boiling : bool
        Whether suction and pump are at their worse end: the suction boils in equilibrium, from a nearly empty tank,
        slip and what goes round are the most. Otherwise it stays liquid and they are the least.
    strays : bool
        Whether flows stray at margins that were not measured, to the side of `hose_end`.
    way : tuple of float
        Per section, where the bore gives the flashing: -1 for the least flow of it, 0 for the likely, +1 for the
        greatest; -2 and +2 for the outer two without measured points. Empty: likely everywhere.
    turns : tuple of tuple of float
        Per section, of a learned orifice: rise [-] and warming [1/K] of the weight, pressure below over the row hose's
        [Pa]. Empty: none anywhere.
    machine : float
        End of what is known of the bar as a range: -1 worse, 0 middle, +1 better.
    feeds : tuple of float
        Per section, the end of its feed line in the same way; +2 for one that loses nothing. Empty: `machine`.
    """

    coefficient: tuple[float, ...]
    flash_weight: tuple[float, ...]
    hose_end: float
    boiling: bool = False
    strays: bool = False
    way: tuple[float, ...] = ()
    turns: tuple[tuple[float, float, float], ...] = ()
    machine: float = 0.0
    feeds: tuple[float, ...] = ()


def feed_ways(bar: Bar, sections: tuple[int, ...]) -> tuple[tuple[float, ...], ...]:
    """Ends at which feeds that are known as ranges have to be looked at together.

    The section that loses most decides the liquid margin, and the less the others lose the more of the flow they take
    from it: so each kind of section is also at the other end from the rest.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    used = [bar.sections[index] for index in sections]
    if len(used) == 1 or not any(one.feed and one.feed.ranges for one in used):
        return ((),)
    ways = [(-1.0,) * len(used), (1.0,) * len(used)]
    kinds = [(one.rows, one.orifice, one.feed) for one in used]
    for kind in dict.fromkeys(kinds):
        odd = kinds.index(kind)
        ways += [tuple(side if place == odd else -side for place in range(len(used))) for side in (-1.0, 1.0)]
    return tuple(dict.fromkeys(ways))


def at_better_end(case: Case, better: float) -> Case:
    """Return a bounding case with all ahead of the orifices at the better end for one limit.

    Parameters
    ----------
    case : Case
        One of `bounding_cases` or `open_cases`.
    better : float
        +1 where less flow is better for the limit asked about, -1 where more is.
    """
    feeds = LOSSLESS * len(case.feeds) if better > 0.0 else ()
    return replace(case, boiling=False, machine=abs(case.machine), feeds=feeds)
