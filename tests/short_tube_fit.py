"""Makes the coefficient and the band of ``geoflow/physics/short_tubes.py`` anew, from two published correlations.

Run ``python tests/short_tube_fit.py``. The correlations are by different authors and of different form, so that each
checks the transcription of the other; the coefficients are second-hand, from two open research codes each of which
cites the papers. Properties of the refrigerants are CoolProp's. Nothing of geoflow is used.

- Payne, W. V., O'Neal, D. L.: A mass flow rate correlation for refrigerants and refrigerant mixtures flowing through
  short tubes. HVAC&R Research 10 (2004) 73-87. Range of lengths and diameters read in the abstract; coefficients from
  HPSim (rachelspitler/HPSim, src/ShortTube.f90, ShortTubePayne) and from the ACHP heat pump model (ExpDev.py).
- Kim, Y., O'Neal, D. L.: Two-phase flow of R22 through short tube orifices. ASHRAE Trans. 100(1) (1994) 323-334, and
  with Yuan, X.: ... of HFC-134a and CFC-12 ... ASHRAE Trans. 100(2) (1994) 582-591. Form of Aaron and Domanski (1990).
  Coefficients from HPSim (ShortTube). R22 was tested from 29.4 to 54.4 degC (read in the abstract of Kim, O'Neal,
  Payne, Farzad: Refrigerant flow through flexible short-tube orifices).
- Scatter of a correlation about the data of all of them, 6.1 % of the flow: Choi, Chung, Kim, Int. J. Refrig. 27
  (2004) 393-400, abstract. (Their own correlation is not used: as HPSim has it, it lies a fifth below both others.)
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np
from CoolProp.CoolProp import PropsSI
from scipy.optimize import brentq

KIM = {
    "R134a": (1.0156, 10.0612, -0.3296, -0.1758, 1.0831, 0.0, 0.0, -0.1802, -0.00214, 2.9596, -0.0745),
    "R22": (1.005, 5.7367, -0.485, -0.179, 0.9948, 0.268, 2.716, -0.226, -0.021, 2.0, -0.092),
    "R12": (1.0011, 11.3523, -0.2176, -0.2150, 1.0643, 0.0, 0.0, -0.1905, -0.00615, 2.4291, -0.0437),
}
FITTED, HELD_OUT = ("R134a", "R22"), ("R12",)
CONDENSING = tuple(273.15 + celsius for celsius in (30, 34, 38, 42, 46, 50, 54))
SUBCOOLING = (2, 4, 6, 8, 10, 12, 14)
LENGTHS, DIAMETERS = (9.5e-3, 12.7e-3, 19.05e-3, 25.4e-3), (1.09e-3, 1.35e-3, 1.71e-3, 1.94e-3)
EVAPORATING = 278.15
SCATTER_ABOUT_DATA = 0.061


@dataclass(frozen=True)
class Inlet:
    """A liquid before the tube, all SI."""

    fluid: str
    pressure: float
    temperature: float
    subcooling: float

    def of(self, name: str) -> float:
        return float(PropsSI(name, "T", self.temperature, "P", self.pressure, self.fluid))

    def saturated(self, name: str, quality: int) -> float:
        return float(PropsSI(name, "T", self.temperature, "Q", quality, self.fluid))

    def critical(self, name: str) -> float:
        return float(PropsSI(name, self.fluid))


@functools.cache
def inlet(fluid: str, condensing: float, subcooling: float) -> Inlet:
    return Inlet(fluid, float(PropsSI("P", "T", condensing, "Q", 0, fluid)), condensing - subcooling, subcooling)


def payne_oneal(liquid: Inlet, length: np.ndarray, diameter: np.ndarray) -> np.ndarray:
    """Mass flux [kg/m2 s] of the correlation of Payne and O'Neal, subcooled inlet."""
    density, vapour = (liquid.saturated("D", quality) for quality in (0, 1))
    p = (liquid.pressure - liquid.saturated("P", 0)) / liquid.critical("Pcrit")
    s = liquid.subcooling / liquid.critical("Tcrit")
    top = 0.38811 + 11.427 * p - 14.194 * s + 1.0703 * vapour / density - 0.091928 * np.log(length / diameter)
    return top / (1.0 + 21.425 * p - 581.95 * s**2) * np.sqrt(density * liquid.critical("Pcrit"))


def kim_oneal(liquid: Inlet, length: np.ndarray, diameter: np.ndarray) -> np.ndarray:
    """Mass flux [kg/m2 s] of the correlation of Kim and O'Neal, subcooled inlet, sharp edge."""
    b = KIM[liquid.fluid]
    critical = liquid.critical("Pcrit")
    downstream = float(PropsSI("P", "T", EVAPORATING, "Q", 0, liquid.fluid))
    pra, evap, subc = (
        liquid.pressure / critical,
        1.0 - downstream / critical,
        liquid.subcooling / liquid.critical("Tcrit"),
    )
    ld, dr = length / diameter, diameter / 1.35e-3
    share = b[0] + b[1] * pra ** b[2] * ld ** b[3] * subc ** b[4] + b[5] * pra ** b[6]
    share = share + b[7] * np.exp(b[8] * dr * ld ** b[9]) + b[10] * evap
    return np.sqrt(2.0 * liquid.of("D") * (liquid.pressure - liquid.saturated("P", 0) * share))


def henry_fauske(liquid: Inlet, in_step: float = 0.14) -> float:
    """Throat pressure [Pa] straight from CoolProp's entropies; `in_step` is the constant of Henry and Fauske."""
    density, entropy = liquid.of("D"), liquid.of("S")

    def excess(throat: float) -> float:
        def on_line(name: str, quality: int, at: float = throat) -> float:
            return float(PropsSI(name, "P", at, "Q", quality, liquid.fluid))

        step = 1e-4 * throat
        slope = (on_line("S", 0, throat + step) - on_line("S", 0, throat - step)) / (2.0 * step)
        boiling = on_line("S", 1) - on_line("S", 0)
        lag = min(max((entropy - on_line("S", 0)) / boiling / in_step, 0.0), 1.0)
        critical = (1.0 / on_line("D", 1) - 1.0 / density) * lag * slope / boiling
        return 2.0 * density * (liquid.pressure - throat) * critical - 1.0

    vapour = liquid.saturated("P", 0)
    return float(brentq(excess, 0.1 * vapour, 0.99999 * vapour, rtol=1e-10))


@dataclass(frozen=True)
class Grid:
    """Correlation values over all tubes and states of some refrigerants, arrays of one length."""

    subcooling: np.ndarray
    proportion: np.ndarray
    length: np.ndarray
    payne: np.ndarray
    kim: np.ndarray
    ideal: np.ndarray  # sqrt(2 rho0 (P0 - Pt))
    relaxation: (
        np.ndarray
    )  # for Payne's and Kim's flow at a coefficient of 0.80; 0 where there is more than equilibrium


def relaxation(liquid: Inlet, flux: np.ndarray, length: np.ndarray, coefficient: float = 0.80) -> np.ndarray:
    """Length over which flashing catches up [m], that the length-weighted model needs for a flux; 0 if none does."""
    density, vapour = (liquid.saturated("D", quality) for quality in (0, 1))
    latent = liquid.saturated("H", 1) - liquid.saturated("H", 0)
    limit = latent / (1.0 / vapour - 1.0 / density) / np.sqrt(liquid.temperature * liquid.saturated("C", 0))
    downstream = float(PropsSI("P", "T", EVAPORATING, "Q", 0, liquid.fluid))
    head = liquid.saturated("P", 0) - downstream
    bernoulli = 2.0 * coefficient**2 * liquid.of("D")
    weight = (liquid.pressure - np.square(flux) / bernoulli - downstream) / head
    return np.where(weight < 1.0, length * bernoulli * head / limit**2 * (1.0 / weight - 1.0), 0.0)


def grid(fluids: tuple[str, ...], in_step: float = 0.14) -> Grid:
    tubes = [(length, bore) for length, bore in itertools.product(LENGTHS, DIAMETERS) if 5.0 <= length / bore <= 19.0]
    length, diameter = np.array(tubes).T
    parts = []
    for fluid, condensing, subcooling in itertools.product(fluids, CONDENSING, SUBCOOLING):
        liquid = inlet(fluid, condensing, subcooling)
        payne, kim = payne_oneal(liquid, length, diameter), kim_oneal(liquid, length, diameter)
        ideal = np.sqrt(2.0 * liquid.of("D") * (liquid.pressure - henry_fauske(liquid, in_step)))
        catching_up = [relaxation(liquid, flux, length) for flux in (payne, kim)]
        state = [np.full(len(tubes), value) for value in (subcooling, ideal)]
        parts.append((state[0], length / diameter, length, payne, kim, state[1], np.array(catching_up)))
    return Grid(*(np.concatenate(part, axis=-1) for part in zip(*parts, strict=True)))


def both(values: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Coefficient of both correlations against the ideal flux, and length over diameter."""
    return np.concatenate([values.payne, values.kim]) / np.tile(values.ideal, 2), np.tile(values.proportion, 2)


def fit(values: Grid) -> tuple[float, float, np.ndarray]:
    """C at six diameters, its fall with ln(L/d), and what is left of each value relative to the fit."""
    coefficient, proportion = both(values)
    level, slope = np.linalg.lstsq(
        np.column_stack([np.ones_like(proportion), np.log(proportion / 6.0)]), coefficient, rcond=None
    )[0]
    return float(level), float(-slope), coefficient / (level + slope * np.log(proportion / 6.0)) - 1.0


AMMONIA = tuple(
    inlet("Ammonia", (fahrenheit - 32) / 1.8 + 273.15 + subcooling, subcooling)
    for fahrenheit in (20, 40, 60, 80)
    for subcooling in (2, 5, 8, 11, 14)
)


def ammonia_shift(in_step: float) -> tuple[float, np.ndarray]:
    """Residual of the fit with another constant, and by how much the fitted flow of ammonia at L/d = 6 then moves."""
    flows = []
    for constant in (0.14, in_step):
        level, _, left = fit(grid(FITTED, constant))
        flows.append([level * np.sqrt(liquid.pressure - henry_fauske(liquid, constant)) for liquid in AMMONIA])
    return float(left.std()), np.divide(*flows[::-1]) - 1.0


def main() -> None:
    for fluids in (("R134a",), ("R22",), FITTED, HELD_OUT):
        values = grid(fluids)
        ratio = values.payne / values.kim
        print(f"{'+'.join(fluids):>10}: Payne / Kim over {ratio.size} points {ratio.mean():.3f} +- {ratio.std():.3f}, "
              f"{ratio.min():.3f} to {ratio.max():.3f}")  # fmt: skip
    values = grid(FITTED)
    level, fall, left = fit(values)
    print(f"C = {level:.4f} - {fall:.4f} ln((L/d)/6): left {left.std():.4f}, {left.min():+.3f} to {left.max():+.3f}")
    cooled = np.tile(values.subcooling, 2)
    print("mean left by subcooling:", *(f"{step} K {left[cooled == step].mean():+.3f}" for step in SUBCOOLING))
    coefficient, proportion = both(grid(HELD_OUT))
    held = coefficient / (level - fall * np.log(proportion / 6.0)) - 1.0
    print(f"R12, held out: mean {held.mean():+.3f}, sd {held.std():.3f}")
    shifts = []
    for constant in (0.07, 0.10, 0.20, 0.28, 0.40):
        spread, shift = ammonia_shift(constant)
        print(f"constant {constant:.2f}: left {spread:.4f}, ammonia {shift.min():+.3f} to {shift.max():+.3f}")
        shifts += list(shift) if constant in (0.10, 0.28) else []
    form = float(np.sqrt(np.mean(np.square(shifts))))
    total = 2.0 * float(np.sqrt(left.std() ** 2 + SCATTER_ABOUT_DATA**2 + form**2))
    print(f"two sigma of the flow: 2 sqrt({left.std():.3f}^2 + {SCATTER_ABOUT_DATA}^2 + {form:.3f}^2) = {total:.3f}")
    implied = 1e3 * values.relaxation.ravel()
    some = implied[implied > 0]
    print(
        f"relaxation length, {some.size} of {implied.size}: p10, p50, p90 =", np.percentile(some, (10, 50, 90)).round(2)
    )
    print("all of them:", np.percentile(implied, (10, 50, 90)).round(2), "mm")


if __name__ == "__main__":
    main()
