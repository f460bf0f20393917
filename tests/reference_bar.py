"""One bar at one temperature, worked out the plain way, to hold geoflow's solved bar against.

Written from the equations (orifice with a flashing weight, Darcy-Weisbach, IEC 60534-2-1, homogeneous equilibrium flow
in the row hose, isenthalpic flash in the suction, first law for the pump) and not from geoflow's code: CoolProp gives
every property at its true pressure and temperature, `fluids` gives friction factors (Clamond's exact solution of
Colebrook) and the control valve, scipy.optimize.brentq every unknown. Behind the pump everything (vapour pressure,
density, the flash in the row hose) is that of the liquid as the pump warmed it; flow and warmth are turned until they
agree. Of geoflow only the equipment's dataclasses are used.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import CoolProp
import fluids
import fluids.control_valve
import numpy as np
from CoolProp.CoolProp import AbstractState
from scipy.integrate import cumulative_trapezoid, solve_ivp
from scipy.optimize import brentq

from geoflow.bar.equipment import Bar, Line, Section

__all__ = ["Point", "ReferenceBar", "Tube"]

_GRAVITY = 9.80665
_HOSE_STEPS = 600
_AGREED = 1e-6
_HOTTEST = 390.0
_SLACK = 1e-3
_SUCTIONS: dict[tuple[Any, ...], tuple[np.ndarray, np.ndarray]] = {}


@dataclass(frozen=True)
class Point:
    """The bar at one operating point: SI, absolute pressures."""

    node: float
    section_flow: tuple[float, ...]
    manifold: tuple[float, ...]
    flow: float
    outlet: float
    inlet: float
    margin: float
    orifice_temperature: float

    @property
    def rise(self) -> float:
        return self.outlet - self.inlet


class Ammonia:
    """Properties, one at a time, straight from CoolProp."""

    def __init__(self) -> None:
        self.state = AbstractState("HEOS", "Ammonia")
        self.critical_pressure = self.state.p_critical()

    @functools.cache  # noqa: B019
    def saturated(self, temperature: float) -> tuple[float, float, float, float]:
        """Pressure, density, enthalpy, viscosity of the saturated liquid."""
        self.state.update(CoolProp.QT_INPUTS, 0.0, temperature)
        return self.state.p(), self.state.rhomass(), self.state.hmass(), self.state.viscosity()

    @functools.lru_cache(maxsize=64)  # noqa: B019
    def liquid(self, pressure: float, temperature: float) -> tuple[float, float]:
        """Density and viscosity; of the saturated liquid where the pressure is not above it."""
        vapour, density, _, viscosity = self.saturated(temperature)
        if pressure <= vapour * (1.0 + 1e-5):
            return density, viscosity
        self.state.update(CoolProp.PT_INPUTS, pressure, temperature)
        return self.state.rhomass(), self.state.viscosity()

    def warmed(self, temperature: float, heat: float, pressure: float) -> float:
        """Temperature of liquid that was saturated at `temperature` and took up `heat` [J/kg] on its way to `pressure`.

        Not above its vapour pressure the liquid is superheated (a weight below one lets it reach the orifice so): its
        enthalpy then continues that of the saturated liquid, dh/dp = (1 - beta T) / rho.
        """
        vapour, density, enthalpy, _ = self.saturated(temperature)
        if pressure > vapour:
            try:
                self.state.update(CoolProp.HmassP_INPUTS, enthalpy + heat, pressure)
            except ValueError:  # next to no flow takes up all the heat of what goes round
                return _HOTTEST
            if self.state.phase() != CoolProp.iphase_twophase:
                return self.state.T()
        self.state.update(CoolProp.QT_INPUTS, 0.0, temperature)
        stretch = self.state.isobaric_expansion_coefficient() * temperature
        return min(
            _HOTTEST, temperature + (heat - (1.0 - stretch) * (pressure - vapour) / density) / self.state.cpmass()
        )

    def flashed_volume(self, enthalpy: float, pressure: float) -> float:
        """Specific volume after throttling to a pressure, in equilibrium."""
        self.state.update(CoolProp.HmassP_INPUTS, enthalpy, pressure)
        return 1.0 / self.state.rhomass()

    @functools.cache  # noqa: B019
    def phases(self, pressure: float) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Enthalpy, specific volume, viscosity of boiling liquid and of its vapour."""
        both = []
        for quality in (0.0, 1.0):
            self.state.update(CoolProp.PQ_INPUTS, pressure, quality)
            both.append((self.state.hmass(), 1.0 / self.state.rhomass(), self.state.viscosity()))
        return both[0], both[1]

    @functools.lru_cache(maxsize=2000)  # noqa: B019
    def phases_from(self, pressure: float, step: float, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Pressures in even steps, and the phases at each: liquid or vapour, then what of it, then pressures."""
        pressures = pressure + np.arange(count) * step
        return pressures, np.moveaxis([self.phases(one) for one in pressures.tolist()], 0, -1)

    @functools.lru_cache(maxsize=20000)  # noqa: B019
    def throat(self, pressure: float, temperature: float) -> float:
        """Throat pressure of Henry and Fauske (1971) of liquid at a pressure, straight from CoolProp's entropies."""
        state = self.state
        vapour = self.saturated(temperature)[0]
        if pressure > vapour * (1.0 + 1e-5):
            state.update(CoolProp.PT_INPUTS, pressure, temperature)
        else:
            state.update(CoolProp.QT_INPUTS, 0.0, temperature)
        volume, entropy, before = 1.0 / state.rhomass(), state.smass(), max(pressure, vapour)

        def flux_left(throat: float) -> float:
            state.update(CoolProp.PQ_INPUTS, throat, 1.0)
            vapour_entropy, vapour_volume = state.smass(), 1.0 / state.rhomass()
            state.update(CoolProp.PQ_INPUTS, throat, 0.0)
            liquid_entropy = state.smass()
            slope = state.first_saturation_deriv(CoolProp.iSmass, CoolProp.iP)
            boiling = vapour_entropy - liquid_entropy
            lag = min(max((entropy - liquid_entropy) / boiling / 0.14, 0.0), 1.0)
            return 2.0 * (before - throat) / volume * (vapour_volume - volume) * lag * slope / boiling - 1.0

        return float(brentq(flux_left, 0.3 * vapour, vapour * (1.0 - 1e-9), rtol=1e-9))


@dataclass(frozen=True)
class Tube:
    """A bore of many diameters, sharp-edged, and how much it passes of what refrigerants let expect (`share`).

    `share` is a number, or "least" or "most" for the bounds geoflow should know: 18 % of flow where refrigerants were
    tested (5 to 19 diameters, 9.5 to 25.4 mm long, 1.09 to 1.94 mm wide, 2 to 14 K below boiling), elsewhere the wider
    of that and of a flash in full and none at all, held at the ends of the tests where that is surer. A number drifts
    by `drift` (natural logarithm of the flow for each doubling of the margin over boiling and for each kelvin, from
    30 psi and 283 K), within these 18 %.
    """

    land: float
    diameter: float
    share: float | str
    coefficients: tuple[float, float]
    drift: tuple[float, float] = (0.0, 0.0)

    def _share_at(self, share: float, pressure: float, temperature: float) -> float:
        if self.drift == (0.0, 0.0):
            return share
        margin = max(pressure - AMMONIA.saturated(temperature)[0], 1.0)
        moved = self.drift[0] * math.log2(margin / 206843.0) + self.drift[1] * (temperature - 283.0)
        return min(max(share * math.exp(moved), 0.82), 1.18)

    def flow(self, pressure: float, below: float, temperature: float) -> float:
        if not isinstance(self.share, str):
            return self._share_at(self.share, pressure, temperature) * self._likely(pressure, below, temperature)
        side = -1.0 if self.share == "least" else 1.0
        edges = [AMMONIA.saturated(temperature + kelvin)[0] for kelvin in (2.0, 14.0)]
        likely = (1.0 + 0.18 * side) * self._likely(pressure, below, temperature)
        fitted = 0.80 - 0.145 * math.log(self.land / self.diameter / 6.0)
        vapour = AMMONIA.saturated(temperature)[0]
        if side < 0.0:
            free = self._through(min(self.coefficients[0], fitted), pressure, max(vapour, below), temperature)
            wide = min(likely, free)
        else:
            wide = max(likely, self._through(self.coefficients[1], pressure, below, temperature))
        proportion = self.land / self.diameter
        # Up to a thousandth beyond a border counts as within, as lengths come from thousandths of an inch.
        tested = (proportion, 5.0, 19.0), (self.land, 9.5e-3, 25.4e-3), (self.diameter, 1.09e-3, 1.94e-3)
        like = all(low * (1.0 - _SLACK) <= value <= high * (1.0 + _SLACK) for value, low, high in tested)
        if not like:
            return wide
        held = (1.0 + 0.18 * side) * self._likely(min(max(pressure, edges[0]), edges[1]), below, temperature)
        # Each bound is open on one side of the tests, over a step of 3 kPa just within them.
        inside = (pressure - edges[0]) / 3e3 if side < 0.0 else (edges[1] - pressure) / 3e3
        sure = max(held, wide) if side < 0.0 else min(held, wide)
        return wide + min(max(inside, 0.0), 1.0) * (sure - wide)

    def _likely(self, pressure: float, below: float, temperature: float) -> float:
        fitted = 0.80 - 0.145 * math.log(self.land / self.diameter / 6.0)
        # To 10 Pa, so that a search for a flow finds what it had.
        throat = AMMONIA.throat(round(pressure, -1), temperature)
        return self._through(fitted, pressure, max(throat, below), temperature)

    def _through(self, coefficient: float, pressure: float, into: float, temperature: float) -> float:
        density, _ = AMMONIA.liquid(pressure, temperature)
        area = math.pi * self.diameter**2 / 4.0
        return coefficient * area * math.sqrt(2.0 * density * max(pressure - into, 0.0))


AMMONIA = Ammonia()


def mixed(enthalpy: float, phases: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Specific volume and McAdams viscosity of boiling ammonia, of its phases at some pressures."""
    (h_l, v_l, mu_l), (h_v, v_v, mu_v) = phases
    x = np.clip((enthalpy - h_l) / (h_v - h_l), 0.0, 1.0)
    return x * v_v + (1.0 - x) * v_l, 1.0 / (x / mu_v + (1.0 - x) / mu_l)


def colebrook(reynolds: np.ndarray, roughness: float) -> np.ndarray:
    """Darcy friction factors: 64/Re below 2,040, else Colebrook's equation by Newton's steps (from Haaland's)."""
    number = np.maximum(reynolds, 2040.0)
    root = -1.8 * np.log10((roughness / 3.7) ** 1.11 + 6.9 / number)
    for _ in range(2):  # 4e-11 off at most
        inner = roughness / 3.7 + 2.51 * root / number
        root = root - (root + 2.0 * np.log10(inner)) / (1.0 + 2.0 / math.log(10.0) * 2.51 / number / inner)
    return np.where(reynolds < 2040.0, 64.0 / np.maximum(reynolds, 1e-9), 1.0 / root**2)


def line_drop(line: Line | None, flow: float, density: float, viscosity: float) -> float:
    """(f L/D + K) rho V^2 / 2."""
    if line is None or flow <= 0.0:
        return 0.0
    area = math.pi * line.bore**2 / 4.0
    velocity = flow / density / area
    factor = fluids.friction_factor(density * velocity * line.bore / viscosity, line.roughness / line.bore)
    return (factor * line.length / line.bore + line.fittings_k) * density * velocity**2 / 2.0


class ReferenceBar:
    """One bar, one liquid temperature [K], one coefficient and one flashing weight per section."""

    def __init__(
        self,
        bar: Bar,
        temperature: float,
        coefficient: tuple[float, ...],
        flash_weight: tuple[float, ...],
        back_pressure: float | None = None,
        sections: tuple[int, ...] | None = None,
        *,
        hose_error: float = 0.0,
        boiling_suction: bool = False,
        tubes: dict[str, Tube] | None = None,
    ) -> None:
        """`hose_error`: of the gauge pressure below; `boiling_suction`: in equilibrium; `tubes`: by kind of orifice.

        With it go the worse ends of pump, tank and valves: a nearly empty tank, slip by the root of the rise, the
        least displacement, the earliest shutting; without it the better ones. All of a bypass goes round in both.
        """
        self.tubes = tubes or {}
        self.bar, self.temperature = bar, temperature
        self.hose_error, self.boiling_suction = hose_error, boiling_suction
        self.coefficient, self.flash_weight, self.back_pressure = coefficient, flash_weight, back_pressure
        picked = range(len(bar.sections)) if sections is None else sections
        self.sections = [bar.sections[index] for index in picked]
        self.vapour, self.density, self.enthalpy, self.viscosity = AMMONIA.saturated(temperature)
        self._warm_up(temperature)

    def _warm_up(self, temperature: float) -> None:
        """Take a temperature for the liquid behind the pump."""
        self._warm = temperature
        self._warm_vapour, self._warm_density, self._warm_enthalpy, self._warm_viscosity = AMMONIA.saturated(
            temperature
        )
        self._hose_profile = profile = self._make_hose_profile()
        if profile is not None:
            self._hose_work = cumulative_trapezoid(profile[:, 1], profile[:, 0], initial=0.0)

    # below the orifice ---------------------------------------------------------------------------------------------

    def _make_hose_profile(self) -> np.ndarray | None:
        """Pressure, volume, viscosity from the open end up to the vapour pressure, even steps of pressure."""
        air = self.bar.air_pressure
        if self.bar.row_hose.line is None or self._warm_vapour <= air:
            return None
        # Steps of the tank's vapour pressure, so that the same ones serve (from the cache) whatever the pump adds.
        step = (self.vapour - air) / _HOSE_STEPS if self.vapour > air else self._warm_vapour - air
        pressures, both = AMMONIA.phases_from(air, step, math.ceil((self._warm_vapour - air) / step))
        end = self._warm_vapour, 1.0 / self._warm_density, self._warm_viscosity
        return np.vstack([np.column_stack([pressures, *mixed(self._warm_enthalpy, both)]), end])

    def below(self, row_flow: float) -> float:
        """Pressure just below the orifice."""
        if self.back_pressure is not None:
            return self.back_pressure
        hose, air = self.bar.row_hose, self.bar.air_pressure
        if hose.line is None or row_flow <= 0.0:
            return air
        return air + (1.0 + self.hose_error) * (self._hose_inlet(hose.line, row_flow) - air)

    def _hose_inlet(self, line: Line, row_flow: float) -> float:
        """Pressure that drives a flow through the boiling hose."""
        if self._hose_profile is None:
            return self.bar.air_pressure + line_drop(line, row_flow, self._warm_density, self._warm_viscosity)
        flux = row_flow / (math.pi * line.bore**2 / 4.0)
        pressure, volume, viscosity = self._hose_profile.T
        end = self._ahead_of_knife(row_flow)
        if end >= self._warm_vapour:
            return end + line_drop(line, row_flow, self._warm_density, self._warm_viscosity)
        if end > pressure[0]:
            at_end = [end, np.interp(end, pressure, volume), np.interp(end, pressure, viscosity)]
            kept = pressure > end
            pressure, volume, viscosity = np.vstack([at_end, self._hose_profile[kept]]).T
        # Momentum, friction and acceleration: dp + G^2 dv = -f G^2 v dL / (2 D), with dv from the flash.
        # Where it is negative the flow is choked: the end pressure cannot be this low.
        driving = np.maximum(pressure[1:] - pressure[:-1] + flux**2 * (volume[1:] - volume[:-1]), 0.0)
        reynolds = flux * line.bore / (0.5 * (viscosity[1:] + viscosity[:-1]))
        factor = colebrook(reynolds, line.roughness / line.bore)
        stretch = driving * 2.0 * line.bore / (factor * flux**2 * 0.5 * (volume[1:] + volume[:-1]))
        walked = np.concatenate([[0.0], np.cumsum(stretch)])
        if walked[-1] >= line.length:
            return float(np.interp(line.length, walked, pressure))
        full = Line(line.length - walked[-1], line.bore, 0.0, line.roughness)
        return self._warm_vapour + line_drop(full, row_flow, self._warm_density, self._warm_viscosity)

    def _ahead_of_knife(self, row_flow: float) -> float:
        """Pressure from which the knife's hole passes a flow: C A w(p) / v(p) at its greatest.

        w from the work of expansion, scipy's trapezoids over CoolProp's isenthalpic flash.
        """
        hole, profile = self.bar.row_hose.outlet, self._hose_profile
        if hole is None or profile is None:
            return self.bar.air_pressure
        pressure, volume, work = profile[:, 0], profile[:, 1], self._hose_work
        area = self.bar.row_hose.outlet_coefficient * math.pi * hole**2 / 4.0

        def short(ahead: float) -> float:
            full = float(np.interp(ahead, pressure, work)) + max(ahead - pressure[-1], 0.0) / self._warm_density
            return row_flow - area * math.sqrt(2.0 * max(float(((full - work) / volume**2).max()), 0.0))

        return float(brentq(short, pressure[0], 1e8, xtol=1.0))

    # one section ---------------------------------------------------------------------------------------------------

    def row_flow(self, section: int, manifold: float, below: float) -> float:
        """Cd A sqrt(2 rho (P0 - Pe)), Pe = Pb + b (Ps - Pb)."""
        tube = self.tubes.get(self.sections[section].orifice)
        if tube is not None:
            return tube.flow(manifold, below, self._warm) if manifold > below else 0.0
        diameter = self.bar.orifices[self.sections[section].orifice].diameter
        effective = below + self.flash_weight[section] * max(self._warm_vapour - below, 0.0)
        if manifold <= effective:
            return 0.0
        density, _ = AMMONIA.liquid(manifold, self._warm)
        area = math.pi * diameter**2 / 4.0
        return self.coefficient[section] * area * math.sqrt(2.0 * density * (manifold - effective))

    def manifold(self, section: Section, node: float, flow: float) -> float:
        density, viscosity = AMMONIA.liquid(node, self._warm)
        return node - line_drop(section.feed, flow, density, viscosity)

    def section_flow(self, index: int, node: float) -> float:
        section = self.sections[index]

        def surplus(flow: float) -> float:
            through = self.row_flow(index, self.manifold(section, node, flow), self.below(flow / section.rows))
            return section.rows * through - flow

        most = section.rows * self.row_flow(index, node, self.below(0.0))
        if most <= 0.0:
            return 0.0
        if surplus(most) >= 0.0:  # no loss at all
            return most
        return float(brentq(surplus, 0.0, most, xtol=1e-9, rtol=1e-9))

    # the whole bar -------------------------------------------------------------------------------------------------

    def suction_drop(self, flow: float) -> float:
        suction = self.bar.suction
        if suction is None:
            return 0.0
        return self._friction(flow) - self._head() * _GRAVITY * self.density

    def _head(self) -> float:
        """Metres of liquid above the pump inlet."""
        suction = self.bar.suction
        if suction is None:
            return 0.0
        lower = suction.head if suction.greatest_head is None else min(suction.head, suction.greatest_head)
        upper = suction.head if suction.greatest_head is None else max(suction.head, suction.greatest_head)
        return lower if self.boiling_suction else upper

    def tank_flows(self, flow: float) -> list[float]:
        """Through each tank's hose: by bisection on the loss that all of them share."""
        hoses = [] if self.bar.suction is None else list(self.bar.suction.tank_hoses)
        if len(hoses) < 2 or flow <= 0.0:
            return [flow for _ in hoses]

        def passing(hose: Line, loss: float) -> float:
            return float(
                brentq(lambda m: line_drop(hose, m, self.density, self.viscosity) - loss, 0.0, 10.0 * flow, xtol=1e-12)
            )

        worst = max(line_drop(hose, flow, self.density, self.viscosity) for hose in hoses)
        least = min(line_drop(hose, flow, self.density, self.viscosity) for hose in hoses)
        loss = brentq(lambda dp: sum(passing(hose, dp) for hose in hoses) - flow, 1e-9 * worst, least, xtol=1e-6)
        return [passing(hose, float(loss)) for hose in hoses]

    def _friction(self, flow: float) -> float:
        suction = self.bar.suction
        if suction is None:
            return 0.0
        lost = line_drop(suction.line, flow, self.density, self.viscosity)
        for hose, through in list(zip(suction.tank_hoses, self.tank_flows(flow), strict=True))[:1]:
            lost += line_drop(hose, through, self.density, self.viscosity)
        return lost

    def _narrowest(self, flow: float) -> float:
        """Greatest mass flux on the way to the pump."""
        suction = self.bar.suction
        if suction is None:
            return 0.0
        lines = [] if suction.line is None else [(suction.line, flow)]
        lines += list(zip(suction.tank_hoses, self.tank_flows(flow), strict=True))
        return max((through / (math.pi * line.bore**2 / 4.0) for line, through in lines), default=0.0)

    def before_valve(self, node: float, flow: float) -> float:
        """Inlet pressure at which `fluids` asks for just the Cv that is there."""
        valve = self.bar.control_valve
        if valve is None or flow <= 0.0:
            return node
        fitted = fluids.control_valve.Cv_to_Kv(valve.cv)

        def short(inlet: float) -> float:
            needed = fluids.control_valve.size_control_valve_l(
                rho=self.density,
                Psat=self.vapour,
                Pc=AMMONIA.critical_pressure,
                mu=self.viscosity,
                P1=inlet,
                P2=node,
                Q=flow / self.density,
                FL=valve.recovery_factor,
            )
            return float(needed) - fitted

        ratio = fluids.control_valve.FF_critical_pressure_ratio_l(self.vapour, AMMONIA.critical_pressure)
        lowest = max(node, ratio * self.vapour) * (1.0 + 1e-9) + 1e-3
        if short(lowest) <= 0.0:  # next to no flow: the loss is less than the step off the outlet
            return lowest
        return float(brentq(short, lowest, node + 5e7, xtol=1e-3, rtol=1e-12))

    def point(self, node: float) -> Point:
        if self.bar.bypass is not None or self.bar.pump.slip:
            self._warm_up(self.temperature)  # of two answers the cooler one, in which something flows
        for turn in range(80):
            found = self._point(node)
            # Flow and warmth depend on each other, weakly. The next point starts from the warmth of this one.
            if abs(found.orifice_temperature - self._warm) < _AGREED:
                return found
            # Where heat comes round the two may swing about their balance.
            self._warm_up(found.orifice_temperature if turn < 20 else 0.5 * (found.orifice_temperature + self._warm))
        # Next to no flow the warmth creeps towards its balance, and no limit lies there.
        return found if abs(found.orifice_temperature - self._warm) < 1e-3 else self._balanced(node)

    def _balanced(self, node: float) -> Point:
        """The cooler balance of flow and warmth, bracketed: where turning them swings, or runs away from it."""

        def colder(kelvin: float) -> float:
            self._warm_up(kelvin)
            return self._point(node).orifice_temperature - kelvin

        steps = np.linspace(self.temperature, _HOTTEST, 60).tolist()
        for low, high in itertools.pairwise(steps):
            if colder(high) <= 0.0:
                # Where the flow stops at once there is none between; the cooler side of it is what flows.
                self._warm_up(float(brentq(colder, low, high, xtol=1e-7)) if colder(low) > 0.0 else low)
                return self._point(node)
        self._warm_up(_HOTTEST)
        return self._point(node)

    def _point(self, node: float) -> Point:
        flows = tuple(self.section_flow(index, node) for index in range(len(self.sections)))
        manifolds = tuple(
            self.manifold(section, node, flow) for section, flow in zip(self.sections, flows, strict=True)
        )
        total, least = sum(flows), min(manifolds)
        meter = self.bar.meter
        outlet = self.before_valve(node, total) + meter.loss_at_max_flow * (total / self.density / meter.max_flow) ** 2
        inlet = self.inlet(total)
        # First law from tank to manifold: the enthalpy grows by the shaft's work, v dp / efficiency.
        work = self._work(outlet - inlet, total)
        warm = min(AMMONIA.warmed(self.temperature, work, least), _HOTTEST)
        return Point(node, flows, manifolds, total, outlet, inlet, least - AMMONIA.saturated(warm)[0], warm)

    def _work(self, rise: float, flow: float) -> float:
        """Shaft's work for each kilogram that goes to the bar [J/kg]; all that slips or goes round costs it again."""
        pump, bypass = self.bar.pump, self.bar.bypass
        taken = max(flow / self.density, 1e-4 * pump.max_flow)
        through = taken
        if bypass is not None and bypass.pump_flow > taken:
            through, rise = bypass.pump_flow, max(rise, bypass.opens_at)
        through += self.leaking(rise)
        return max(rise, 0.0) * through / (pump.efficiency * self.density * taken)

    def leaking(self, rise: float) -> float:
        """Volume that slips back [m3/s]."""
        pump = self.bar.pump
        part = max(rise, 0.0) / pump.max_rise
        power = part**0.5 if (part < 1.0) == self.boiling_suction else part
        return pump.slip * pump.max_flow * power

    def _nameplate(self) -> float:
        pump = self.bar.pump
        return pump.max_flow * (1.0 - pump.flow_tolerance if self.boiling_suction else 1.0 + pump.flow_tolerance)

    def relief_flow(self) -> float:
        """Flow below which a relief holds the outlet above the rated pressure, at rest; none where it does not."""
        bypass, limits = self.bar.bypass, self.bar.limits
        if bypass is None:
            return 0.0
        head = (
            0.0
            if self.bar.suction is None
            else self.bar.suction.full_head
            if self.boiling_suction
            else self._low_head()
        )
        outlet = self.vapour + max(head, 0.0) * _GRAVITY * 600.0 + bypass.opens_at
        return bypass.pump_flow * self.density if outlet > limits.max_pressure else 0.0

    def _low_head(self) -> float:
        return 0.0 if self.bar.suction is None else self.bar.suction.head

    def pump_flow_limit(self, share: float = 1.0) -> float:
        """Flow of the pump at a share of full drive, less what slips at that flow's own rise."""
        most = self._nameplate() * share
        if not self.bar.pump.slip:
            return most * self.density
        if self.point(6e6).flow / self.density + self.leaking(self.point(6e6).rise) < most:
            return math.inf  # rows that pass less than the pump moves at any pressure
        return self._node_where(lambda at: at.flow / self.density + self.leaking(at.rise) - most, 6e6).flow

    def shutting_limit(self) -> float:
        """Flow at which the first valve or coupling shuts."""
        side = -1.0 if self.boiling_suction else 1.0
        ends = [math.inf]
        if self.bar.breakaway is not None:
            ends.append(self.density * self.bar.breakaway.closing_flow * (1.0 + side * self.bar.breakaway.tolerance))
        if self.bar.excess_flow is not None:
            one = self.density * self.bar.excess_flow.closing_flow * (1.0 + side * self.bar.excess_flow.tolerance)
            tanks = 0 if self.bar.suction is None else len(self.bar.suction.tank_hoses)
            if tanks < 2:
                ends.append(one)
            else:
                ends.append(float(brentq(lambda flow: max(self.tank_flows(flow)) - one, 0.5 * one, tanks * one + 1e-9)))
        return min(ends)

    def _node_where(self, excess: Callable[[Point], float], highest: float) -> Point:
        # From just above the vapour pressure: below it a section with weight 1 passes nothing and nothing is asked.
        lowest = max(self.vapour, self.bar.air_pressure) * (1.0 + 1e-6)
        if excess(self.point(lowest)) > 0.0:
            lowest = self.bar.air_pressure
            if excess(self.point(lowest)) > 0.0:
                return self.point(lowest)
        return self.point(brentq(lambda node: excess(self.point(node)), lowest, highest, xtol=0.05, rtol=1e-8))

    def at_flow(self, flow: float, highest: float = 8e6) -> Point:
        lowest = self.bar.air_pressure
        return self.point(brentq(lambda node: self.point(node).flow - flow, lowest, highest, xtol=0.05, rtol=1e-8))

    # limits --------------------------------------------------------------------------------------------------------

    def margin_flow(self) -> float:
        """Flow at which the least liquid margin is just the wanted one."""
        return self._margin_flow

    @functools.cached_property
    def _margin_flow(self) -> float:
        if self.bar.bypass is not None or self.bar.pump.slip:
            return self._margin_flow_by_flow()
        return self._node_where(lambda at: at.margin - self.bar.limits.liquid_margin, 6e6).flow

    def _margin_flow_by_flow(self) -> float:
        """The same where heat comes round: a flow has one margin, but a pressure may have two flows."""
        self._warm_up(self.temperature)

        def total(node: float) -> float:
            return sum(self.section_flow(index, node) for index in range(len(self.sections)))

        top = total(4e6)
        # Where the last flow was solved: the next one lies near it.
        warm, node = self.temperature, 0.0

        def missing(flow: float) -> float:
            nonlocal warm, node
            before: tuple[float, float] | None = None
            for _ in range(200):
                self._warm_up(warm)
                low, high = max(node - 2e4, self.bar.air_pressure), node + 2e4
                if not total(low) < flow < total(high):
                    low, high = self.bar.air_pressure, 2e7
                node = float(brentq(lambda at: total(at) - flow, low, high, xtol=0.05, rtol=1e-10))
                try:
                    found = self._point(node)
                except ValueError:  # hotter than ammonia can be liquid
                    warm = self.temperature
                    return -1e6
                off = found.orifice_temperature - warm
                if abs(off) < 1e-4:  # 2 Pa of margin
                    break
                # A secant where the last turn came nearer, as warmth may creep to its balance.
                last, before = before, (warm, off)
                turned = last is not None and abs(off) < 0.95 * abs(last[1])
                step = off * (last[0] - warm) / (off - last[1]) if turned else off
                warm = min(max(warm + step, self.temperature - 50.0), 380.0)
            return found.margin - self.bar.limits.liquid_margin

        flows = np.geomspace(top * 1e-2, top, 12)
        # From above: the last flow that falls short of the margin.
        for low, high in zip(flows[-2::-1], flows[:0:-1], strict=True):
            if missing(float(low)) < 0.0:
                return float(brentq(missing, low, high, xtol=1e-7))
        return float(flows[0])

    def rated_flow(self) -> float:
        """Flow at which the pump outlet is at the rated pressure."""
        return self._node_where(lambda at: at.outlet - self.bar.limits.max_pressure, 6e6).flow

    def rise_flow(self) -> float:
        """Flow at which the pump adds all it can."""
        return self._node_where(lambda at: at.rise - self.bar.pump.max_rise, 6e6).flow

    def volume_flows(self) -> dict[str, float]:
        """Limits that are volumes of tank liquid."""
        meter, pump = self.bar.meter, self.bar.pump
        return {
            "meter minimum": meter.min_flow * self.density,
            "meter maximum": meter.max_flow * self.density,
            "pump minimum": pump.min_flow * self.density,
            "pump flow": self.pump_flow_limit(),
            "pump drive": self.pump_flow_limit(pump.drive_share) if pump.drive_share < 1.0 else math.inf,
            "excess flow": self.shutting_limit(),
        }

    def inlet(self, flow: float) -> float:
        """Pressure at the pump inlet, the suction full of liquid or boiling in equilibrium."""
        if self.boiling_suction and self.suction_drop(flow) > 0.0:
            squared, ends = self._suction_ends
            return float(np.interp(flow**2, squared, ends))
        return self.vapour - self.suction_drop(flow)

    @functools.cached_property
    def _suction_ends(self) -> tuple[np.ndarray, np.ndarray]:
        """Squared flows and the boiling inlet at them: the same for every bar behind one suction at one temperature."""
        one = self.bar.suction, self.bar.pump.max_flow, self.temperature, self.boiling_suction
        if one not in _SUCTIONS:
            # Even in the drive, as the loss goes with the squared flow.
            flows = np.sqrt(np.linspace(0.0, 1.0, 120)) * 1.2 * self.bar.pump.max_flow * self.density
            _SUCTIONS[one] = flows**2, np.array([self._boiling_inlet(float(flow)) for flow in flows])
        return _SUCTIONS[one]

    @functools.cached_property
    def _flash(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pressures below the vapour pressure, rising, volumes after an isenthalpic flash to them, and their slopes."""
        # Evenly in the root of the fall below the vapour pressure, where the volume bends most.
        pressures = self.vapour * np.sort(1.0 - np.linspace(0.0, 0.95, 400) ** 2)
        boiling = [AMMONIA.flashed_volume(self.enthalpy, float(pressure)) for pressure in pressures[:-1]]
        volumes = np.array([*boiling, 1.0 / self.density])
        return pressures, volumes, np.gradient(volumes, pressures)

    def _boiling_inlet(self, flow: float) -> float:
        """Pump inlet with the suction boiling in equilibrium; a twentieth of the vapour pressure where it chokes.

        Friction and head are spread evenly along the line; liquid and vapour run at one speed, so both go with the
        volume, marched down the line with CoolProp's isenthalpic flash (scipy's solve_ivp).
        """
        suction = self.bar.suction
        if suction is None:
            return self.vapour
        flux = self._narrowest(flow)
        gain = self._head() * _GRAVITY * self.density
        pressures, volumes, slopes = self._flash
        loss = self._friction(flow)
        if loss <= gain:
            return self.vapour + gain - loss

        def fall(_: float, pressure: np.ndarray) -> list[float]:
            swollen = float(np.interp(pressure[0], pressures, volumes)) * self.density
            bend = 1.0 + flux**2 * float(np.interp(pressure[0], pressures, slopes))
            return [-(loss * swollen - gain / swollen) / bend]

        def chokes(_: float, pressure: np.ndarray) -> float:
            return 1.0 + flux**2 * float(np.interp(pressure[0], pressures, slopes)) - 1e-3

        chokes.terminal = True  # type: ignore[attr-defined]
        if chokes(0.0, np.array([self.vapour])) <= 0.0:
            return float(pressures[0])
        end = solve_ivp(fall, (0.0, 1.0), [self.vapour], events=chokes, rtol=1e-6, atol=1.0)
        return max(float(end.y[0, -1]), float(pressures[0])) if end.t[-1] >= 1.0 else float(pressures[0])

    def _slipping(self, flow: float) -> float:
        return self.leaking(self.at_flow(flow).rise) if self.bar.pump.slip else 0.0

    def suction_flow(self) -> float:
        """Greatest flow the pump moves while the suction boils in equilibrium; infinite where it stays liquid."""
        pump = self.bar.pump
        displaced = self._nameplate() * pump.drive_share
        most = displaced * self.density
        if self.bar.suction is None:
            return math.inf
        pressures, volumes, _ = self._flash

        def short(flow: float) -> float:
            inlet = self._boiling_inlet(flow)
            if inlet <= pressures[0]:
                return -flow
            if inlet >= self.vapour:
                return displaced * self.density - self._slipping(flow) * self.density - flow
            return displaced / float(np.interp(inlet, pressures, volumes)) - self._slipping(flow) * self.density - flow

        if pump.slip:
            # Rows that pass less than the pump moves at any pressure end the search themselves.
            most = min(self.pump_flow_limit(pump.drive_share), self.point(6e6).flow)
        if short(most) >= -1e-6 * most:
            return math.inf
        return float(brentq(short, 1e-6, most, xtol=1e-6))
