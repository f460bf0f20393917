"""Tank loads in plain words."""

from __future__ import annotations

from typing import Final

from geoflow.base.said import said
from geoflow.base.units import System, show
from geoflow.decide.loads import TankLoads
from geoflow.report.layout import count, verb

__all__ = ["full_tank_text", "tanks_text"]

# A last tank that gives less than this share of a full one: the others nearly do.
_NEARLY: Final = 0.1


def tanks_text(loads: TankLoads, system: System) -> str:
    """Say in plain words how many tanks it takes."""
    tanks = len(loads.drawn)
    if not tanks:
        return "no tank"
    last, needed = float(loads.drawn[-1]), show(float(loads.drawn.sum()), "mass", system)
    if last > 0.999 * loads.full_load:
        return f"{count(tanks, 'full tank')} for {needed} NH3"
    if tanks == 1:
        return f"1 tank, more than enough for {needed} NH3"
    if last < _NEARLY * loads.full_load:
        full = f"{count(tanks - 1, 'full tank')} {verb(tanks - 1, 'falls', 'fall')}"
        rest = _ORDINALS.get(tanks, f"{tanks}th")
        return f"{full} {show(last, 'mass', system)} short of the {needed} NH3; a {rest} tank gives that"
    return f"{count(tanks, 'tank')} for {needed} NH3, {show(last, 'mass', system)} of it from the last"


_ORDINALS: Final = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}


def full_tank_text(loads: TankLoads, system: System) -> str:
    """Say what a full tank holds and how much of it can be drawn."""
    return (
        f"A full tank holds {show(loads.liquid_volume, 'volume', system)} ({show(loads.liquid_mass, 'mass', system)}) "
        f"of liquid at {said(loads.start_temperature, 'temperature', system)} and gives "
        f"{show(loads.full_load, 'mass', system)} NH3, down to a heel of {100.0 * loads.heel:g} % of its capacity."
    )
