"""How late a machine says of itself that it is."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Latency"]


@dataclass(frozen=True, slots=True)
class Latency:
    """What a machine states of its own times; None where it does not.

    Attributes
    ----------
    setpoint : float or None
        From a new target to the rate at the outlets [s].
    actual : float or None
        From a rate reported to that rate at the outlets [s]; below 0 it is reported afterwards.
    """

    setpoint: float | None
    actual: float | None

    @property
    def in_log(self) -> float | None:
        """From a new target to the rate reported for it [s]; a rate without a time of its own is reported at once."""
        return None if self.setpoint is None else self.setpoint - (self.actual or 0.0)
