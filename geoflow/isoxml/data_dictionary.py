"""Numbers of the ISO 11783-11 public data dictionary that maps and logs of ammonia use, and what they count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "ACTUAL_LATENCY",
    "ACTUAL_STATES",
    "ASKED_STATES",
    "ENTRIES",
    "NITROGEN",
    "PRODUCT_MASS",
    "SETPOINT_LATENCY",
    "STATES_PER_WORD",
    "Entry",
]

PRODUCT_MASS: Final = "0006"  # mass of product per area, asked for
NITROGEN: Final = "01B0"  # mass of nitrogen per area, asked for
STATES_PER_WORD: Final = 16
# From a set point received, and from an actual value sent, to its physical effect.
SETPOINT_LATENCY: Final = "008E"
ACTUAL_LATENCY: Final = "008F"


@dataclass(frozen=True, slots=True)
class Entry:
    """One number of the dictionary.

    Attributes
    ----------
    ddi : str
        Four hexadecimal digits, capitals.
    word : str
        What it is, as the start of a column name.
    steps : float
        Steps of the stored integer in one `unit`; dividing by them gives the nearest number, 0.57 and not
        0.5700000000000001.
    unit : str
        As geoflow writes units; ``""`` for a state.
    role : str or None
        Role in a log; ``"target"`` is also the rate of a prescription's zone.
    lasting : bool
        Whether a value holds until the next one is logged (settings and states), not only for a while (readings).
    """

    ddi: str
    word: str
    steps: float
    unit: str
    role: str | None = None
    lasting: bool = False


def _words(first: int) -> tuple[str, ...]:
    return tuple(f"{first + at:04X}" for at in range(16))


# Two bits for each section, sixteen sections in a word, the leftmost lowest; sixteen words for 256 sections.
ACTUAL_STATES: Final = _words(161)
ASKED_STATES: Final = _words(290)

# Units and resolutions: the public data dictionary, copy of 2025-03-14; tests/test_taskdata_ddi.py compares them with
# another copy. Volumes: 1 L/ha is 100 mm3/m2. Flows: 1 kg/min is 1e6/60 mg/s, 1 L/min as many mm3/s.
ENTRIES: Final[dict[str, Entry]] = {
    entry.ddi: entry
    for entry in (
        Entry(PRODUCT_MASS, "target", 100.0, "kg NH3/ha", "target", lasting=True),
        Entry("0007", "applied", 100.0, "kg NH3/ha", "applied"),
        Entry(NITROGEN, "target", 100.0, "kg N/ha", "target", lasting=True),
        Entry("01B1", "applied", 100.0, "kg N/ha", "applied"),
        Entry("0001", "target", 1e4, "L NH3/ha", "target", lasting=True),
        Entry("0002", "applied", 1e4, "L NH3/ha", "applied"),
        Entry("024C", "target", 1.0, "L NH3/ha", "target", lasting=True),
        Entry("024D", "applied", 1.0, "L NH3/ha", "applied"),
        Entry("002A", "flow", 1e6 / 60.0, "kg NH3/min", "flow"),
        Entry("0025", "flow", 1e6 / 60.0, "L/min", "flow"),
        Entry("018D", "speed", 1e3, "m/s", "speed"),
        Entry("0043", "width", 1e3, "m", "width", lasting=True),
        Entry("00C2", "pressure", 1e4, "kPa", "bar_pressure"),
        Entry("0243", "temperature", 1e3, "K", "temperature"),
        Entry("008D", "state", 1.0, "", "on", lasting=True),
        *(Entry(ddi, "states", 1.0, "", lasting=True) for ddi in (*ACTUAL_STATES, *ASKED_STATES)),
        Entry("0086", "offset ahead", 1e3, "m", lasting=True),
        Entry("0087", "offset right", 1e3, "m", lasting=True),
        Entry(SETPOINT_LATENCY, "setpoint latency", 1e3, "s", lasting=True),
        Entry(ACTUAL_LATENCY, "actual value latency", 1e3, "s", lasting=True),
        Entry("0050", "total volume", 1.0, "L"),
        Entry("0051", "total product", 1.0, "kg"),
        Entry("0160", "total product", 1e3, "kg"),
        Entry("0161", "total nitrogen", 1e3, "kg"),
        Entry("0162", "total ammonium", 1e3, "kg"),
        Entry("0074", "total area", 1e4, "ha"),
        Entry("0075", "distance at work", 1e3, "m"),
        Entry("0077", "time at work", 1.0, "s"),
    )
}
