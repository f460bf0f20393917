"""What the pump moves beside the bar's flow: slip, what goes round by a bypass or relief, and the heat of both.

Every figure has a worse end and a better one, picked per case: the displacement at either end of its tolerance,
slip that grows with the root of the rise (turbulent, worse) or with the rise itself (laminar), and a bypass whose inlet
stays liquid (the most goes round) or boils in equilibrium (the least).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, Floats
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, Saturation, saturation

__all__ = ["displacement", "least_round", "moved_share", "relief_minimum", "shutting_flow", "slip_flow"]

# No pump moves this many times what the bar takes; keeps the heat of next to no flow a number.
_MOST_ROUND: Final = 1e4


def displacement(bar: Bar, worse: bool | BoolArray, *, driven: bool) -> FloatArray:
    """Volume the pump displaces [m3/s], at full drive or as the tractor drives it.

    Parameters
    ----------
    bar : Bar
        Its pump.
    worse : bool or ndarray of bool
        Which end of the tolerance.
    driven : bool
        Whether the drive's share counts.
    """
    pump = bar.pump
    share = pump.drive_share if driven else 1.0
    return np.asarray(pump.max_flow * share * (1.0 + np.where(worse, -1.0, 1.0) * pump.flow_tolerance))


def slip_flow(bar: Bar, rise: Floats, worse: bool | BoolArray) -> FloatArray:
    """Volume that leaks back inside the pump [m3/s]: the stated share at the greatest rise.

    Parameters
    ----------
    bar : Bar
        Its pump.
    rise : array_like
        Pressure the pump adds [Pa].
    worse : bool or ndarray of bool
        Where it grows with the root of the rise, as through a gap in turbulent flow; with the rise itself elsewhere.
    """
    pump = bar.pump
    share = np.maximum(np.asarray(rise, dtype=np.float64), 0.0) / pump.max_rise
    root = np.sqrt(share)
    return np.asarray(pump.slip * pump.max_flow * np.where(worse, np.maximum(root, share), np.minimum(root, share)))


def least_round(bar: Bar, net: FloatArray, heat: FloatArray, liquid: Saturation, suction: SuctionSide) -> FloatArray:
    """Least volume the pump moves [m3/s] with its inlet boiling in equilibrium as far as it can.

    The more boils the less goes round and the less heat comes back, so boiling at the full heat leaves the least.

    Parameters
    ----------
    bar : Bar
        With a bypass.
    net : ndarray
        What the bar takes [m3/s].
    heat : ndarray
        Taken up by each kilogram the bar takes while all of the bypass goes round [J/kg].
    liquid : Saturation
        In the tank.
    suction : SuctionSide
        Of the bar.
    """
    if bar.bypass is None:
        return net
    moved = np.maximum(net, bar.bypass.pump_flow)
    warmer = heat * (1.0 - net / moved) / liquid.liquid_heat_capacity
    vapour = saturation(np.minimum(liquid.temperature + warmer, HIGHEST_TEMPERATURE)).pressure
    inlet = np.maximum(suction.boiling_inlet(net * liquid.liquid_density), 0.02 * liquid.pressure)
    swollen = 1.0 + liquid.omega * np.maximum(vapour / inlet - 1.0, 0.0)
    return np.asarray(np.maximum(net, moved / swollen))


def moved_share(
    bar: Bar,
    flow: FloatArray,
    rise: FloatArray,
    liquid: Saturation,
    worse: BoolArray,
    hottest: tuple[Bar, SuctionSide],
) -> tuple[FloatArray, FloatArray]:
    """Rise the pump works against [Pa], and what it moves over what the bar takes [-].

    Parameters
    ----------
    bar : Bar
        The equipment.
    flow : ndarray
        Of the bar [kg/s].
    rise : ndarray
        That the bar needs [Pa].
    liquid : Saturation
        In the tank.
    worse : ndarray of bool
        Cases at the worse end.
    hottest : tuple of Bar and SuctionSide
        The bar at the worse end of what is known of it as a range: the hotter what goes round, and the lower the
        suction's pressure, the less of it goes round at the better end.
    """
    if bar.bypass is None and not bar.pump.slip:
        return rise, np.ones_like(rise)
    net = np.maximum(flow / liquid.liquid_density, bar.pump.max_flow / _MOST_ROUND)
    moved, against = net, rise
    if bar.bypass is not None:
        moved = np.maximum(net, bar.bypass.pump_flow)
        against = np.where(moved > net, np.maximum(rise, bar.bypass.opens_at), rise)
        if not np.all(worse):
            hot, suction = hottest
            assert hot.bypass is not None
            most = np.maximum(net, hot.bypass.pump_flow)
            pushed = np.where(most > net, np.maximum(rise, hot.bypass.opens_at), rise)
            heat = np.maximum(pushed, 0.0) / liquid.liquid_density / hot.pump.efficiency * most / net
            moved = np.where(worse, moved, least_round(bar, net, heat, liquid, suction))
    return against, np.asarray((moved + slip_flow(bar, against, worse)) / net)


def shutting_flow(bar: Bar, suction: SuctionSide, density: FloatArray, *, worse: bool) -> FloatArray:
    """Flow of the bar [kg/s] at which an excess-flow valve or breakaway coupling shuts; infinite without one.

    Each tank that is drawn has an excess-flow valve of its own, and the first to shut counts; a breakaway coupling
    passes all.

    Parameters
    ----------
    bar : Bar
        The equipment.
    suction : SuctionSide
        Of the bar: how tanks share the flow.
    density : ndarray
        Of the liquid in the tank [kg/m3].
    worse : bool
        Which end of the tolerance.
    """
    most = np.full(np.shape(density), np.inf)
    side = -1.0 if worse else 1.0
    if bar.breakaway is not None:
        most = density * bar.breakaway.closing_flow * (1.0 + side * bar.breakaway.tolerance)
    if bar.excess_flow is not None:
        one = density * bar.excess_flow.closing_flow * (1.0 + side * bar.excess_flow.tolerance)
        whole = one
        # The hose with the least loss carries most; its share hardly changes with the flow.
        for _ in range(6 if bar.suction is not None and bar.suction.tank_hoses else 0):
            whole = one / suction.greatest_share(whole, worse=worse)
        most = np.minimum(most, whole)
    return np.asarray(most)


def relief_minimum(bar: Bar, tank_pressure: FloatArray, *, worse: bool) -> FloatArray:
    """Volume the bar has to take [m3/s] so that nothing goes round at an outlet above the rated pressure.

    Parameters
    ----------
    bar : Bar
        The equipment.
    tank_pressure : ndarray
        Absolute [Pa].
    worse : bool
        Whether the head of a full tank comes on top.
    """
    if bar.bypass is None:
        return np.zeros_like(tank_pressure)
    head = bar.suction.full_head if worse and bar.suction else bar.suction.head if bar.suction else 0.0
    outlet = tank_pressure + bar.bypass.opens_at + max(head, 0.0) * 9.80665 * 600.0
    return np.where(outlet > bar.limits.max_pressure, bar.bypass.pump_flow, 0.0)
