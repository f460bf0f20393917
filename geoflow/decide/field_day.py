"""What a field takes: hours, tank loads, and where pass 1 starts."""

from __future__ import annotations

from dataclasses import dataclass

from geoflow.base.arrays import FloatArray
from geoflow.decide.day import WorkTime
from geoflow.decide.loads import EndOfTank, TankLoads

__all__ = ["Day", "Start"]


@dataclass(frozen=True, slots=True)
class Start:
    """Where pass 1 starts.

    Attributes
    ----------
    corner : str
        Of the field, as ``"southwest"``: where its first edge and the near end of its passes meet.
    place : tuple of float
        Longitude and latitude [deg].
    heading : float
        Of pass 1 [rad, clockwise from north].
    """

    corner: str
    place: tuple[float, float]
    heading: float


@dataclass(frozen=True, slots=True)
class Day:
    """What a field takes, zones of rate zero apart.

    Attributes
    ----------
    time : tuple of WorkTime
        At the fastest, in the middle and at the slowest of its speeds.
    efficiency, heading : float
        Field efficiency [-], and direction of the passes [rad, clockwise from north].
    loads : TankLoads or None
        None where the bar names no tank, or for the reason of `why_not`.
    places : ndarray, shape (loads, 2)
        Longitude and latitude where each tank runs out [deg].
    end : EndOfTank or None
        Verdicts at these speeds once the cooling of the tank counts.
    why_not : str
        Why there are no loads, where the bar does name a tank.
    start : Start or None
        Where pass 1 starts; None where no passes were laid.
    ground : ndarray, shape (loads, zones), or None
        Area each load is put on [m2]; None where there are no loads.
    """

    time: tuple[WorkTime, WorkTime, WorkTime]
    efficiency: float
    heading: float
    loads: TankLoads | None
    places: FloatArray
    end: EndOfTank | None
    why_not: str = ""
    start: Start | None = None
    ground: FloatArray | None = None
