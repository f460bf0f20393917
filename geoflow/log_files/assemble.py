"""From the rows of a log that are kept to SI arrays in the order driven."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.errors import LogError
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.geometry import areas
from geoflow.layers.notes import Note, rows_text
from geoflow.log_files.lateral import Track, places_across
from geoflow.log_files.positions import Positions, width_across
from geoflow.log_files.records import LogColumns
from geoflow.log_files.screening import Moves
from geoflow.log_files.sections import BarWidths, Labels, lay_sections, read_switch, sections_by_number

__all__ = ["assemble"]

_WIDEST: Final = 150.0  # no bar of any machine is wider (common practice, no source) [m]
_TAKEN_OFF: Final = 0.01  # share of the nitrogen that is said first where a switch takes it out


def assemble(
    reading: LogColumns, moves: Moves, positions: Positions, labels: Labels | None, rates: FloatArray, bar: BarWidths
) -> AppliedLog:
    """Bring the records that are kept into the order driven, with their ground and rates.

    Parameters
    ----------
    reading : LogColumns
        The columns; what is worked out or doubtful is noted there.
    moves : Moves
        The records kept and how the machine went through them.
    positions : Positions
        Positions of all rows.
    labels : Labels or None
        Sections of all rows, as the log calls them.
    rates : ndarray, shape (rows,)
        Applied nitrogen rates of all rows as logged [kg/m2].
    bar : BarWidths
        What is known of the bar.

    Raises
    ------
    LogError
        If the sections or the width of the bar cannot be told, or no record holds a rate.
    """
    rows = moves.rows
    drawn = None if positions.strips is None else positions.strips[rows]
    heading, speed, step = _movement(reading, moves, drawn=drawn is not None)
    track = Track(moves.time, positions.x[rows], positions.y[rows], heading, moves.run)
    own = drawn is not None or (labels is not None and len(labels.names) > 1 and not moves.shared)
    if own and drawn is None:
        reading.say("section", "every section has positions of its own, taken as the sections' centres")
    section = _sections(reading, labels, rows, track, bar.count, own=own)
    width, offset = _widths(reading, rows, drawn, heading, section, bar, sectioned=labels is not None)
    if drawn is not None:
        step = areas(drawn) / width
    applied = rates[rows]
    _refuse_without_rate(reading, applied)
    unknown = np.full(rows.size, np.nan)
    target = _or_unknown(_believed_target(reading, reading.si("target", rows), applied), unknown)
    on = _switched_on(reading, rows, applied, target)
    applied = np.where(applied >= 0.0, applied, np.nan)
    _note_states(reading, rows, on, step, applied)
    known = {
        role: _or_unknown(reading.si(role, rows), unknown)
        for role in ("flow", "pump_pressure", "bar_pressure", "temperature")
    }
    _, run = np.unique(moves.run, return_inverse=True)
    return AppliedLog(
        row=rows, time=moves.time - (np.nanmin(moves.time) if np.isfinite(moves.time).any() else 0.0),
        x=track.x, y=track.y, heading=heading, speed=speed, step=step, section=section,
        offset=np.zeros_like(offset) if own else offset, width=width, run=run.astype(np.int64), on=on, applied=applied,
        target=np.where(target < 0.0, np.nan, target), **known,
    )  # fmt: skip


def _or_unknown(values: FloatArray | None, unknown: FloatArray) -> FloatArray:
    """What is known, or one and the same array of nothing known."""
    return unknown if values is None else values


def _widths(
    reading: LogColumns, rows: IntArray, drawn: Any, heading: FloatArray, section: IntArray, bar: BarWidths, *,
    sectioned: bool,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Width of each record's section and the offset of its centre to the right of the bar's [m]."""
    logged = reading.si("width", rows)
    if logged is None:
        reading.derived.append("width")
    elif (beyond := logged > _WIDEST).any():
        reading.say("screen", f"too wide for any bar: not taken as its width ({rows_text(rows[beyond])})", beyond.sum())
        logged = np.where(beyond, np.nan, logged)
    if drawn is not None:
        across = width_across(drawn, heading)
        logged = across if logged is None else np.where(logged > 0.0, logged, across)
        bar = BarWidths()
        text = "the records are polygons: these are the ground, as they are drawn"
        middles = ", and their middles serve for lag and causes" if np.isfinite(heading).any() else ""
        reading.say("derived", text + middles)
    return lay_sections(section, logged, bar, sectioned=sectioned, where=reading.table.where, notes=reading.notes)


def _refuse_without_rate(reading: LogColumns, applied: FloatArray) -> None:
    if not (applied >= 0.0).any():
        name = reading.chosen["applied"].name
        raise LogError(
            f"the column '{name}' holds no rate, zero or more, in any record that is left",
            where=reading.table.where,
            cure='name the column of the applied rate: --column "applied=NAME:UNIT"',
        )


def _note_states(reading: LogColumns, rows: IntArray, on: BoolArray, step: FloatArray, applied: FloatArray) -> None:
    """Note the records that are no ground, and those whose ground got an unknown rate."""
    states = (
        ("section off", ~on, "kept, but no ground"),
        ("zero step", on & ~(step > 0.0), "kept, but no ground"),
        ("no rate", on & (step > 0.0) & np.isnan(applied), "kept as ground, but what fell on it is not known"),
    )
    for cause, concerned, meaning in states:
        if concerned.any():
            reading.noted[cause] = tuple(np.sort(rows[concerned]).tolist())
            reading.say("screen", f"{cause}: {meaning} ({rows_text(reading.noted[cause])})", concerned.sum())
    column, off = reading.chosen.get("on"), ~on & (applied > 0.0)
    mass = np.nan_to_num(applied * step)
    if column is not None and float(mass[off].sum()) > _TAKEN_OFF * float(mass.sum()):
        share = 100.0 * float(mass[off].sum()) / float(mass.sum())
        text = (
            f"{int(off.sum()):,} records have a rate, though '{column.name}' says that the bar was off there, "
            f"{share:.1f} % of the nitrogen by these rates: it is left out; if that is no switch of the bar, add "
            '--column "on=-"'
        )
        reading.doubts.append(Note("screen", text, int(off.sum())))


def _sections(
    reading: LogColumns, labels: Labels | None, rows: IntArray, track: Track, count: int | None, *, own: bool
) -> IntArray:
    """Section of each record from 0 at the left: by their own positions, else by their numbers."""
    if labels is None:
        return np.zeros(rows.size, dtype=np.int64)
    where, names = reading.table.where, labels.names
    section = None if len(names) < 2 else _places(reading, labels, rows, track, own=own)
    if section is None and own and not labels.ordered:
        reading.say("section", f"which of the sections {', '.join(names[:6])} stands where is not known")
        return labels.code[rows]
    if section is None or (not own and int(section.max()) + 1 == len(names)):
        return sections_by_number(labels, count, where=where, notes=reading.notes)[rows]
    if count is not None and int(section.max()) >= count:
        raise LogError(
            f"the log has {int(section.max()) + 1} sections side by side and the bar file {count}",
            where=where,
            cure="give the bar file of this bar, or check that this is the column of sections",
        )
    return section


def _places(reading: LogColumns, labels: Labels, rows: IntArray, track: Track, *, own: bool) -> IntArray | None:
    """Sections from the left by their own places; None where these do not tell."""
    # Runs follow each other; in the file the records of one moment stand together.
    order = np.argsort(rows, kind="stable")
    found = places_across(labels.code[rows[order]], labels.names, track.at(order), reading.notes, own=own)
    return None if found is None else found[np.argsort(order)]


def _believed_target(reading: LogColumns, target: FloatArray | None, applied: FloatArray) -> FloatArray | None:
    """Target as logged; none where it is zero in every record though nitrogen went out."""
    if target is None or not np.isfinite(target).any():
        return target
    name, known = reading.chosen["target"].name, target[np.isfinite(target)]
    if not known.any() and (applied > 0.0).any():
        text = f"the target in '{name}' is zero in every record though nitrogen went out: it is no target, and not used"
        reading.doubts.append(Note("target", text, target.size))
        return None
    if np.ptp(known) == 0.0:
        reading.say("target", f"the target in '{name}' is one and the same throughout: neither lag nor concordance")
    return target


def _movement(reading: LogColumns, moves: Moves, *, drawn: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Heading, speed and step: as logged, and from positions where nothing is logged."""
    found = {}
    ways = {
        "heading": (moves.heading, "from positions some feet apart"),
        "speed": (moves.speed, "from step and interval"),
        "step": (
            moves.step,
            "from one position to the next; the first record of each run stands for as much as its second",
        ),
    }
    for role, (measured, how) in ways.items():
        logged = reading.si(role, moves.rows)
        if logged is None:
            if np.isfinite(measured).any():
                reading.derived.append(role)
                if not (drawn and role == "step"):  # then the polygon's own length
                    reading.say("derived", f"{role} is worked out {how}")
            found[role] = measured
            continue
        if role == "heading":
            logged = np.where(np.abs(logged) <= 2.0 * np.pi + 1e-9, logged, np.nan) % (2.0 * np.pi)
        else:
            logged = np.where(logged < 0.0, np.nan, logged)
            _compare(reading, role, logged, measured)
        empty = ~np.isfinite(logged)
        if empty.any():
            reading.say(
                "derived", f"{role} is not logged in {rows_text(moves.rows[empty])}; worked out {how}", empty.sum()
            )
        found[role] = np.where(empty, measured, logged)
    return found["heading"], found["speed"], found["step"]


def _compare(reading: LogColumns, role: str, logged: FloatArray, measured: FloatArray) -> None:
    """Say where a logged speed or step does not fit the positions, as with a wrong unit."""
    moving = (measured > 0.0) & (logged > 0.0)
    if moving.sum() < 5:
        return
    ratio = float(np.median(logged[moving] / measured[moving]))
    if not 0.8 < ratio < 1.25:
        text = (
            f"the {role} in '{reading.chosen[role].name}' is {ratio:.2g} times what the positions give: check its unit"
        )
        reading.say("derived", text)


def _switched_on(reading: LogColumns, rows: IntArray, applied: FloatArray, target: FloatArray) -> BoolArray:
    """Whether each record's section delivered; without a column, wherever the rate is not zero."""
    column = reading.chosen.get("on")
    if column is None:
        reading.derived.append("on")
        off = ~(applied > 0.0)
        text = "no column tells whether a section was on: it is taken as on where the applied rate is above zero"
        starved = int((off & (target > 0.0)).sum())
        if starved:
            text += f"; {starved} records without a rate had a target above zero and count as missed ground"
        reading.say("derived", text, starved)
        return np.asarray(~off, dtype=bool)
    where = f"{reading.table.where}, column '{column.name}'"
    state, known = read_switch(reading.table.columns[column.index[0]], where=where)
    state, known = state[rows], known[rows]
    if not known.all():
        text = f"on or off is not logged in {rows_text(rows[~known])}; on where the rate is above zero"
        reading.say("derived", text, int((~known).sum()))
    return np.asarray(np.where(known, state, applied > 0.0), dtype=bool)
