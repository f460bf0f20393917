"""Scale tickets load by load: which part of the log each is about, and how far the loads agree with each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.ground.applied_log import AppliedLog

__all__ = ["Loads", "match_loads"]

# Changing a tank takes longer than turning at the end of a pass: judgement, no source [s].
_SHORTEST_STOP: Final = 120.0
# A load further than this from what the others say belongs to another stretch of the log: judgement, no source.
_FURTHEST: Final = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Tickets over their parts of the log, in the order given; arrays of shape (loads,).

    Attributes
    ----------
    ticket, logged : ndarray
        Ammonia over the scale, and in that part of the log [kg].
    begins : ndarray
        When the part begins [s of the log].
    """

    ticket: FloatArray
    logged: FloatArray
    begins: FloatArray

    @property
    def factor(self) -> FloatArray:
        """Ticket over logged of each load [-]."""
        return self.ticket / self.logged


def match_loads(log: AppliedLog, tickets: FloatArray, nitrogen_fraction: float) -> Loads | None:
    """Cut the log where the tank was changed: at its longest stops, one fewer than there are tickets.

    Parameters
    ----------
    log : AppliedLog
        With a clock.
    tickets : ndarray, shape (loads,)
        Ammonia of each load, in the order driven [kg].
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].

    Returns
    -------
    Loads or None
        None with one ticket, without a clock, with too few stops of two minutes, or where the parts do not fit the
        tickets (more than 15 % apart): then only their sum can be compared.
    """
    product = np.where(log.on, np.nan_to_num(log.applied * log.step * log.width), 0.0) / nitrogen_fraction
    flows = (product > 0.0) & np.isfinite(log.time)
    if tickets.size < 2 or not flows.any():
        return None
    order = np.argsort(log.time[flows], kind="stable")
    time, mass = log.time[flows][order], product[flows][order]
    stop = np.diff(time)
    longest = np.argsort(-stop, kind="stable")[: tickets.size - 1]
    if longest.size < tickets.size - 1 or stop[longest].min() < _SHORTEST_STOP:
        return None
    starts = np.concatenate([[0], np.sort(longest) + 1])
    logged = np.add.reduceat(mass, starts)
    found = Loads(tickets, np.asarray(logged, dtype=np.float64), time[starts])
    usual = float(tickets.sum() / logged.sum())
    return found if np.abs(found.factor / usual - 1.0).max() <= _FURTHEST else None
