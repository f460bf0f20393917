"""A log against what was asked of it, over the ground: coverage, agreement, lag and causes, by zone and whole field.

Two accounts are kept apart. The *mass* account (what went out, what each zone got) gives every record the nitrogen the
meter counted, over the ground it fell on. The *rate* account (agreement, causes) takes the rate at the bar's centre
and the curve of the path, so that jitter in the headings does not look like a wrong rate; where passes lie on each
other, their rates are added up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import BoolArray, CauseArray, FloatArray, IntArray, SmallIntArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.laid_strips import Strips, lay_strips
from geoflow.ground.swaths import Overlay, ground_rates, overlay
from geoflow.hydraulics.window import FlowWindow
from geoflow.reconciliation.agreement import Agreement, agreement, within
from geoflow.reconciliation.causes import (
    CAUSES,
    LOST_LIQUID,
    OVERLAP,
    WORDS,
    ZONE_BORDER,
    off_causes,
    response_to,
    turning_ratio,
)
from geoflow.reconciliation.ground import OFF, Ground, in_steps, lay_ground
from geoflow.reconciliation.lag import Lag, estimate_lag, shifted

__all__ = ["Reconciliation", "Shift", "TargetMap", "ZoneSums", "reconcile", "with_lost_liquid"]

_SENSITIVITY: Final = 1.0
_TOLERANCE: Final = 1e-3  # of the areas, as in `swaths.overlay`


@dataclass(frozen=True, slots=True, eq=False)
class TargetMap:
    """A target map in the log's frame.

    Attributes
    ----------
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        [m]; where they overlap the last one counts.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    """

    zones: np.ndarray[Any, np.dtype[np.object_]]
    rate: FloatArray


@dataclass(frozen=True, slots=True)
class Shift:
    """Agreement, record by record, with the target that was asked `seconds` earlier [s]."""

    seconds: float
    agreement: Agreement


@dataclass(frozen=True, slots=True, eq=False)
class ZoneSums:
    """What became of each zone; arrays of shape (zones,), NaN where nothing can be said.

    Attributes
    ----------
    area, covered, missed, doubled : ndarray
        Ground of the zone, under any strip, under none (0 where the map asks nothing), under more than one [m2].
    asked : ndarray
        Nitrogen rate the map asks for [kg/m2].
    nitrogen : ndarray
        Laid down in the zone, doubly where strips overlap [kg].
    rate : ndarray
        That over the ground covered [kg/m2].
    within_10 : ndarray
        Share of the ground compared in the zone off by no more than 10 % [-].
    """

    area: FloatArray
    covered: FloatArray
    missed: FloatArray
    doubled: FloatArray
    asked: FloatArray
    nitrogen: FloatArray
    rate: FloatArray
    within_10: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Reconciliation:
    """What a log says of the ground.

    Attributes
    ----------
    log : AppliedLog
        The records; `target` is what the comparison takes: the map's mean under each record, or the log's own.
    asked_by : str
        ``"map"``, ``"log"`` or ``""`` where nothing says what was asked.
    strips : Strips
        Ground of the records.
    rate : ndarray, shape (n,)
        Nitrogen rate on the ground, the path's curve counted [kg/m2]; NaN without ground or rate.
    overlay : Overlay
        Strips on zones; `overlay.strip` counts the records with ground only. What lies alone or shared is in `laid`.
    has_field : bool
        Whether a map or a boundary says what the field is.
    strip : ndarray of int, shape (k,)
        Record of each piece compared: a strip in a zone, or a whole strip without a map.
    piece_area, piece_target : ndarray, shape (k,)
        [m2] and [kg/m2].
    piece_cause : ndarray of int8, shape (k,)
        Why the piece was off its target, as a place in `causes.WORDS`; empty where it was not, or cannot be judged.
    accounts : ndarray of bool, shape (k,)
        Whether that accounts for it, or is only what happened then.
    laid : Ground
        What the ground got of all passes together.
    agreement : Agreement
        Of the ground: what passes over each other laid down is added up.
    by_pass : Agreement
        Of the pieces: each pass on its own, so ground covered twice counts with each pass.
    lag : Lag or None
        Between what was asked and what was applied.
    lag_from : str
        Which target it was found with: ``"log"`` or ``"map"``.
    shifts : tuple of Shift
        Record by record: as it was, and, with a clock, a second either way of the lag taken out (or of none).
    cause_area : dict of str to float
        Ground off its target by cause [m2].
    nitrogen_out : float
        All nitrogen the log says went out [kg].
    nitrogen_in_field : float
        Of it, what fell inside the field [kg]; NaN where no map or boundary says what that is.
    nitrogen_asked : float
        What the map asks for in all, or the log's target over the ground driven [kg].
    unknown_rate_area : float
        Ground covered while no rate was logged [m2].
    outside_area : float
        Strips outside the field [m2].
    missed_unasked : float
        Ground of the field under no pass where none was wanted [m2]: zones of rate 0, or, without a map, ground driven
        over with the log's own target at 0.
    zones : ZoneSums or None
        By zone of the map.
    """

    log: AppliedLog
    asked_by: str
    strips: Strips
    rate: FloatArray
    overlay: Overlay
    has_field: bool
    strip: IntArray
    piece_area: FloatArray
    piece_target: FloatArray
    piece_cause: CauseArray
    accounts: BoolArray
    laid: Ground
    agreement: Agreement
    by_pass: Agreement
    lag: Lag | None
    lag_from: str
    shifts: tuple[Shift, ...]
    cause_area: dict[str, float]
    nitrogen_out: float
    nitrogen_in_field: float
    nitrogen_asked: float
    unknown_rate_area: float
    outside_area: float
    missed_unasked: float
    zones: ZoneSums | None

    @property
    def ground(self) -> BoolArray:
        """Which records cover ground, shape (n,)."""
        return self.strips.ground

    @property
    def missed(self) -> float:
        """Ground that was to get nitrogen and lies under no pass [m2]."""
        return max(self.overlay.missed - self.missed_unasked, 0.0)


def _mean_by(index: IntArray | SmallIntArray, weight: FloatArray, values: FloatArray, size: int) -> FloatArray:
    """Weighted mean of values by index, shape (size,); NaN where there is no weight."""
    total = np.bincount(index, weights=weight, minlength=size)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.bincount(index, weights=weight * values, minlength=size) / total)


def _shifts(log: AppliedLog, rate: FloatArray, area: FloatArray, lag: Lag | None) -> tuple[Shift, ...]:
    """Agreement without a shift, and at the lag and a second either way where there is a clock."""
    seconds = {0.0}
    if np.isfinite(log.time).any():
        best = 0.0 if lag is None else lag.best
        seconds |= {round(best + way * _SENSITIVITY, 3) for way in (-1, 0, 1)}
    found = []
    for shift in sorted(seconds):
        moved = log if shift == 0.0 else shifted(log, shift)
        found.append(Shift(shift, agreement(rate, moved.target, area)))
    return tuple(found)


def _zone_sums(target: TargetMap, covered: Overlay, laid: Ground) -> ZoneSums:
    size = target.rate.size
    known = np.isfinite(laid.applied) & (laid.zone >= 0)
    reached = np.where(covered.zone_covered > 0.0, covered.zone_covered, np.nan)
    return ZoneSums(
        area=covered.zone_area,
        covered=covered.zone_covered,
        missed=np.where(target.rate > 0.0, np.maximum(covered.zone_area - covered.zone_covered, 0.0), 0.0),
        doubled=covered.zone_doubled,
        asked=target.rate,
        nitrogen=covered.zone_applied,
        rate=covered.zone_applied / reached,
        within_10=_mean_by(laid.zone[known], laid.area[known], (~laid.off[known]).astype(np.float64), size),
    )


def _missed_unasked(target: TargetMap, covered: Overlay, boundary: Any) -> float:
    """Missed ground of zones of rate 0 [m2]; of zones across the boundary no more than lies inside it."""
    import shapely

    none = target.rate == 0.0
    missed = np.maximum(covered.zone_area - covered.zone_covered, 0.0)[none]
    if boundary is not None and none.any():
        missed = np.minimum(missed, np.nan_to_num(shapely.area(shapely.intersection(target.zones[none], boundary))))
    return float(min(missed.sum(), max(covered.missed, 0.0)))


def _driven_unasked(log: AppliedLog, drawn: Any, covered: Overlay, boundary: Any) -> float:
    """Ground inside the boundary that only records cover which were to give nothing and gave nothing [m2]."""
    idle = ~log.on & (log.target == 0.0) & ~(log.applied > 0.0)
    driven = lay_strips(replace(log, on=log.on | idle), drawn)
    if not (idle & driven.ground).any():
        return 0.0
    quads, strip = driven.of(np.ones(log.row.size, dtype=np.bool_))
    whole = overlay(quads, np.zeros(int(driven.ground.sum())), [boundary], strip=strip, tolerance=_TOLERANCE)
    return min(max(whole.covered_in_field - covered.covered_in_field, 0.0), max(covered.missed, 0.0))


def _cause_areas(laid: Ground, piece_cause: CauseArray) -> dict[str, float]:
    """Ground off its target by cause [m2]; what several passes lie on is the overlap's."""
    off = laid.off
    part, area = laid.part[off], laid.area[off]
    shared = np.int8(WORDS.index(OVERLAP))
    cause = np.where(part >= 0, piece_cause[part], shared) if piece_cause.size else np.full(part.size, shared)
    names = (OVERLAP, *CAUSES[:-1], ZONE_BORDER, LOST_LIQUID, CAUSES[-1])
    return {name: float(area[cause == WORDS.index(name)].sum()) for name in names}


def with_lost_liquid(found: Reconciliation, records: IntArray) -> Reconciliation:
    """Return the reconciliation with what nothing accounts for in some records put down to liquid lost there.

    Parameters
    ----------
    found : Reconciliation
        From `reconcile`.
    records : ndarray of int
        Places in the log in which liquid was lost.
    """
    lost = np.zeros(found.log.row.size, dtype=np.bool_)
    lost[records] = True
    cause = found.piece_cause.copy()
    open_ones = (cause != 0) & (cause != WORDS.index(ZONE_BORDER)) & ~found.accounts
    cause[open_ones & lost[found.strip]] = WORDS.index(LOST_LIQUID)
    return replace(found, piece_cause=cause, cause_area=_cause_areas(found.laid, cause))


def reconcile(
    log: AppliedLog,
    target: TargetMap | None = None,
    boundary: Any = None,
    *,
    response_time: float,
    drawn: Any = None,
    window: FlowWindow | None = None,
    nitrogen_fraction: float = NITROGEN_FRACTION,
) -> Reconciliation:
    """Lay a log on the ground and compare it with what was asked.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    target : TargetMap, optional
        The target map; without it the log's own target serves.
    boundary : Polygon or MultiPolygon, optional
        Of the field, in the log's frame [m]; the map's outline if not given.
    response_time : float
        For which a change still explains an error [s].
    drawn : ndarray of Polygon or MultiPolygon, shape (n,), optional
        Ground of the records, where the log draws it, in its frame [m].
    window : FlowWindow, optional
        Of the bar over the log's temperatures.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    """
    strips = lay_strips(log, drawn)
    ground = strips.ground
    mass_rate = ground_rates(log, strips.area)
    rate = np.where(ground, log.applied * turning_ratio(log), np.nan)
    covered = _overlay(strips, mass_rate, rate, log.target, target, boundary)
    has_field = target is not None or boundary is not None
    inside = covered.zone >= 0 if has_field else np.ones(covered.zone.size, dtype=np.bool_)
    strip, area = np.flatnonzero(ground)[covered.strip[inside]], covered.area[inside]
    own = bool(np.isfinite(log.target).any())
    if target is None:
        piece_target, compared = log.target[strip], log
        known = np.isfinite(log.target) & ground
        nitrogen_asked = float((log.target * log.width * log.step)[known].sum())
        missed_unasked = 0.0 if boundary is None else _driven_unasked(log, drawn, covered, boundary)
        sources = ("log", "log") if own else ("", "")
    else:
        piece_target = target.rate[covered.zone[inside]]
        compared = replace(log, target=_mean_by(strip, area, piece_target, log.row.size))
        nitrogen_asked = float(target.rate @ covered.zone_area)
        missed_unasked = _missed_unasked(target, covered, boundary)
        sources = ("map", "log" if own else "map")
    lag = estimate_lag(log if own else compared)
    record_area = np.asarray(np.bincount(strip, weights=area, minlength=log.row.size), dtype=np.float64)
    reasons = off_causes(
        compared,
        response_time=response_time,
        response=response_to(lag),
        window=window,
        nitrogen_fraction=nitrogen_fraction,
        limit=OFF,
    )
    cause = _piece_causes(rate[strip], piece_target, reasons.number[strip], compared.target[strip])
    laid = lay_ground(
        covered, inside, rate[strip], piece_target, None if target is None else target.rate, has_field=has_field
    )
    return Reconciliation(
        log=compared,
        asked_by=sources[0],
        strips=strips,
        rate=rate,
        overlay=covered.without_ground(),
        has_field=has_field,
        strip=strip,
        piece_area=area,
        piece_target=piece_target,
        piece_cause=cause,
        accounts=reasons.accounts[strip],
        laid=laid,
        agreement=laid.agreement(),
        by_pass=agreement(rate[strip], piece_target, area),
        lag=lag,
        lag_from=sources[1],
        shifts=_shifts(compared, rate, record_area, lag),
        cause_area=_cause_areas(laid, cause),
        nitrogen_out=float(np.where(log.on, np.nan_to_num(log.applied * log.width * log.step), 0.0).sum()),
        nitrogen_in_field=float(np.nan_to_num(mass_rate)[strip] @ area) if has_field else np.nan,
        nitrogen_asked=nitrogen_asked,
        unknown_rate_area=float(record_area[~np.isfinite(log.applied)].sum()),
        outside_area=float(covered.area[~inside].sum()),
        missed_unasked=missed_unasked,
        zones=None if target is None else _zone_sums(target, covered, laid),
    )


def _overlay(
    strips: Strips, mass_rate: FloatArray, rate: FloatArray, logged: FloatArray, target: TargetMap | None, boundary: Any
) -> Overlay:
    # Without a map the boundary itself is the one zone, so that pieces outside it are told apart.
    alone = target is None and boundary is not None
    zones: Any = target.zones if target is not None else np.array([boundary] if alone else [], dtype=object)
    ground = strips.ground
    quads, owner = strips.of(ground)
    return overlay(
        quads,
        np.nan_to_num(mass_rate[ground]),
        zones,
        None if alone else boundary,
        strip=owner,
        values=np.stack([*in_steps(rate[ground]), *in_steps(logged[ground])]),
        tolerance=_TOLERANCE,
    )


def _piece_causes(rate: FloatArray, target: FloatArray, reason: CauseArray, record_target: FloatArray) -> CauseArray:
    """Why each piece is off its target; empty where it is not, or cannot be judged."""
    judged = np.isfinite(rate) & np.isfinite(target)
    cause = np.where(judged & ~within(rate, target, OFF), reason, np.int8(0))
    # One rate for the whole section cannot suit two zones: where no event explains it, the border does.
    mixed = np.abs(record_target - target) > 1e-9 * np.abs(target)
    cause[(cause == WORDS.index(CAUSES[-1])) & mixed] = WORDS.index(ZONE_BORDER)
    return cause
