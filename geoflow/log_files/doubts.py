"""What makes a log unbelievable: rows in no order, machines mixed, ground left out, a target that is none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import LogError
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    from geoflow.log_files.screening import Fixes
    from geoflow.log_files.tables import LogTable

__all__ = ["driving_order", "left_out", "long_steps", "no_order", "refuse_mixed"]

# A step is far too long if as many other records lie within a third of it: so many shorter ones were open. On a line
# driven three times there are fewer.
_NEAR, _NEIGHBOURS = 0.34, 4
_LEAST_STEP: Final = 3.0  # shorter steps are a receiver's noise [m]
_LOOKED_AT: Final = 400  # records judged by
# In a log that was driven like that, long steps are the ways between passes.
_DISORDER, _ORDER = 0.25, 0.05
# A jump from one machine to another, or from the last section of a bar to the first, is no shorter [m] and turns back
# by 135 degrees and more (cosine); a bar has some two dozen sections at most where no column names them.
_SIDE_STEP, _BACK, _MIXED = 5.0, -0.7, 0.04
_LEFT_OUT: Final = 0.01


def long_steps(x: FloatArray, y: FloatArray) -> float:
    """Share of steps far longer than the distance to the nearest other records [-].

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Positions in the order to be judged [m].
    """
    import shapely

    if x.size < 4 * _NEIGHBOURS:
        return 0.0
    step = np.hypot(np.diff(x), np.diff(y))
    some = np.unique(np.linspace(0, step.size - 1, min(_LOOKED_AT, step.size)).astype(np.int64))
    some = some[step[some] > _LEAST_STEP]
    tree = shapely.STRtree(shapely.points(x, y))
    found, _ = tree.query(shapely.points(x[some], y[some]), predicate="dwithin", distance=_NEAR * step[some])
    # The record itself is found too.
    crowded = np.bincount(found, minlength=some.size) > _NEIGHBOURS
    return float(crowded.sum()) / min(_LOOKED_AT, step.size)


def driving_order(
    table: LogTable, taken: set[int], rows: IntArray, x: FloatArray, y: FloatArray, section: IntArray, notes: list[Note]
) -> IntArray | None:
    """Rows of a log without times in the order driven: the file's, or that of a column that shows it.

    Parameters
    ----------
    table : LogTable
        The log.
    taken : set of int
        Columns that mean something else.
    rows : ndarray of int
        Rows with a position, in the order of the file.
    x, y, section : ndarray, shape (rows of the table,)
        Positions [m] and sections.
    notes : list of Note
        Brought up to date.

    Returns
    -------
    ndarray of int or None
        None where the rows of the file are in no order that can have been driven and no column shows one.
    """
    most = np.bincount(section[rows]).argmax()

    def share(ordered: IntArray) -> float:
        own = ordered[section[ordered] == most]
        return long_steps(x[own], y[own])

    if share(rows) <= _DISORDER:
        return rows
    for index in range(len(table.names)):
        if index in taken or not table.is_number(index):
            continue
        values = table.numbers(index)[rows]
        own = values[section[rows] == most]
        if not np.isfinite(values).all() or np.unique(own).size < own.size:
            continue
        ordered = rows[np.argsort(values, kind="stable")]
        if share(ordered) <= _ORDER:
            text = (
                f"the rows of the file are in no order that can have been driven; in the order of the column "
                f"'{table.names[index]}' every record follows its neighbour, so they are taken in that order"
            )
            notes.append(Note("time", text, rows.size))
            return ordered
    return None


def no_order(where: str) -> LogError:
    """Refuse rows in no order.

    Parameters
    ----------
    where : str
        The file.
    """
    return LogError(
        "the rows are in no order that a machine can have driven, and no column of times says what it was",
        where=where,
        cure='name the column of times, as in --column "time=NAME"; without one, sort the file by the number of the '
        "record, or export it again with times. If the records of several machines are mixed line by line, export each "
        "machine to its own file",
    )


def refuse_mixed(fixes: Fixes, where: str, *, told: bool) -> None:
    """Refuse a log whose positions jump to and fro: two machines line by line, or sections not told apart.

    Parameters
    ----------
    fixes : Fixes
        In the order to be judged.
    where : str
        The file, for errors.
    told : bool
        Whether a column tells sections apart.

    Raises
    ------
    LogError
        If a step in twenty-five leads back from where the one before came and is itself taken back at once.
    """
    if fixes.x.size < 4 * _NEIGHBOURS:
        return
    same = np.diff(fixes.chain) == 0
    east, north = np.diff(fixes.x), np.diff(fixes.y)
    way = np.hypot(east, north)
    turned = east[1:] * east[:-1] + north[1:] * north[:-1] < _BACK * way[1:] * way[:-1]
    turned &= same[1:] & same[:-1]
    # A turn at the end of a pass turns once; what jumps to and fro turns at both ends of a step.
    jumps = (way[1:-1] > _SIDE_STEP) & turned[1:] & turned[:-1]
    if jumps.mean() <= _MIXED:
        return
    raise LogError(
        f"{100.0 * jumps.mean():.0f} % of the steps from one position to the next lead back to where the step before "
        "came from, and are taken back at once",
        where=where,
        cure="if the records of several machines are mixed line by line, export each machine to its own file"
        + (
            ""
            if told
            else "; if they are the sections of one bar, name their column: --column "
            '"section=NAME"; without one, export it again with the section or the time of each record'
        ),
    )


def left_out(
    dropped: Mapping[str, tuple[int, ...]], applied: FloatArray, kept: IntArray, ground: FloatArray
) -> Note | None:
    """Say how much that was applied is missing from the log as read; None up to 1 %.

    Parameters
    ----------
    dropped : mapping
        Cause to rows left out.
    applied : ndarray, shape (rows,)
        Nitrogen rate of all rows [kg/m2].
    kept : ndarray of int
        Rows kept that delivered.
    ground : ndarray, shape (kept,)
        Ground of each [m2].
    """
    gone = {cause: np.array(rows, dtype=np.int64) for cause, rows in dropped.items() if cause != "duplicate"}
    gone = {cause: rows[applied[rows] > 0.0] for cause, rows in gone.items()}
    lost = np.concatenate([np.zeros(0, dtype=np.int64), *gone.values()])
    if not lost.size or not kept.size or not ground.sum() > 0.0:
        return None
    # What was left out has no ground of its own: each record counts as much as one that was kept.
    usual = float(ground.mean())
    nitrogen = float(np.nan_to_num(applied[kept]) @ ground)
    share = lost.size * usual / (lost.size * usual + float(ground.sum()))
    mass = float(applied[lost].sum()) * usual
    mass /= mass + nitrogen
    if max(share, mass) <= _LEFT_OUT:
        return None
    causes = ", ".join(f"{cause} {rows.size:,}" for cause, rows in gone.items() if rows.size)
    text = (
        f"records with a rate were left out ({causes}), about {100.0 * share:.1f} % of the ground and "
        f"{100.0 * mass:.1f} % of the nitrogen: all that follows lacks them"
    )
    return Note("screen", text, lost.size)
