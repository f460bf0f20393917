"""The scan compiled, where numba is there and a log long enough for it to pay; the plain one is the reference."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.ground.line_arrays import Active, Cuts, Lines, Parts, Quads, Runs, Several, Spans, Totals, Zones
from geoflow.ground.overlaps import Shared
from geoflow.ground.pieces import Edges
from geoflow.ground.scanlines import Sums

__all__ = ["ALONE", "LOADED", "CompiledPieces", "is_worth", "kernels", "scan_compiled"]

ALONE: Final = 300_000
"""Pieces of strips from which it pays to load what is compiled for them alone."""
LOADED: Final = 10_000
"""Pieces from which it pays once it is loaded."""
# Spans held at once.
_BLOCK: Final = 100_000


def is_worth(count: int) -> bool:
    """Whether so many pieces of strips are laid quicker by what is compiled, and it is there.

    Parameters
    ----------
    count : int
        Pieces.
    """
    least = LOADED if kernels.cache_info().currsize else ALONE
    return count >= least and kernels() is not None


@cache
def kernels() -> Any:
    """Return the modules compiled; None where numba is missing, or there is no folder to keep what it compiled in."""
    try:
        from geoflow.ground import line_spans, line_sums

        found = line_spans, line_sums
        _lay_nothing(found)
    except (ImportError, RuntimeError, OSError):
        return None
    return found


@dataclass(frozen=True, slots=True, eq=False)
class CompiledPieces:
    """Convex pieces of strips, before they are turned into the frame of the lines.

    Attributes
    ----------
    quads : Quads
        Their corners and strips, and the rotation.
    strip : ndarray of int, shape (m,)
        Strip each belongs to.
    low, high : ndarray, shape (m,)
        Least and greatest y once turned [m].
    reach : tuple of float
        Least and greatest x then [m].
    """

    quads: Quads
    strip: IntArray
    low: FloatArray
    high: FloatArray
    reach: tuple[float, float]

    @classmethod
    def of(cls, corners: FloatArray, strip: IntArray, turn: FloatArray) -> CompiledPieces:
        """Turn pieces.

        Parameters
        ----------
        corners : ndarray, shape (m, 4, 2)
            From `convex_pieces` [m].
        strip : ndarray of int, shape (m,)
            Strip each belongs to.
        turn : ndarray, shape (2, 2)
            Rotation into the frame of the lines.
        """
        held = _of_one_kind(corners), _of_one_kind(strip, np.int64), _of_one_kind(turn)
        low, high, left, right = kernels()[0].reach_of(held[0], held[2])
        return cls(Quads(*held, low, high), held[1], low, high, (left, right))


def _of_one_kind(values: Any, kind: Any = np.float64) -> Any:
    """Arrays as they are compiled for; every other kind would be compiled for anew."""
    return np.require(values, kind, ["C", "W"])


def scan_compiled(
    pieces: CompiledPieces,
    edges: Edges,
    zones: int,
    bounded: bool,
    reach: tuple[float, float],
    spacing: float,
    values: IntArray | None = None,
) -> Sums:
    """Run lines over strips and zones, as `scanlines.scan` does.

    Parameters
    ----------
    pieces : CompiledPieces
        Of the strips.
    edges, zones, bounded, reach, spacing, values
        As there.
    """
    own = np.zeros((0, int(pieces.strip.max(initial=-1)) + 1), dtype=np.int64) if values is None else values
    low = float(min(pieces.low.min(initial=np.inf), edges.low.min(initial=np.inf)))
    high = float(max(pieces.high.max(initial=-np.inf), edges.high.max(initial=-np.inf)))
    number = max(int(np.ceil((high - low) / spacing - 0.5)), 0) if high > low else 0
    lines = Lines(low, float(spacing), number, float(reach[0]) - 0.25, float(reach[1]) + 0.25)
    sides = (_of_one_kind(one) for one in (edges.low, edges.high, edges.intercept, edges.slope))
    whole, began = np.zeros(zones), np.empty(zones + 1)
    ground = Zones(*sides, _of_one_kind(edges.zone, np.int64), whole, began, bool(bounded))  # type: ignore[call-arg]
    totals, parts, several = _sweep(kernels(), lines, pieces.quads, ground, _of_one_kind(own, np.int64))
    strip, zone, length, lone = kernels()[1].gathered_parts(parts)
    by_mark = np.argsort(several.mark[: several.used[0]])
    by_zone, by_half = totals.by_zone * spacing, totals.by_half * spacing
    return Sums(
        whole=ground.whole * spacing,
        visible=by_zone[0],
        covered=by_zone[1],
        doubled=by_zone[2],
        swept=by_half[0],
        reached=by_half[1],
        twice=by_half[2],
        field=by_half[3],
        field_covered=by_half[4],
        strip=strip,
        zone=zone,
        area=length * spacing,
        lone=lone * spacing,
        shared=Shared(
            several.zone[by_mark],
            several.length[by_mark] * spacing,
            several.layers[by_mark],
            np.ascontiguousarray(several.sums[by_mark].T),
        ),
    )


def _sweep(compiled: Any, lines: Lines, quads: Quads, ground: Zones, values: IntArray) -> tuple[Totals, Parts, Several]:
    """Lay and add up lines, some at a time."""
    spans_of, sums_of = compiled
    order, begin, on_line = spans_of.by_first_line(quads.low, quads.high, lines)
    edge_order, edge_begin, cut = spans_of.by_first_line(ground.low, ground.high, lines)
    most, most_cut = int(on_line.max(initial=0)), int(cut.max(initial=0))
    active = Active.of(order, begin, most, 12), Active.of(edge_order, edge_begin, most_cut, 0)
    at_once = max(1, min(lines.number, _BLOCK // max(most + most_cut, 1)))
    laid = Spans.of(at_once, at_once * most), Cuts.of(at_once, at_once * most_cut, most_cut)
    runs = Runs.of(most, most_cut, len(values))
    sums = Totals.of(ground.whole.size), Parts.of(values.shape[1]), Several.of(len(values))
    for first in range(0, max(lines.number, 1), at_once):
        spans_of.lay_lines(first, lines, (quads, ground), active, laid)
        sums = sums_of.add_lines(first, min(first + at_once, lines.number), laid, values, runs, sums)
    return sums


def _lay_nothing(compiled: Any) -> None:
    """Compile all there is, or fetch what was compiled before."""
    none, number = np.zeros(0), np.zeros(0, dtype=np.int64)
    corners, turn = np.zeros((0, 4, 2)), np.eye(2)
    low, high, *_ = compiled[0].reach_of(corners, turn)
    ground = Zones(none, none, none, none, number, none, np.zeros(1), False)
    quads, lines = Quads(corners, number, turn, low, high), Lines(0.0, 1.0, 0, 0.0, 0.0)
    _, parts, _ = _sweep(compiled, lines, quads, ground, np.zeros((0, 0), dtype=np.int64))
    compiled[1].gathered_parts(parts)
