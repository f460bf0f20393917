"""A reconciled log laid on cells, and what it says of the orifices: for the pictures of the command and the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoflow.diagnosis import effective_area
from geoflow.layers.ground_rasters import USUAL_CELLS, lay_grid, mark_grid
from geoflow.outcomes import ReconcileOutcome
from geoflow.report.findings import LIQUID_LOST
from geoflow.report.reconciled import Ground

if TYPE_CHECKING:
    from geoflow.diagnosis import AreaSeries

__all__ = ["laid_ground", "orifice_series"]


def orifice_series(outcome: ReconcileOutcome) -> AreaSeries | None:
    """Effective orifice area over the log; None without a bar, flow, bar pressure or temperature.

    Parameters
    ----------
    outcome : ReconcileOutcome
        What the workflow gave.
    """

    log = outcome.found.log
    logged = all(np.isfinite(values).any() for values in (log.flow, log.bar_pressure, log.temperature))
    return effective_area(log, outcome.bar) if outcome.bar is not None and logged else None


def laid_ground(
    outcome: ReconcileOutcome, series: AreaSeries | None, cell: float | None = None, most: int = USUAL_CELLS
) -> Ground:
    """Lay a log that covers ground on cells, and mark those where the liquid margin was lost.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    series : AreaSeries or None
        From `orifice_series`.
    cell : float, optional
        Side of a cell [m]; fine enough for the field if not given, but no more than `most` cells or so.
    most : int
        Cells.
    """
    found = outcome.found
    zone_rate = np.zeros(0) if found.zones is None else found.zones.asked
    quads, record = found.strips.quads, found.strips.record
    rates = np.stack([found.rate[record], found.log.target[record]])
    grid = lay_grid(quads, rates, outcome.zones, zone_rate, outcome.boundary, cell, most)
    marked = np.zeros(found.log.row.size, dtype=np.bool_)
    for one in outcome.judged:
        marked[one.rows] |= one.kind == LIQUID_LOST
    outlines = outcome.zones
    if not len(outlines):
        outlines = np.array([] if outcome.boundary is None else [outcome.boundary], dtype=object)
    return Ground(grid, outlines, mark_grid(grid, found.strips.of(marked)[0]), series)
