"""Random bar files with ranges in them, and exact bars drawn from the ranges. The bars are invented."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from typing import Any

import numpy as np

from geoflow.bar.bar_file import parse_bar
from geoflow.bar.equipment import Bar
from geoflow.hydraulics.window import FlowWindow, flow_window

__all__ = ["drawn_exact", "random_ranged", "range_breaches"]

# What a value may lie between, low and high, and its unit; what is drawn is a stretch of it, or a point.
_SPANS: dict[str, tuple[float, float, str]] = {
    "elevation": (0, 3000, "ft"),
    "feed.length": (1, 20, "ft"),
    "feed.bore": (0.4, 1.0, "in"),
    "feed.fittings_k": (0, 8, ""),
    "row_hose.length": (3, 12, "ft"),
    "row_hose.bore": (0.3, 0.6, "in"),
    "row_hose.outlet": (0.2, 0.3, "in"),
    "suction.head": (-1, 4, "ft"),
    "suction.length": (4, 25, "ft"),
    "suction.bore": (1.0, 2.0, "in"),
    "suction.fittings_k": (0, 15, ""),
    "tank_hoses.length": (4, 15, "ft"),
    "tank_hoses.bore": (1.0, 2.0, "in"),
    "tank_hoses.fittings_k": (0, 10, ""),
    "excess_flow.closing_flow": (15, 60, "gpm"),
    "breakaway.closing_flow": (30, 80, "gpm"),
    "pump.max_flow": (25, 60, "gpm"),
    "pump.max_rise": (70, 130, "psi"),
    "pump.min_flow": (0, 5, "gpm"),
    "pump.efficiency": (0.35, 0.7, ""),
    "pump.slip": (0.02, 0.25, ""),
    "drive.given_oil": (8, 14, "gpm"),
    "bypass.pump_flow": (5, 20, "gpm"),
    "bypass.opens_at": (0, 60, "psi"),
    "meter.min_flow": (0.5, 3, "gpm"),
    "meter.max_flow": (30, 80, "gpm"),
    "meter.loss_at_max_flow": (0, 6, "psi"),
    "control_valve.cv": (10, 45, ""),
    "limits.max_pressure": (160, 250, "psi"),
}


def _written(low: float, high: float, unit: str) -> Any:
    if unit:
        return f"{low:.6f} {unit}" if low == high else f"{low:.6f}..{high:.6f} {unit}"
    return low if low == high else f"{low:.6f}..{high:.6f}"


def random_ranged(draw: random.Random) -> dict[str, Any]:
    """Content of a bar file of which about half the values are ranges."""

    def value(name: str) -> Any:
        least, most, unit = _SPANS[name]
        low, high = sorted(draw.uniform(least, most) for _ in range(2))
        return _written(low, high if draw.random() < 0.6 else low, unit)

    def table(name: str, *keys: str, **more: Any) -> dict[str, Any]:
        return {**more, **{key: value(f"{name}.{key}") for key in keys}}

    kinds = draw.choice((("a",), ("a", "b")))
    sections = [
        {"name": f"s{number}", "rows": draw.choice((4, 8)), "orifice": draw.choice(kinds)}
        for number in range(draw.choice((1, 2, 3)))
    ]
    fed = draw.random() < 0.7
    for section in sections if fed else ():
        if draw.random() < 0.85:
            section["feed"] = table("feed", "length", "bore", "fittings_k")
    content: dict[str, Any] = {
        "name": "drawn",
        "row_spacing": "30 in",
        "elevation": value("elevation") if draw.random() < 0.3 else "900 ft",
        "sections": sections,
        "orifices": {
            name: {
                "diameter": f"{draw.uniform(0.055, 0.085):.4f} in",
                "discharge_coefficient": 0.62,
                "coefficient_tolerance": draw.choice((0.0, 0.05)),
            }
            for name in kinds
        },
        "pump": table("pump", "max_flow", "max_rise", "min_flow", "efficiency"),
        "meter": table("meter", "min_flow", "max_flow", "loss_at_max_flow", pulses_per_gallon=700),
        "limits": {"max_pressure": value("limits.max_pressure"), "liquid_margin": "5 psi", "speed": "3..8 mph"},
    }
    for orifice in content["orifices"].values():
        if draw.random() < 0.6:
            orifice["flash_weight"] = round(draw.random(), 2)
    optional: dict[str, Callable[[], Any]] = {
        "row_hose": lambda: draw.choice(
            ({"back_pressure": "3..9 psi"}, table("row_hose", "length", "bore", *draw.choice(((), ("outlet",)))))
        ),
        "suction": lambda: table("suction", "head", "length", "bore", "fittings_k"),
        "tank_hoses": lambda: [
            table("tank_hoses", "length", "bore", "fittings_k", couplings=[{"cv": 60}])
            for _ in range(draw.choice((1, 2)))
        ],
        "control_valve": lambda: table("control_valve", "cv"),
        "excess_flow": lambda: table("excess_flow", "closing_flow"),
        "breakaway": lambda: table("breakaway", "closing_flow"),
        "drive": lambda: table("drive", "given_oil", full_oil="14 gpm"),
        "bypass": lambda: table("bypass", "pump_flow", "opens_at"),
    }
    often = {"row_hose": 0.8, "suction": 0.7, "tank_hoses": 0.3, "bypass": 0.2}
    for name, make in optional.items():
        if draw.random() < often.get(name, 0.4):
            content[name] = make()
    if draw.random() < 0.3:
        content["pump"]["slip"] = value("pump.slip")
    return content


def drawn_exact(content: Any, draw: random.Random, ends: float = 0.6) -> Any:
    """Draw content with a single value in the place of each range; with a chance of `ends` one end of it."""
    if isinstance(content, dict):
        # Head and back pressure and speeds are ranges of every bar, not ignorance of one.
        kept = ("head", "back_pressure", "speed")
        return {
            name: copy.deepcopy(one) if name in kept else drawn_exact(one, draw, ends) for name, one in content.items()
        }
    if isinstance(content, list):
        return [drawn_exact(one, draw, ends) for one in content]
    if not isinstance(content, str) or ".." not in content:
        return content
    span, _, unit = content.partition(" ")
    low, high = map(float, span.split(".."))
    taken = draw.choice((low, high)) if draw.random() < ends else draw.uniform(low, high)
    return _written(taken, taken, unit)


def _solved(content: dict[str, Any], kelvin: float) -> tuple[Bar, FlowWindow]:
    bar = parse_bar(content)
    return bar, flow_window(bar, np.array([kelvin]), tuple(range(len(bar.sections))))


def range_breaches(content: dict[str, Any], draw: random.Random, kelvin: float, draws: int) -> list[str]:
    """Where the window with ranges is not within an exact bar's certain one, or its possible one not within ours."""
    _, open_ = _solved(content, kelvin)
    found = []
    for _ in range(draws):
        exact = drawn_exact(content, draw)
        _, sure = _solved(exact, kelvin)
        for certain in (True, False):
            ours, theirs = (window.edges(certain=certain) for window in (open_, sure))
            side = 1.0 if certain else -1.0
            # The warmth of the pump's work makes the liquid lighter: where it boils in full in the orifices that alone
            # counts at the margin, and the better end of the machine is the worse one by that.
            slack = 3e-4 if certain else 2e-3
            if not certain and theirs[0][0] > theirs[1][0]:
                continue
            name = "certain" if certain else "possible"
            for end, sign in ((0, side), (1, -side)):
                here, there = float(ours[end][0]), float(theirs[end][0])
                if sign * (there - here) > slack * there:
                    found.append(f"{name} {('low', 'high')[end]} {here:.6g} {there:.6g}")
        if found:
            return [*found, repr(exact)]
    return found
