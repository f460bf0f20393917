"""What a bar's logs leave possible of one kind of orifice, with all that does not average out carried along.

With the flow m of one row, its squared flow y = (m / A)^2 / (2 rho) is Cd^2 (P - Pe): straight over the pressure, its
slope free of the transmitter's zero. What is fitted is ln m, by cells of neighbouring passes. The errors of a pass go
together (a block each), blocks err by Student's t, and eight things are unknown at once: coefficient, weight, its rise
with the margin and its warming, transmitter zero, thermometer, pressure below the orifices, meter factor. Bayes with
stated priors, by importance sampling about the best fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from geoflow.bar.equipment import Bar, Orifice
from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.units import PSI
from geoflow.hydraulics.learned_ways import margin_doublings
from geoflow.hydraulics.row_hose import back_pressure
from geoflow.physics.ammonia import saturation

__all__ = ["COLUMNS", "Facts", "Posterior", "Problem", "fit"]

COLUMNS: Final = ("coefficient", "weight", "rise", "warming", "zero", "thermometer", "below", "meter")
"""Logarithm of the coefficient [-], weight [-], its rise [-] and warming [1/K], what the transmitter [Pa] and the
thermometer [K] read too much, pressure below over the row hose's [Pa], logarithm of the meter factor [-]."""

_NU: Final = 4.0
# Standard deviations of what is known beforehand. Zero +-2 psi, thermometer +-1 degF, meter without a ticket +-6 %:
# common practice, no source. The coefficient of a worn or unlike orifice may be 20 % off the file's.
_PRIOR: Final = {
    "coefficient": 0.10,
    "weight": 0.5,
    "rise": 0.03,
    "warming": 0.0015,
    "zero": 1.2 * PSI,
    "thermometer": 0.35,
    "below": 1.0 * PSI,
    "meter": 0.03,
}
_RISE: Final = 0.045
_MOST_RISE: Final = 0.09
_STANDING_ERROR: Final = 0.3 * PSI
_TICKET_ERROR: Final = 0.005
_LEAST_BLOCK: Final = 0.002
_BY_CELL: Final = ("flow", "pressure", "temperature", "error", "block", "log", "moments", "by_hand")
_DRAWS: Final = 6000
_KEPT: Final = 4000
_ROUNDS: Final = 4


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything the logs say of one kind of orifice, oldest first.

    Attributes
    ----------
    flow, pressure, temperature, error : ndarray, shape (n,)
        As in `steady_cells.Cells`.
    block, log : ndarray of int, shape (n,)
        Neighbouring passes, numbered through all logs, and the log each cell is from.
    moments : ndarray of int, shape (n,)
        In each cell.
    by_hand : ndarray of bool, shape (n,)
        Measured on one row with instruments of its own, so the bar's errors don't touch it.
    standing : tuple of (float, float)
        Readings over the vapour pressure while standing shut [Pa], and temperatures then [K].
    tickets : tuple of float
        Weights on the tickets over the weights metered [-].
    """

    flow: FloatArray
    pressure: FloatArray
    temperature: FloatArray
    error: FloatArray
    block: IntArray
    log: IntArray
    moments: IntArray
    by_hand: BoolArray
    standing: tuple[tuple[float, float], ...] = ()
    tickets: tuple[float, ...] = ()

    def some(self, kept: BoolArray) -> Facts:
        """Return what some of the cells say; zero and meter factor stay known.

        Parameters
        ----------
        kept : ndarray of bool, shape (n,)
            Which.
        """
        columns: dict[str, Any] = {name: getattr(self, name)[kept] for name in _BY_CELL}
        return replace(self, **columns)

    def with_points(self, bar: Bar, orifice: Orifice) -> Facts:
        """Return these facts and the orifice's measured points.

        Parameters
        ----------
        bar : Bar
            For what lies below it.
        orifice : Orifice
            With its points; their tolerances are taken as two standard deviations.
        """
        points = orifice.measured
        if not points:
            return self
        flow, pressure, kelvin, off, gauge, thermometer = np.array(
            [
                (
                    one.flow,
                    one.pressure,
                    one.temperature,
                    one.flow_tolerance,
                    one.pressure_tolerance,
                    one.temperature_tolerance,
                )
                for one in points
            ]
        ).T
        state = saturation(kelvin)
        below, _ = back_pressure(bar, flow, state)
        drive = np.maximum(pressure - 0.5 * (state.pressure + below), PSI)
        slope = saturation(kelvin + 0.5).pressure - saturation(kelvin - 0.5).pressure
        error = 0.5 * np.sqrt(
            np.square(off) + np.square(0.5 * gauge / drive) + np.square(0.25 * slope * thermometer / drive)
        )
        more = {
            "flow": flow,
            "pressure": pressure,
            "temperature": kelvin,
            "error": np.maximum(error, _LEAST_BLOCK),
            "block": -1 - np.arange(len(points)),
            "log": np.full(len(points), -1),
            "moments": np.ones(len(points), dtype=np.int64),
            "by_hand": np.ones(len(points), dtype=np.bool_),
        }
        columns: dict[str, Any] = {name: np.concatenate([more[name], getattr(self, name)]) for name in _BY_CELL}
        return replace(self, **columns)


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is left possible.

    Attributes
    ----------
    draws : ndarray, shape (n, 8)
        Equally likely ways, in `COLUMNS`.
    likely : ndarray, shape (8,)
        Their mean.
    margin, temperature : float
        Reference of the weight [Pa], [K].
    residual : ndarray, shape (cells,)
        Logarithm of the flow over the likely one's.
    block_error : float
        By which blocks differ beyond the wavering within them [-].
    """

    draws: FloatArray
    likely: FloatArray
    margin: float
    temperature: float
    residual: FloatArray
    block_error: float

    def named(self, name: str) -> FloatArray:
        """Return the draws of one column, shape (n,).

        Parameters
        ----------
        name : str
            Of `COLUMNS`.
        """
        return self.draws[:, COLUMNS.index(name)]


class Problem:
    """One kind of orifice and its facts, ready to be asked how well some ways fit.

    Parameters
    ----------
    bar : Bar
        For what lies below the orifices.
    orifice : Orifice
        Its diameter, and its coefficient as the middle of what is known beforehand.
    facts : Facts
        With one cell at least.
    """

    def __init__(self, bar: Bar, orifice: Orifice, facts: Facts) -> None:
        self.facts = facts
        self._state = saturation(facts.temperature)
        self._slope = saturation(facts.temperature + 0.5).pressure - saturation(facts.temperature - 0.5).pressure
        self._below, spread = back_pressure(bar, facts.flow, self._state)
        area = 0.25 * np.pi * orifice.diameter**2
        self._logged = np.log(facts.flow / (area * np.sqrt(2.0 * self._state.liquid_density)))
        margins = facts.pressure - self._state.pressure
        self.margin = float(np.exp(np.average(np.log(np.maximum(margins, PSI)), weights=facts.moments)))
        self.temperature = float(np.average(facts.temperature, weights=facts.moments))
        self.middle = np.array([np.log(orifice.discharge_coefficient), 0.5, _RISE, 0.0, 0.0, 0.0, 0.0, 0.0])
        self.spread = np.array([_PRIOR[name] for name in COLUMNS])
        self.spread[COLUMNS.index("below")] = np.hypot(_PRIOR["below"], 0.6 * float(np.mean(spread)))
        self._pairs = [self._measured(*one) for one in facts.standing] + [
            (np.eye(len(COLUMNS))[-1], float(np.log(ticket)), _TICKET_ERROR) for ticket in facts.tickets
        ]
        # In the order they come, which is that of time.
        self._block = np.cumsum(np.diff(facts.block, prepend=facts.block[0]) != 0)
        self._starts = np.flatnonzero(np.diff(self._block, prepend=-1))

    @staticmethod
    def _measured(over: float, kelvin: float) -> tuple[FloatArray, float, float]:
        slope = float(saturation(kelvin + 0.5).pressure - saturation(kelvin - 0.5).pressure)
        row = np.zeros(len(COLUMNS))
        row[COLUMNS.index("zero")], row[COLUMNS.index("thermometer")] = 1.0, -slope
        return row, over, _STANDING_ERROR

    @property
    def known(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Rows, values and errors of what is known linearly: the priors, standing readings and tickets."""
        rows = np.vstack([np.eye(len(COLUMNS)), *(row for row, _, _ in self._pairs)])
        values = np.concatenate([self.middle, [value for _, value, _ in self._pairs]])
        errors = np.concatenate([self.spread, [error for _, _, error in self._pairs]])
        return rows, values, errors

    def residual(self, ways: FloatArray) -> FloatArray:
        """Logarithm of the metered flow over what ways of shape (k, 8) have it, shape (k, n).

        Parameters
        ----------
        ways : ndarray, shape (k, 8)
            The bar as it may be, in the columns of `COLUMNS`.
        """
        log_c, weight, rise, warming, zero, thermometer, below, meter = (
            ways[:, at, None] for at in range(len(COLUMNS))
        )
        zero, thermometer, meter = (off * ~self.facts.by_hand for off in (zero, thermometer, meter))
        pressure = self.facts.pressure - zero
        vapour = self._state.pressure - thermometer * self._slope
        under = self._below + below
        weight = weight + rise * margin_doublings(pressure - vapour, self.margin)
        weight = weight + warming * (self.facts.temperature - thermometer - self.temperature)
        effective = under + np.clip(weight, 0.0, 1.0) * np.maximum(vapour - under, 0.0)
        return np.asarray(self._logged + meter - log_c - 0.5 * np.log(np.maximum(pressure - effective, 0.1 * PSI)))

    def slopes(self, way: FloatArray) -> FloatArray:
        """How the residual goes with each column about one way, shape (n, 8).

        Parameters
        ----------
        way : ndarray, shape (8,)
            The bar as it may be.
        """
        step = 1e-3 * self.spread
        near = np.vstack([way + np.diag(step), way - np.diag(step)])
        rest = self.residual(near)
        return np.asarray((rest[:8] - rest[8:]).T / (2.0 * step))

    def block_squares(self, rest: FloatArray, block_error: float) -> FloatArray:
        """Squared residuals of shape (k, n) in their standard errors, block by block, shape (k, blocks).

        Parameters
        ----------
        rest : ndarray, shape (k, n)
            Residuals [-].
        block_error : float
            By which blocks differ beyond the wavering within them [-].
        """
        weight = 1.0 / np.square(self.facts.error)
        squares = np.add.reduceat(np.square(rest) * weight, self._starts, axis=1)
        sums = np.add.reduceat(rest * weight, self._starts, axis=1)
        whole = np.add.reduceat(weight, self._starts)
        return np.asarray(squares - np.square(sums) * block_error**2 / (1.0 + block_error**2 * whole))

    def covariance(self, block_error: float) -> FloatArray:
        """Covariance of the cells' own errors, shape (n, n).

        Parameters
        ----------
        block_error : float
            By which blocks differ beyond the wavering within them [-].
        """
        return np.asarray(np.diag(np.square(self.facts.error)) + block_error**2 * (self._block[:, None] == self._block))

    def likelihood(self, ways: FloatArray, block_error: float) -> FloatArray:
        """Logarithm of how likely ways of shape (k, 8) are, but for a constant, shape (k,).

        Parameters
        ----------
        ways : ndarray, shape (k, 8)
            The bar as it may be, in the columns of `COLUMNS`.
        block_error : float
            By which blocks differ beyond the wavering within them [-].
        """
        squares = self.block_squares(self.residual(ways), block_error)
        count = np.bincount(self._block)
        found = -0.5 * np.sum((_NU + count) * np.log1p(squares / _NU), axis=1)
        rows, values, errors = self.known
        apart = (ways @ rows.T - values) / errors
        apart[:, COLUMNS.index("weight")] = 0.0  # anything from 0 to 1 is as likely
        found -= 0.5 * np.sum(np.square(apart), axis=1)
        weight, rise = ways[:, 1], ways[:, 2]
        inside = (weight >= 0.0) & (weight <= 1.0) & (rise >= 0.0) & (rise <= _MOST_RISE)
        return np.asarray(np.where(inside, found, -np.inf))

    def best(self, block_error: float) -> tuple[FloatArray, FloatArray]:
        """Return the best way, by weighted least squares in turns, and its covariance, shapes (8,) and (8, 8).

        Parameters
        ----------
        block_error : float
            By which blocks differ beyond the wavering within them [-].
        """
        rows, values, errors = self.known
        way, normal = self.middle.copy(), np.eye(len(COLUMNS))
        count = np.bincount(self._block)
        inverse = np.linalg.inv(self.covariance(block_error))
        for _ in range(12):
            rest, slope = self.residual(way[None])[0], self.slopes(way)
            squares = self.block_squares(rest[None], block_error)[0]
            root = np.sqrt((_NU + count) / (_NU + squares))[self._block]
            weighted = inverse * root[:, None] * root
            scaled = rows / errors[:, None]
            normal = slope.T @ weighted @ slope + scaled.T @ scaled
            pull = -slope.T @ weighted @ rest + scaled.T @ ((values - rows @ way) / errors)
            way = way + np.linalg.solve(normal, pull)
            way[1], way[2] = np.clip(way[1], 0.02, 0.98), np.clip(way[2], 0.0, _MOST_RISE)
        return way, np.asarray(np.linalg.inv(normal))

    def between_blocks(self, way: FloatArray) -> float:
        """How far blocks differ beyond the wavering within them, from neighbours, robustly [-].

        Parameters
        ----------
        way : ndarray, shape (8,)
            The bar as it may be.
        """
        weight = 1.0 / np.square(self.facts.error)
        rest = self.residual(way[None])[0]
        whole = np.bincount(self._block, weight)
        level = np.bincount(self._block, rest * weight) / whole
        if level.size < 3:
            return 2.0 * _LEAST_BLOCK
        apart = np.square(1.4826 * np.median(np.abs(np.diff(level)))) / 2.0
        return float(np.sqrt(max(apart - np.median(1.0 / whole), _LEAST_BLOCK**2)))


def fit(problem: Problem, seed: int = 15) -> Posterior:
    """Return what is left possible.

    Parameters
    ----------
    problem : Problem
        With its facts.
    seed : int
        Of the draws; the same facts give the same result.
    """
    random = np.random.default_rng(seed)
    block_error = 2.0 * _LEAST_BLOCK
    for _ in range(3):
        way, _ = problem.best(block_error)
        block_error = problem.between_blocks(way)
    centre, spread = problem.best(block_error)
    freedom = 6.0
    for _ in range(_ROUNDS):
        root = np.linalg.cholesky(spread + 1e-12 * np.diag(np.square(problem.spread)))
        normal = random.standard_normal((_DRAWS, len(COLUMNS)))
        stretched = 1.1 * normal / np.sqrt(random.chisquare(freedom, (_DRAWS, 1)) / freedom)
        ways = centre + stretched @ root.T
        proposed = -0.5 * (freedom + len(COLUMNS)) * np.log1p(np.sum(np.square(stretched / 1.1), axis=1) / freedom)
        likely = problem.likelihood(ways, block_error) - proposed
        weight = np.exp(likely - likely.max())
        weight /= weight.sum()
        centre = weight @ ways
        spread = np.cov(ways.T, aweights=weight)
        if 1.0 / np.sum(np.square(weight)) > 0.3 * _DRAWS:
            break
    # Evenly along the weights, so that the draws are as many of each as these say.
    places = np.searchsorted(np.cumsum(weight), (np.arange(_KEPT) + random.random()) / _KEPT)
    draws = ways[np.minimum(places, _DRAWS - 1)]
    residual = problem.residual(centre[None])[0]
    return Posterior(draws, centre, problem.margin, problem.temperature, residual, block_error)
