"""A tank that liquid ammonia is drawn from, worked with CoolProp alone: the steps behind tests/published/tanks.csv.

1. One cubic metre holds liquid (the fill) and vapour, both saturated at the starting temperature: their masses and
   inner energies are CoolProp's.
2. A parcel of liquid leaves and takes its enthalpy along, that of the liquid when half the parcel is out (midpoint
   rule). No heat comes in through the shell (adiabatic), and the shell itself holds none.
3. What is left has a density and an inner energy; CoolProp's flash at the two gives temperature and vapour share.
4. Again until the liquid that is left fills less than asked for; between the last two states the line is straight.

Run it to print the rows anew:  .venv/bin/python tests/drawn_tank.py
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from CoolProp.CoolProp import PropsSI

__all__ = ["drawn"]


def _state(mass: float, energy: float) -> tuple[float, float, float]:
    """Temperature [K], enthalpy of the liquid [J/kg] and its fill in a cubic metre of that mass [kg] and energy [J]."""
    temperature, quality = (PropsSI(name, "D", mass, "U", energy / mass, "Ammonia") for name in ("T", "Q"))
    density, enthalpy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in ("D", "H"))
    return temperature, enthalpy, mass * (1.0 - quality) / density


def drawn(start: float, fill: float, least: float, parcels: int = 150) -> npt.NDArray[np.float64]:
    """Fills and temperatures [K] of a tank of one cubic metre down to the least fill, two columns."""
    shares = (fill, 1.0 - fill)
    density, inner = ([PropsSI(name, "T", start, "Q", quality, "Ammonia") for quality in (0, 1)] for name in ("D", "U"))
    mass = sum(share * d for share, d in zip(shares, density, strict=True))
    energy = sum(share * d * u for share, d, u in zip(shares, density, inner, strict=True))
    parcel = (fill - least) * density[0] / parcels
    states = [(fill, start)]
    while states[-1][0] > least:
        _, leaving, _ = _state(mass, energy)
        _, leaving, _ = _state(mass - parcel / 2, energy - leaving * parcel / 2)
        mass, energy = mass - parcel, energy - leaving * parcel
        temperature, _, left = _state(mass, energy)
        states.append((left, temperature))
    return np.array(states)


def _rows(starts: Sequence[float] = (30.0, 40.0, 60.0, 80.0)) -> None:
    for start in starts:
        fills, temperatures = drawn((start + 459.67) / 1.8, 0.85, 0.05, 600)[::-1].T
        for end in (0.425, 0.1, 0.05):
            temperature = float(np.interp(end, fills, temperatures))
            pressure = PropsSI("P", "T", temperature, "Q", 0, "Ammonia") / 6894.757293168
            print(f"{start:g} degF, 85 % to {end:.1%}: {temperature * 1.8 - 459.67:.3f} degF, {pressure:.3f} psi")


if __name__ == "__main__":
    _rows()
