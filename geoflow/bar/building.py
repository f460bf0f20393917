"""From the values of a bar file to the bar."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from geoflow.bar import equipment
from geoflow.bar.equipment import Bar, Line, RowHose, Section, Suction
from geoflow.bar.keys import COUPLING_K
from geoflow.bar.learned_table import learned_of
from geoflow.bar.ranges import Range, ends_of, middle_and_ranges
from geoflow.base import units
from geoflow.physics.lines import valve_loss_coefficient

__all__ = ["build_bar", "line_of"]


def line_of(values: Mapping[str, Any] | None) -> Line | None:
    """Make a hose or pipe of the keys that tell of one; None where they do not.

    Parameters
    ----------
    values : Mapping or None
        Of its table in SI.
    """
    if not values or values["bore"] is None or values["length"] is None:
        return None
    names = ("length", "bore", "fittings_k", "roughness")
    return Line(**middle_and_ranges({name: values[name] for name in names if values.get(name) is not None}))


def _tank_hose(values: Mapping[str, Any]) -> Line:
    least, most = ends_of(values["fittings_k"])
    # The loss of a coupling with a Cv hangs on the speed in the hose: less K in a narrow one, with more speed.
    narrow, wide = (0.25 * math.pi * bore**2 for bore in ends_of(values["bore"]))
    for coupling in values["couplings"] or ():
        if coupling["cv"] is not None:
            least += valve_loss_coefficient(coupling["cv"], narrow)
            most += valve_loss_coefficient(coupling["cv"], wide)
        else:
            known = COUPLING_K[coupling["kind"]] if coupling["k"] is None else coupling["k"]
            least, most = least + known, most + known
    line = line_of({**values, "fittings_k": (least, most)})
    assert line is not None
    return line


def _suction(values: Mapping[str, Any]) -> Suction | None:
    given, hoses = values["suction"], tuple(_tank_hose(hose) for hose in values["tank_hoses"] or ())
    if given is None:
        return Suction(0.0, None, None, hoses) if hoses else None
    low, high = given["head"] if isinstance(given["head"], tuple) else (given["head"], given["head"])
    return Suction(low, line_of(given), high if high > low else None, hoses)


def _drive_share(drive: Mapping[str, Any] | None) -> tuple[float, float]:
    """Least and greatest share of full drive that the tractor gives, no more than all of it."""
    if drive is None:
        return 1.0, 1.0
    name = "oil" if drive["full_oil"] is not None else "speed"
    given, full = ends_of(drive[f"given_{name}"]), ends_of(drive[f"full_{name}"])
    return min(given[0] / full[1], 1.0), min(given[1] / full[0], 1.0)


def _pump(values: Mapping[str, Any], drive: Mapping[str, Any] | None) -> equipment.Pump:
    made = equipment.Pump(**middle_and_ranges({**values, "drive_share": _drive_share(drive)}))
    (less, more), (little, much) = ends_of(values["max_flow"]), ends_of(values["slip"])
    if not made.slip or not made.ranges:
        return made
    # What leaks back is a share of the displacement; the most of it comes with the least displacement, for both
    # narrow the window.
    leaking = Range("slip", much * more / less, little * less / more)
    return replace(made, ranges=(*(one for one in made.ranges if one.name != "slip"), leaking))


def _row_hose(values: Mapping[str, Any] | None, air: tuple[float, float]) -> RowHose:
    """What is below the orifices, with air between two pressures [Pa]."""
    middle = 0.5 * sum(air)
    if not values:
        return RowHose(None if air[0] == air[1] else air)
    known = values["back_pressure"]
    if known is not None:
        known = max(known[0] + air[0] - middle, 0.0), known[1] + air[1] - middle
    keys = {name: values[name] for name in ("tolerance", "outlet", "outlet_coefficient")}
    line = line_of({name: values[name] for name in ("length", "bore")})
    return RowHose(known, line, **middle_and_ranges(keys))


def build_bar(values: Mapping[str, Any], air: tuple[float, float]) -> Bar:
    """Make the bar of values that are right one by one and agree.

    Parameters
    ----------
    values : Mapping
        Of every table and key in SI; None where something without default is left out.
    air : tuple of float
        Least and greatest pressure of the air at the site [Pa]; gauge pressures were read at the middle.
    """
    orifices = {}
    for name, given in values["orifices"].items():
        learned = learned_of(given["learned"])
        orifices[name] = equipment.Orifice(name, **{**given, "measured": given["measured"] or (), "learned": learned})
    meter = middle_and_ranges(values["meter"])
    middle, spread = 0.5 * sum(air), 0.5 * (air[1] - air[0])
    rated = tuple(end + side * spread for side, end in zip((-1, 1), values["limits"]["max_pressure"], strict=True))
    speed = values["limits"]["speed"]
    limits = middle_and_ranges({**values["limits"], "max_pressure": rated, "speed": None}) | {"speed": speed}
    pulses = meter.pop("pulses_per_gallon")
    meter["pulses_per_volume"] = None if pulses is None else pulses / units.factor("gallon", "volume")
    sections = [Section(s["name"], s["rows"], s["orifice"], line_of(s["feed"])) for s in values["sections"]]

    def part(name: str, kind: type[Any], *, ranged: bool = True) -> Any:
        given = values[name]
        return kind(**(middle_and_ranges(given) if ranged else given)) if given else None

    return Bar(
        name=values["name"],
        row_spacing=values["row_spacing"],
        sections=tuple(sections),
        orifices=orifices,
        pump=_pump(values["pump"], values["drive"]),
        meter=equipment.Meter(**meter),
        limits=equipment.Limits(**limits),
        nitrogen_fraction=values["nitrogen_fraction"],
        elevation=0.5 * sum(ends_of(values["elevation"])),
        air_pressure=middle,
        air_spread=spread,
        row_hose=_row_hose(values["row_hose"], air),
        suction=_suction(values),
        control_valve=part("control_valve", equipment.ControlValve),
        controller=part("controller", equipment.Controller, ranged=False),
        tank=part("tank", equipment.Tank, ranged=False),
        bypass=part("bypass", equipment.Bypass),
        excess_flow=part("excess_flow", equipment.ExcessFlow),
        breakaway=part("breakaway", equipment.ExcessFlow),
        gauges=tuple(equipment.Gauge(**gauge) for gauge in values["gauges"] or ()),
    )
