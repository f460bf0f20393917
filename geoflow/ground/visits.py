"""Which field each record of a machine's season belongs to: by outline, and where outlines meet by the visit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray

__all__ = ["NOWHERE", "Claims", "Fields", "claims_of", "fields_of", "ground_steps"]

NOWHERE: Final = -1
"""Stands for a record in no field."""
_CONTESTED, _UNPLACED = -2, -3
_PIECE: Final = 2048  # records looked up together
_BLOCK: Final = 1_000_000
_PAUSE: Final = 600.0  # a machine that wrote nothing for so long may have gone elsewhere [s]
_JUMP: Final = 500.0  # and one that is so far from its last record [m]
_CHANGE: Final = 400.0  # driven outside its field before a machine is taken to have changed fields [m]
_NEARBY: Final = 0.1  # what a metre close outside an outline counts beside one far outside
_DEGREE: Final = 111_195.0  # length of a degree of a great circle of the mean earth, radius 6,371.0088 km (IUGG) [m]


@dataclass(frozen=True, eq=False)
class Fields:
    """Outlines of fields, in degrees.

    Attributes
    ----------
    inside, nearby, reach : ndarray of Polygon or MultiPolygon, shape (fields,)
        The outline; the ground a third of the margin beyond it, and all of the margin.
    rank : ndarray of int, shape (fields,)
        Place of each in the order of size, smallest first.
    """

    inside: Any
    nearby: Any
    reach: Any
    rank: IntArray


@dataclass(frozen=True, eq=False)
class Claims:
    """Which fields a record can belong to.

    Attributes
    ----------
    only : ndarray of int32, shape (records,)
        The one field whose reach holds it; negative where there is none, where several are, or no position.
    record, field : ndarray of int, shape (claims,)
        Of records that several fields claim, one line for each, in the order of the records.
    level : ndarray of int8, shape (claims,)
        0 inside the outline, 1 close to it, 2 within reach.
    """

    only: Any
    record: IntArray
    field: IntArray
    level: Any

    @staticmethod
    def joined(parts: list[Claims]) -> Claims:
        """Put claims of consecutive records together.

        Parameters
        ----------
        parts : list of Claims
            In order.
        """
        shifts = np.cumsum([0, *(part.only.size for part in parts)])[:-1]
        return Claims(
            np.concatenate([part.only for part in parts]),
            np.concatenate([part.record + shift for part, shift in zip(parts, shifts, strict=True)]),
            np.concatenate([part.field for part in parts]),
            np.concatenate([part.level for part in parts]),
        )

    def taken(self, rows: IntArray | int) -> Claims:
        """Return the claims of some records, numbered anew.

        Parameters
        ----------
        rows : ndarray of int, or int
            Which, in the order wanted; or how many of the first.
        """
        if isinstance(rows, int):
            end = int(np.searchsorted(self.record, rows))
            return Claims(self.only[:rows], self.record[:end], self.field[:end], self.level[:end])
        place: Any = np.full(self.only.size, -1, dtype=np.int32)
        place[rows] = np.arange(rows.size, dtype=np.int32)
        record = place[self.record].astype(np.int64)
        kept = np.flatnonzero(record >= 0)
        kept = kept[np.argsort(record[kept], kind="stable")]
        return Claims(self.only[rows], record[kept], self.field[kept], self.level[kept])


def claims_of(lon: FloatArray, lat: FloatArray, fields: Fields) -> Claims:
    """Find the fields that can have each record.

    Parameters
    ----------
    lon, lat : ndarray, shape (records,)
        Positions [degree]; NaN where there is none.
    fields : Fields
        The outlines.
    """
    import shapely

    tree = shapely.STRtree(fields.reach)
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    only: Any = np.full(lon.size, _UNPLACED, dtype=np.int32)
    only[known] = NOWHERE
    hits: list[tuple[IntArray, int]] = []
    for at in range(0, known.size, _PIECE):
        rows = known[at : at + _PIECE]
        x, y = lon[rows], lat[rows]
        bounds = shapely.box(x.min(), y.min(), x.max(), y.max())
        hits += [
            (found, field)
            for field in np.sort(tree.query(bounds, predicate="intersects")).tolist()
            if (found := rows[shapely.intersects_xy(fields.reach[field], x, y)]).size
        ]
    if not hits:
        empty = np.zeros(0, dtype=np.int64)
        return Claims(only, empty, empty, empty.astype(np.int8))
    count = np.zeros(lon.size, dtype=np.int16)
    for rows, _ in hits:
        count[rows] += 1
    for rows, field in hits:
        only[rows] = np.where(count[rows] == 1, field, _CONTESTED)
    shared = [(rows[count[rows] > 1], field) for rows, field in hits]
    record = np.concatenate([rows for rows, _ in shared])
    owner = np.concatenate([np.full(rows.size, field) for rows, field in shared])
    level: Any = np.full(record.size, 2, dtype=np.int8)
    for field in np.unique(owner).tolist():
        own = np.flatnonzero(owner == field)
        x, y = lon[record[own]], lat[record[own]]
        level[own[shapely.intersects_xy(fields.nearby[field], x, y)]] = 1
        level[own[shapely.intersects_xy(fields.inside[field], x, y)]] = 0
    order = np.argsort(record, kind="stable")
    return Claims(only, record[order], owner[order], level[order])


def ground_steps(lon: FloatArray, lat: FloatArray, order: IntArray | None = None) -> FloatArray:
    """Distance of each record from the last one with a position [m], shape (records,); 0 for the first.

    Along parallel and meridian of a sphere, good for neighbours.

    Parameters
    ----------
    lon, lat : ndarray, shape (records,)
        [degree]; NaN where there is none.
    order : ndarray of int, optional
        The order driven, and that of the distances; that of the positions without it.
    """
    steps: Any = np.zeros(lon.size, dtype=np.float32)
    last = np.full((2, 1), np.nan)
    for begin in range(0, lon.size, _BLOCK):  # so that a long log needs little more than its steps
        rows = slice(begin, begin + _BLOCK) if order is None else order[begin : begin + _BLOCK]
        places = np.concatenate([last, np.stack([lon[rows], lat[rows]])], axis=1)
        known = np.flatnonzero(np.isfinite(places).all(axis=0))
        if known.size:
            x, y = places[:, known]
            apart = np.hypot(np.diff(x) * np.cos(np.radians(y[1:])), np.diff(y)) * _DEGREE
            steps[begin + known[1:] - 1] = apart
            last = places[:, known[-1:]]
    return steps  # type: ignore[no-any-return]


@dataclass(frozen=True, eq=False)
class _Sequence:
    """Records in the order driven: what each can be, how far it is from the last, and after how many breaks."""

    only: IntArray
    steps: FloatArray
    section: Any
    claims: Claims
    rank: IntArray


def fields_of(claims: Claims, seconds: FloatArray, steps: FloatArray, rank: IntArray) -> IntArray:
    """Give every record the field it belongs to, or `NOWHERE`; records stand in the order driven.

    A record that one field alone can have is that field's. Where several can, the machine is taken to stay in the
    field it was working, at a cost for each metre outside its outline, until a change costs less; it may change freely
    after a pause or a jump. So a run of records is decided as a whole (Viterbi 1967: the cheapest way through). Where
    two ways cost the same the smaller field has it. A record without a position belongs with both its neighbours, if
    these agree.

    Parameters
    ----------
    claims : Claims
        From `claims_of`.
    seconds : ndarray, shape (records,)
        Times [s]; NaN where unknown.
    steps : ndarray, shape (records,)
        From `ground_steps` [m].
    rank : ndarray of int, shape (fields,)
        Of `Fields`.
    """
    broken = steps > _JUMP
    waited = np.diff(seconds)
    with np.errstate(invalid="ignore"):
        broken[1:] |= np.abs(waited, out=waited) > _PAUSE
    del waited
    line = _Sequence(claims.only, steps, np.cumsum(broken, dtype=np.int32), claims, rank)
    found: Any = np.where(claims.only >= 0, claims.only, NOWHERE).astype(np.int32)
    for first, last in _open_stretches(claims.only):
        _settle(line, found, first, last)
    _place_the_unplaced(line, found)
    return found  # type: ignore[no-any-return]


def _open_stretches(only: IntArray) -> Iterator[tuple[int, int]]:
    """Stretches, from and to (not including), between two certain records, that hold contested ones."""
    contested = np.flatnonzero(only == _CONTESTED)
    if not contested.size:
        return
    certain = np.flatnonzero(only >= 0)
    after = np.searchsorted(certain, contested)
    for at in np.unique(after).tolist():
        first = int(certain[at - 1]) + 1 if at else 0
        yield first, int(certain[at]) if at < certain.size else only.size


def _settle(line: _Sequence, found: Any, first: int, last: int) -> None:
    """Decide the contested records of a stretch."""
    begin, end = np.searchsorted(line.claims.record, [first, last])
    record, owner = line.claims.record[begin:end], line.claims.field[begin:end]
    rows, at = np.unique(record, return_inverse=True)
    names, column = np.unique(owner, return_inverse=True)
    level = np.full((rows.size, names.size), 3, dtype=np.int8)
    level[at, column] = line.claims.level[begin:end]
    section, driven = line.section[rows], np.cumsum(line.steps[first:last])[rows - first]
    # Between two of them the machine may have been out of every field for long: then it may have gone elsewhere.
    free = (np.diff(section) > 0) | (np.diff(driven) > _JUMP)
    starts = np.flatnonzero(np.append(True, (np.diff(level, axis=0) != 0).any(axis=1) | free))
    metres = np.add.reduceat(line.steps[rows], starts) + 1e-3
    cost = np.array([0.0, _NEARBY, 1.0, np.inf])[level[starts]] * metres[:, None]
    cost += 1e-6 * metres[:, None] * (1.0 + line.rank[names]) / (1.0 + line.rank.size)
    before = _anchor(line, first - 1, int(rows[0]), names, float(driven[0] - line.steps[rows[0]]))
    after = _anchor(line, last, int(rows[-1]), names, float(line.steps[first:last].sum() - driven[-1]))
    path = _cheapest(cost, np.append(True, free)[starts], before, after)
    found[rows] = names[np.repeat(path, np.diff(np.append(starts, rows.size)))]


def _anchor(line: _Sequence, certain: int, row: int, names: IntArray, apart: float) -> FloatArray:
    """Cost of each field beside a certain record [m]: a change where it is another's; none where it lies apart."""
    if not 0 <= certain < line.only.size or apart > _JUMP or line.section[certain] != line.section[row]:
        return np.zeros(names.size)
    return np.where(names == line.only[certain], 0.0, _CHANGE)


def _cheapest(cost: FloatArray, free: BoolArray, before: FloatArray, after: FloatArray) -> IntArray:
    """Return the columns of the cheapest way through the rows; a change of column costs, but for the rows `free`."""
    total, came = before + cost[0], np.zeros(cost.shape, dtype=np.int64)
    stay = np.arange(total.size)
    for at in range(1, len(cost)):
        best = int(np.argmin(total))
        reached = total[best] + (0.0 if free[at] else _CHANGE)
        came[at] = np.where(total <= reached, stay, best)
        total = np.minimum(total, reached) + cost[at]
    path = np.zeros(len(cost), dtype=np.int64)
    path[-1] = int(np.argmin(total + after))
    for at in range(len(cost) - 1, 0, -1):
        path[at - 1] = came[at, path[at]]
    return path


def _place_the_unplaced(line: _Sequence, found: Any) -> None:
    """Give records without a position to the field that has both their neighbours, in `found`."""
    lost = np.flatnonzero(line.only == _UNPLACED)
    there = np.flatnonzero(line.only != _UNPLACED)
    if not lost.size or not there.size:
        return
    at = np.searchsorted(there, lost)
    inner = (at > 0) & (at < there.size)
    left, right = there[at[inner] - 1], there[at[inner]]
    same = (found[left] == found[right]) & (line.section[left] == line.section[right])
    found[lost[inner][same]] = found[left[same]]
