"""From the rows of a log that are kept to SI arrays in the order driven."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.errors import LogError
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.geometry import areas
from geoflow.layers.notes import Fact, rows_text
from geoflow.log_files.lateral import places_across
from geoflow.log_files.positions import Places, width_across
from geoflow.log_files.records import Reading
from geoflow.log_files.screening import Fixes, Motion, measure_motion
from geoflow.log_files.sections import Labels, lay_sections, read_switch, sections_by_number

__all__ = ["assemble"]


def assemble(
    reading: Reading,
    rows: IntArray,
    fixes: Fixes,
    timed: BoolArray,
    places: Places,
    labels: Labels | None,
    rates: FloatArray,
    bar_width: float | None,
    section_widths: Sequence[float] | None,
) -> AppliedLog:
    """Assemble the log."""
    motion = measure_motion(fixes)
    in_run = np.argsort(motion.run[fixes.fix], kind="stable")
    rows, fix = rows[fixes.order[in_run]], fixes.fix[in_run]
    run, time = motion.run[fix], np.where(timed[rows], fixes.time[fix], np.nan)
    if fixes.spread:
        reading.say("time", "records that share a second of the clock are spread evenly over it", fixes.spread)
    heading, speed, step = _movement(reading, rows, fix, motion)
    x, y = places.x[rows], places.y[rows]
    drawn = None if places.strips is None else places.strips[rows]
    own_places = drawn is not None or (labels is not None and len(labels.names) > 1 and not fixes.shared)
    if own_places and drawn is None:
        reading.say("section", "every section has positions of its own, taken as the sections' centres")
    count = None if section_widths is None else len(section_widths)
    section = _sections(reading, labels, rows, time, x, y, heading, run, count, own=own_places)
    logged_width = reading.si("width", rows)
    if drawn is not None:
        across = width_across(drawn, heading)
        logged_width = across if logged_width is None else np.where(logged_width > 0.0, logged_width, across)
        bar_width = section_widths = None
        reading.derived.extend(role for role in ("width",) if role not in reading.chosen)
        text = "the records are polygons: these are the ground, as they are drawn"
        reading.say("derived", f"{text}, and their middles serve for lag and causes")
    width, offset = lay_sections(
        section,
        logged_width,
        bar_width,
        section_widths,
        sectioned=labels is not None,
        where=reading.table.where,
        facts=reading.facts,
    )
    if logged_width is None:
        reading.derived.append("width")
    if own_places:
        offset = np.zeros_like(offset)
    if drawn is not None:
        step = areas(drawn) / width
    applied = rates[rows]
    target = _believed_target(reading, reading.si("target", rows), applied)
    on = _switched_on(reading, rows, applied, target)
    values = {role: reading.si(role, rows) for role in ("flow", "pump_pressure", "bar_pressure", "temperature")}
    nothing = np.full(rows.size, np.nan)
    applied = np.where(applied >= 0.0, applied, np.nan)
    if not np.isfinite(applied).any():
        name = reading.chosen["applied"].name
        raise LogError(
            f"the column '{name}' holds no rate, zero or more, in any record that is left",
            where=reading.table.where,
            cure='name the column of the applied rate: --column "applied=NAME:UNIT"',
        )
    states = (
        ("section off", ~on, "kept, but no ground"),
        ("zero step", on & ~(step > 0.0), "kept, but no ground"),
        ("no rate", on & (step > 0.0) & np.isnan(applied), "kept as ground, but what fell on it is not known"),
    )
    for cause, concerned, meaning in states:
        if concerned.any():
            reading.noted[cause] = tuple(np.sort(rows[concerned]).tolist())
            reading.say("screen", f"{cause}: {meaning} ({rows_text(reading.noted[cause])})", concerned.sum())
    known = {role: nothing if found is None else found for role, found in values.items()}
    asked = nothing if target is None else np.where(target < 0.0, np.nan, target)
    origin = np.nanmin(time) if np.isfinite(time).any() else 0.0
    _, run = np.unique(run, return_inverse=True)
    return AppliedLog(
        row=rows, time=time - origin, x=x, y=y, heading=heading, speed=speed, step=step, section=section,
        offset=offset, width=width, run=run.astype(np.int64), on=on, applied=applied, target=asked, **known,
    )  # fmt: skip


def _sections(
    reading: Reading,
    labels: Labels | None,
    rows: IntArray,
    time: FloatArray,
    x: FloatArray,
    y: FloatArray,
    heading: FloatArray,
    run: IntArray,
    count: int | None,
    *,
    own: bool,
) -> IntArray:
    """Section of each record from 0 at the left: by their own places, else by their numbers."""
    if labels is None:
        return np.zeros(rows.size, dtype=np.int64)
    where, facts = reading.table.where, reading.facts
    code, names = labels.code[rows], labels.names
    section = None
    if len(names) > 1:
        # Runs follow each other; in the file the records of one moment stand together.
        order = np.argsort(rows, kind="stable")
        found = places_across(
            code[order], names, time[order], x[order], y[order], heading[order], run[order], facts, own=own
        )
        if found is not None:
            section = np.empty(rows.size, dtype=np.int64)
            section[order] = found
    if section is None and own and not labels.ordered:
        reading.say("section", f"which of the sections {', '.join(names[:6])} stands where is not known")
        return code
    if section is None or (not own and int(section.max()) + 1 == len(names)):
        return sections_by_number(labels, count, where=where, facts=facts)[rows]
    if count is not None and int(section.max()) >= count:
        raise LogError(
            f"the log has {int(section.max()) + 1} sections side by side and the bar file {count}",
            where=where,
            cure="give the bar file of this bar, or check that this is the column of sections",
        )
    return section


def _believed_target(reading: Reading, target: FloatArray | None, applied: FloatArray) -> FloatArray | None:
    """Target as logged; none where it is zero in every record though nitrogen went out."""
    if target is None or not np.isfinite(target).any():
        return target
    name, known = reading.chosen["target"].name, target[np.isfinite(target)]
    if not known.any() and (applied > 0.0).any():
        text = f"the target in '{name}' is zero in every record though nitrogen went out: it is no target, and not used"
        reading.doubts.append(Fact("target", text, target.size))
        return None
    if np.ptp(known) == 0.0:
        reading.say("target", f"the target in '{name}' is one and the same throughout: neither lag nor concordance")
    return target


def _movement(
    reading: Reading, rows: IntArray, fix: IntArray, motion: Motion
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Heading, speed and step: as logged, and from positions where nothing is logged."""
    found = {}
    ways = {
        "heading": (motion.heading, "from positions at least 1 m apart"),
        "speed": (motion.speed, "from step and interval"),
        "step": (
            motion.step,
            "from one position to the next; the first record of each run stands for as much as its second",
        ),
    }
    for role, (per_fix, how) in ways.items():
        measured = per_fix[fix]
        logged = reading.si(role, rows)
        if logged is None:
            if np.isfinite(measured).any():
                reading.derived.append(role)
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
            reading.say("derived", f"{role} is not logged in {rows_text(rows[empty])}; worked out {how}", empty.sum())
        found[role] = np.where(empty, measured, logged)
    return found["heading"], found["speed"], found["step"]


def _compare(reading: Reading, role: str, logged: FloatArray, measured: FloatArray) -> None:
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


def _switched_on(reading: Reading, rows: IntArray, applied: FloatArray, target: FloatArray | None) -> BoolArray:
    """Whether each record's section delivered; without a column, wherever the rate is not zero."""
    column = reading.chosen.get("on")
    if column is None:
        reading.derived.append("on")
        off = ~(applied > 0.0)
        text = "no column tells whether a section was on: it is taken as on where the applied rate is above zero"
        starved = int((off & (target > 0.0)).sum()) if target is not None else 0
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
