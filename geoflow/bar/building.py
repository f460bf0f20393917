"""From the values of a bar file to the bar."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from geoflow.bar import equipment
from geoflow.bar.equipment import Bar, Line, RowHose, Section, Suction
from geoflow.bar.keys import COUPLING_K
from geoflow.base import units
from geoflow.physics.lines import valve_loss_coefficient

__all__ = ["build_bar"]


def _line(values: Mapping[str, Any] | None) -> Line | None:
    if not values or values["bore"] is None:
        return None
    return Line(values["length"], values["bore"], values.get("fittings_k", 0.0), values.get("roughness", 0.0))


def _tank_hose(values: Mapping[str, Any]) -> Line:
    area = 0.25 * math.pi * values["bore"] ** 2
    fittings = values["fittings_k"]
    for coupling in values["couplings"] or ():
        if coupling["cv"] is not None:
            fittings += valve_loss_coefficient(coupling["cv"], area)
        else:
            fittings += COUPLING_K[coupling["kind"]] if coupling["k"] is None else coupling["k"]
    return Line(values["length"], values["bore"], fittings, values["roughness"])


def _suction(values: Mapping[str, Any]) -> Suction | None:
    given, hoses = values["suction"], tuple(_tank_hose(hose) for hose in values["tank_hoses"] or ())
    if given is None:
        return Suction(0.0, None, None, hoses) if hoses else None
    low, high = given["head"] if isinstance(given["head"], tuple) else (given["head"], given["head"])
    return Suction(low, _line(given), high if high > low else None, hoses)


def _drive_share(drive: Mapping[str, Any] | None) -> float:
    """Share of full drive that the tractor gives, no more than all of it."""
    if drive is None:
        return 1.0
    name = "oil" if drive["full_oil"] is not None else "speed"
    return min(float(drive[f"given_{name}"] / drive[f"full_{name}"]), 1.0)


def build_bar(values: Mapping[str, Any], air_pressure: float) -> Bar:
    """Make the bar of values that are right one by one and agree.

    Parameters
    ----------
    values : Mapping
        Of every table and key in SI; None where something without default is left out.
    air_pressure : float
        At the site [Pa].
    """
    orifices = {}
    for name, given in values["orifices"].items():
        orifices[name] = equipment.Orifice(name, **{**given, "measured": given["measured"] or ()})
    meter = dict(values["meter"])
    meter["pulses_per_volume"] = meter.pop("pulses_per_gallon") / units.factor("gallon", "volume")
    sections = [Section(s["name"], s["rows"], s["orifice"], _line(s["feed"])) for s in values["sections"]]
    hose = values["row_hose"]

    def part(name: str, kind: type[Any]) -> Any:
        return kind(**values[name]) if values[name] else None

    return Bar(
        name=values["name"],
        row_spacing=values["row_spacing"],
        sections=tuple(sections),
        orifices=orifices,
        pump=equipment.Pump(**values["pump"], drive_share=_drive_share(values["drive"])),
        meter=equipment.Meter(**meter),
        limits=equipment.Limits(**values["limits"]),
        nitrogen_fraction=values["nitrogen_fraction"],
        elevation=values["elevation"],
        air_pressure=air_pressure,
        row_hose=RowHose(
            hose["back_pressure"], _line(hose), hose["tolerance"], hose["outlet"], hose["outlet_coefficient"]
        )
        if hose
        else RowHose(),
        suction=_suction(values),
        control_valve=part("control_valve", equipment.ControlValve),
        controller=part("controller", equipment.Controller),
        tank=part("tank", equipment.Tank),
        bypass=part("bypass", equipment.Bypass),
        excess_flow=part("excess_flow", equipment.ExcessFlow),
        breakaway=part("breakaway", equipment.ExcessFlow),
        gauges=tuple(equipment.Gauge(**gauge) for gauge in values["gauges"] or ()),
    )
