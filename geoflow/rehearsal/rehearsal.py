"""A day rehearsed: the ground by zone over many days as they may turn out, what is lost and what would save it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.laid_strips import Strips, lay_strips
from geoflow.ground.swaths import Overlay, overlay
from geoflow.reconciliation.causes import turning_ratio
from geoflow.reconciliation.ground import Ground, in_steps, lay_ground
from geoflow.rehearsal.cells import lay_cells
from geoflow.rehearsal.driven import Way, drive_field, give
from geoflow.rehearsal.losses import Losses, find_losses
from geoflow.rehearsal.records import as_log, keep_records
from geoflow.rehearsal.savings import Alternative, find_savings
from geoflow.rehearsal.setup import Setup, draws, middle_draw

__all__ = ["Rehearsal", "ZonesExpected", "rehearse"]

# The log's scatter has a seed of its own, so that more draws leave the log as it is.
_LOG: int = 7
_BAND = (5.0, 95.0)


@dataclass(frozen=True, slots=True, eq=False)
class ZonesExpected:
    """What to expect of each zone; arrays of shape (zones,), NaN where no pass comes.

    Attributes
    ----------
    area, covered, doubled : ndarray
        Ground of the zone, under a strip, and under more than one [m2].
    mean, low, high : ndarray
        Nitrogen over the ground covered: mean over the days, and where nine of ten lie [kg/m2].
    within_10, within_low, within_high : ndarray
        Share of the ground covered that is within 10 %: mean over the days, and where nine of ten lie [-].
    uneven, short : ndarray
        Share of it below the window's low end, and asked for more than the bar gives, mean over the days [-].
    """

    area: FloatArray
    covered: FloatArray
    doubled: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    within_10: FloatArray
    within_low: FloatArray
    within_high: FloatArray
    uneven: FloatArray
    short: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Rehearsal:
    """A day rehearsed.

    Attributes
    ----------
    setup : Setup
        What it rests on.
    way : Way
        The way over the field.
    log : AppliedLog
        What the middle day would leave, pressures left out.
    strips : Strips
        Ground of its records.
    overlay : Overlay
        Of the strips on the zones.
    strip_rates : ndarray, shape (days, strips)
        Nitrogen of each strip [kg/m2].
    strip_uneven : ndarray, shape (strips,)
        Share of the days on which the rows go uneven there [-].
    laid : Ground
        What the ground gets, mean over the days.
    zones : ZonesExpected
        By zone.
    within_10 : ndarray, shape (days,)
        Share of the ground that asks for ammonia that is within 10 %; what no pass reaches is not [-].
    uneven, short : float
        Ground below the window's low end, and asked for more than the bar gives, mean over the days [m2].
    losses, savings
        Of the middle day.
    """

    setup: Setup
    way: Way
    log: AppliedLog
    strips: Strips
    overlay: Overlay
    strip_rates: FloatArray
    strip_uneven: FloatArray
    laid: Ground
    zones: ZonesExpected
    within_10: FloatArray
    uneven: float
    short: float
    losses: Losses
    savings: tuple[Alternative, ...]

    @property
    def asked(self) -> float:
        """Ground that asks for ammonia [m2]."""
        return float(self.zones.area[self.setup.asks].sum())

    @property
    def missed(self) -> float:
        """Of it, what no pass reaches [m2]."""
        return float((self.zones.area - self.zones.covered)[self.setup.asks].clip(0.0).sum())

    @property
    def outside(self) -> float:
        """Ground covered where nothing is asked, in the field or out of it [m2]."""
        unasked = np.append(~self.setup.asks, True)[self.overlay.zone]
        return float(self.overlay.area[unasked].sum())

    @property
    def time(self) -> float:
        """From the first moment to the last [s]."""
        return float(self.way.time[-1]) if self.way.time.size else 0.0

    @property
    def tanks(self) -> int:
        """Loads begun."""
        return int(self.way.swaps.sum()) + 1


def _by_zone(covered: Overlay, values: FloatArray, size: int) -> FloatArray:
    """Sum of some values of strips over the ground of each zone, shape (zones,)."""
    inside = covered.zone >= 0
    strip, zone = covered.strip[inside], covered.zone[inside]
    return np.asarray(np.bincount(zone, values[strip] * covered.area[inside], size), dtype=np.float64)


def _overlay(strips: Strips, rates: FloatArray, setup: Setup) -> Overlay:
    """Lay strips on the zones, the rates of each day added up where they lie on each other; their mean comes last."""
    steps = np.stack([in_steps(one)[0] for one in (*rates, rates.mean(axis=0))])
    quads, owner = strips.of(strips.ground)
    return overlay(quads, np.zeros(rates.shape[1]), setup.zones, strip=owner, values=steps)


def _ground(covered: Overlay, rate: FloatArray, setup: Setup, day: int) -> Ground:
    """What the ground gets on one day, or on the mean of all, with the rates of the strips then [kg/m2]."""
    sums = np.zeros((4, covered.shared.area.size), dtype=np.int64)
    sums[0] = covered.shared.sums[day]
    inside = covered.zone >= 0
    return lay_ground(
        replace(covered, shared=replace(covered.shared, sums=sums)),
        inside,
        rate[covered.strip[inside]],
        setup.rate[covered.zone[inside]],
        setup.rate,
        has_field=True,
    )


def rehearse(setup: Setup, *, days: int, seed: int) -> Rehearsal | None:
    """Drive a field before the day.

    Parameters
    ----------
    setup : Setup
        What is driven.
    days : int
        How many days are drawn from what is unknown.
    seed : int
        The same seed gives the same days.

    Returns
    -------
    Rehearsal or None
        None where no section ever opens: nothing is asked, or no pass comes by.
    """
    cells = lay_cells(setup.zones)
    way = drive_field(setup, cells)
    if not way.time.size:
        return None
    records = keep_records(way, setup)
    given = [give(way, setup, draw) for draw in draws(setup, days, seed)]
    log = as_log(records, way, give(way, setup, middle_draw(setup)), setup, seed + _LOG)
    strips, size = lay_strips(log), setup.rate.size
    record = np.repeat(np.arange(records.end.size), records.on.shape[1])[strips.ground]
    rates = np.stack([records.mean(way, one.true) for one in given])[:, record]
    # As a log is read: what was counted lies on the ground of its strip, and the rate is that of the path's curve.
    spread = (log.width * log.step)[strips.ground] / strips.area[strips.ground]
    masses, rates = rates * spread, rates * turning_ratio(log)[strips.ground]
    covered = _overlay(strips, rates, setup)
    reached = np.where(covered.zone_covered > 0.0, covered.zone_covered, np.nan)
    mass, good, uneven, short = (np.zeros((days, size)) for _ in range(4))
    below = np.stack([records.usual(one.uneven) for one in given])[:, record].astype(np.float64)
    for day, (one, rate) in enumerate(zip(given, rates, strict=True)):
        mass[day] = _by_zone(covered, masses[day], size)
        ground = _ground(covered, rate, setup, day)
        good[day] = np.bincount(ground.zone, ground.area * ~ground.off, size)
        uneven[day] = _by_zone(covered, below[day], size)
        short[day] = _by_zone(covered, records.usual(one.short)[record].astype(np.float64), size)
    by_zone = mass / reached
    low, high = np.percentile(by_zone, _BAND, axis=0)
    worst, best = np.percentile(good, _BAND, axis=0)
    asks = setup.asks
    losses = find_losses(way, setup, setup.rate)
    return Rehearsal(
        setup=setup,
        way=way,
        log=log,
        strips=strips,
        overlay=covered,
        strip_rates=rates,
        strip_uneven=below.mean(axis=0),
        laid=_ground(covered, rates.mean(axis=0), setup, days),
        zones=ZonesExpected(
            area=covered.zone_area,
            covered=covered.zone_covered,
            doubled=covered.zone_doubled,
            mean=by_zone.mean(axis=0),
            low=low,
            high=high,
            within_10=good.mean(axis=0) / reached,
            within_low=worst / reached,
            within_high=best / reached,
            uneven=uneven.mean(axis=0) / reached,
            short=short.mean(axis=0) / reached,
        ),
        within_10=good[:, asks].sum(axis=1) / max(float(covered.zone_area[asks].sum()), 1e-9),
        uneven=float(uneven[:, asks].mean(axis=0).sum()),
        short=float(short[:, asks].mean(axis=0).sum()),
        losses=losses,
        savings=find_savings(setup, way, cells, losses),
    )
