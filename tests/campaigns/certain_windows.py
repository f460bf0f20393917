"""How far the certain windows of typical bars are open, and what a land and a measured point are worth.

Run ``PYTHONPATH=tests .venv/bin/python tests/campaigns/certain_windows.py --seed 1 --count 200``. Two tables:

1. Three typical bars, certain and possible rates [lb N/ac] at 5 mph at one temperature each: flashing known of nothing
   (b 0 to 1), with the bore's length given (six diameters), with one measured point besides. 30 in rows; coefficient
   0.80 within 5 %; 8 ft of 0.375 in row hose; pump to 3 gpm a row, 110 psi; rated 250 psi; margin 5 psi. The point is
   what the middle of the bore's bounds passes at 50 degF and 30 psi over the vapour pressure, read with the usual
   tolerances.
2. Random bars (campaigns/random_bars.py) with orifices of a coefficient of 0.80 within 5 %: how many certain windows
   are open, by temperature, with nothing known of their bores, with a land like those that refrigerants were tested
   in, assumed to be thin plates, and with one measured point on each.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from bars import AIR, FOOT, GALLON, GPM, INCH, MPH, PSI, fahrenheit
from campaigns.random_bars import draw

from geoflow.bar.equipment import Bar, Limits, Line, MeasuredPoint, Meter, Orifice, Pump, RowHose, Section
from geoflow.base.rates import nitrogen_rate
from geoflow.base.units import from_si
from geoflow.decide.vet import Plan
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import Bounds, flow_window, temperature_grid
from geoflow.physics.ammonia import saturation

__all__ = ["main", "typical_bar", "typical_table", "window_of"]

_BARS = ((12, 0.080), (16, 0.076), (24, 0.070))
_TEMPERATURES = (30.0, 45.0, 60.0, 75.0)
_PROPORTION = 6.0
_WAYS = {
    "nothing known": (False, False),
    "land given": (True, False),
    "one point": (False, True),
    "land and one point": (True, True),
}
_KNOWN = ("nothing known", "land given", "thin plate", "one point")
_LONG = 11.0e-3
"""Of a bore like those that refrigerants were tested in [m], for orifices of 1.8 mm and less."""
_CLASSES = ((-np.inf, 40.0), (40.0, 55.0), (55.0, 65.0), (65.0, np.inf))


def typical_bar(rows: int, inches: float, *, land: bool, point: bool) -> Bar:
    """A bar of one section; with the length of its bores, and a point measured on them."""
    hole = Orifice("row", inches * INCH, 0.80, 0.05, _PROPORTION * inches * INCH if land else None)
    bar = Bar(
        name=f"{rows} rows of {inches:.3f} in",
        row_spacing=30 * INCH,
        sections=(Section("all", rows, "row", Line(12 * FOOT, 0.75 * INCH, 3.0, 0.0)),),
        orifices={"row": hole},
        pump=Pump(3.0 * rows * GPM, 110 * PSI, 0.0, 0.5),
        meter=Meter(700 / GALLON, 0.1 * rows * GPM, 4.0 * rows * GPM),
        limits=Limits(250 * PSI + AIR, 5 * PSI, (3.5 * MPH, 7.5 * MPH)),
        air_pressure=AIR,
        row_hose=RowHose(line=Line(8 * FOOT, 0.375 * INCH, 0.0, 0.0)),
    )
    if not point:
        return bar
    # What the middle of a bore of that length passes, whether or not the length is told.
    known = typical_bar(rows, inches, land=True, point=False)
    kelvin = fahrenheit(50.0)
    one = replace(known, sections=(Section("one", 1, "row"),))
    pressure = float(saturation(kelvin).pressure) + 30 * PSI
    circuit = Circuit(one, (0,), (central_cases(one, (0,))[1],), np.array([kelvin]))
    flow = circuit.state(np.array(pressure)).flow.item()
    measured = (MeasuredPoint(flow, pressure, kelvin),)
    return replace(bar, orifices={"row": replace(hole, measured=measured)})


def window_of(bar: Bar, low: float, high: float, *, certain: bool) -> Bounds:
    """Window over two temperatures [degF], true flow."""
    kelvin = temperature_grid(fahrenheit(low), fahrenheit(high))
    window = flow_window(bar, kelvin, tuple(range(len(bar.sections))))
    return window.over_plan(certain=certain, commanded=False)


def _rates(bar: Bar, degrees: float) -> str:
    width = bar.row_spacing * sum(section.rows for section in bar.sections)
    said = []
    for certain in (True, False):
        bounds = window_of(bar, degrees, degrees, certain=certain)
        ends = [
            float(from_si(nitrogen_rate(flow, 5 * MPH, width, bar.nitrogen_fraction), "nitrogen rate", "lb/acre"))
            for flow in (bounds.low, bounds.high)
        ]
        said.append("none" if bounds.empty else f"{ends[0]:.0f}-{ends[1]:.0f}")
    return " / ".join(said)


def typical_table(bars: Iterable[tuple[int, float]] = _BARS) -> list[str]:
    """First table as Markdown.

    Parameters
    ----------
    bars : iterable of (int, float)
        Rows and diameter [in] of each bar.
    """
    lines = [f"| bar | °F | {' | '.join(_WAYS)} |", "|---|---|" + "---|" * len(_WAYS)]
    for rows, inches in bars:
        for degrees in _TEMPERATURES:
            cells = [
                _rates(typical_bar(rows, inches, land=land, point=point), degrees) for land, point in _WAYS.values()
            ]
            lines.append(f"| {rows} x {inches:.3f} in | {degrees:.0f} | {' | '.join(cells)} |")
    return lines


def _measured(bar: Bar, hole: Orifice) -> Orifice:
    """With one point: what the middle of a bore as long as `_LONG` passes at 50 degF and 30 psi over boiling."""
    long = replace(hole, land=_LONG)
    one = replace(bar, sections=(Section("one", 1, hole.name),), orifices={hole.name: long})
    kelvin = fahrenheit(50.0)
    pressure = float(saturation(kelvin).pressure) + 30 * PSI
    circuit = Circuit(one, (0,), (central_cases(one, (0,))[1],), np.array([kelvin]))
    return replace(hole, measured=(MeasuredPoint(circuit.state(np.array(pressure)).flow.item(), pressure, kelvin),))


def _random(seed: int, first: int, count: int) -> list[tuple[float, ...]]:
    """Middle of the plan [degF], and whether the certain window is open for each thing of `_KNOWN`."""
    found = []
    for number in range(first, first + count):
        drawn = draw(seed, number)
        plan: Plan = drawn.plan
        grid = temperature_grid(*plan.temperature)
        widest = max(one.diameter for one in drawn.bar.orifices.values())
        bare = {
            name: Orifice(name, 1.8e-3 * one.diameter / widest, 0.80, 0.05) for name, one in drawn.bar.orifices.items()
        }
        ways = {
            "nothing known": bare,
            "land given": {name: replace(one, land=_LONG) for name, one in bare.items()},
            "thin plate": {name: replace(one, land=one.diameter, flashing="thin plate") for name, one in bare.items()},
            "one point": {name: _measured(drawn.bar, one) for name, one in bare.items()},
        }
        open_ = []
        for name in _KNOWN:
            bar = replace(drawn.bar, orifices=ways[name])
            open_.append(not flow_window(bar, grid, plan.sections).over_plan(certain=True, commanded=False).empty)
        middle = float(from_si(0.5 * sum(plan.temperature), "temperature", "degF"))
        found.append((middle, *map(float, open_)))
        print(number, *found[-1], file=sys.stderr, flush=True)
    return found


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=200)
    asked = parser.parse_args()
    print("certain / possible lb N/ac at 5 mph", *typical_table(), sep="\n")
    found = _random(asked.seed, asked.first, asked.count)
    print(f"\nopen certain windows of {len(found)} random bars")
    print(f"| middle of the plan degF | bars | {' | '.join(_KNOWN)} |\n|---|---|{'---|' * len(_KNOWN)}")
    for low, high in _CLASSES:
        some = [one for one in found if low <= one[0] < high]
        shares = [f"{np.mean([one[place] for one in some]):.0%}" if some else "" for place in range(1, 1 + len(_KNOWN))]
        print(f"| {low:.0f} to {high:.0f} | {len(some)} | {' | '.join(shares)} |")


if __name__ == "__main__":
    main()
