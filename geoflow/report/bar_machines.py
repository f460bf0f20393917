"""Hoses from tanks, drive, bypass and valves that shut, said back in words."""

from __future__ import annotations

from typing import Any

from geoflow.bar.equipment import Bar
from geoflow.bar.ranges import known_ends
from geoflow.base.said import said, said_range
from geoflow.base.units import System

__all__ = ["machine_rows"]


def machine_rows(bar: Bar, system: System) -> list[list[str]]:
    """One row for each of these that the bar file names.

    Parameters
    ----------
    bar : Bar
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    rows = []

    def given(value: float, kind: str) -> str:
        return said(value, kind, system, 0)

    def ranged(part: Any, name: str, kind: str) -> str:
        return said_range(*known_ends(part, name), kind, system, 0)

    def plainly(part: Any, name: str, times: float = 1.0) -> str:
        return " to ".join(dict.fromkeys(f"{times * end:.3g}" for end in known_ends(part, name)))

    for number, hose in enumerate(bar.suction.tank_hoses if bar.suction else (), 1):
        text = f"{ranged(hose, 'length', 'length')} of {ranged(hose, 'bore', 'small length')} bore"
        rows.append([f"tank hose {number}", f"{text}, fittings and couplings K {plainly(hose, 'fittings_k')}"])
    if bar.suction and bar.suction.greatest_head is not None:
        rows.append(["full tank", f"liquid {given(bar.suction.greatest_head, 'length')} above the pump"])
    drive = []
    if bar.pump.slip or bar.pump.flow_tolerance:
        slip, tolerance = plainly(bar.pump, "slip", 100), 100 * bar.pump.flow_tolerance
        drive.append(f"slip {slip} % at the greatest rise, displacement \u00b1 {tolerance:g} %")
    if bar.pump.drive_share < 1.0:
        drive.append(f"driven at {plainly(bar.pump, 'drive_share', 100)} % of full")
    if drive:
        rows.append(["pump drive", "; ".join(drive)])
    if bar.bypass:
        least, opens = ranged(bar.bypass, "pump_flow", "volume flow"), ranged(bar.bypass, "opens_at", "pressure")
        rows.append(["bypass", f"the pump moves {least} at least; the rest goes round against {opens} or more"])
    shuts = [
        f"{name} at {ranged(valve, 'closing_flow', 'volume flow')} \u00b1 {100 * valve.tolerance:g} %"
        for name, valve in (("excess-flow valve", bar.excess_flow), ("breakaway", bar.breakaway))
        if valve
    ]
    if shuts:
        rows.append(["shuts", ", ".join(shuts)])
    return rows
