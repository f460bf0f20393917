"""What a person should know about the numbers and shapes of a prescription, in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.counted import count, verb
from geoflow.base.units import System, show
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.number_cells import Numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.ground.geometry import CoverageFaults, RepairReport

__all__ = ["fit_notes", "number_notes", "shape_notes"]

_THIN: Final = {"us": "1.6 ft", "metric": "0.5 m"}


def number_notes(read: Numbers, column: str, is_shapefile: bool) -> list[Note]:
    """Say how the numbers of a column are written.

    Parameters
    ----------
    read : Numbers
        Of the column.
    column : str
        Its name.
    is_shapefile : bool
        Whether they stand in a .dbf.
    """
    notes = []
    commas = np.flatnonzero(read.comma)
    misread = "; a plain reader of the .dbf would cut them at the comma" if is_shapefile else ""
    if commas.size:
        text = f"'{column}' writes decimals with a comma in {rows_text(commas)}; 120,5 is read as 120.5{misread}"
        notes.append(Note("numbers", text, commas.size))
    for suffix, rows in read.suffixes.items():
        said = " ".join(part for part in suffix if part)
        notes.append(Note("numbers", f"'{column}' writes '{said}' behind the number in {rows_text(rows)}", len(rows)))
    return notes


def _in_units(kind: str, text: Callable[[System], str], count: int) -> Note:
    return Note(kind, text("us"), count, metric=text("metric"))


def _ground(area: float, system: System) -> str:
    return show(area, "area", system, 2)


def shape_notes(report: RepairReport, shapes: NDArray[np.object_]) -> list[Note]:
    """Say what was ignored or mended in the shapes.

    Parameters
    ----------
    report : RepairReport
        What was mended.
    shapes : ndarray of Geometry or None, shape (n,)
        As read.
    """
    import shapely

    notes = []
    raised = int(np.count_nonzero(shapely.has_z(shapes) | shapely.has_m(shapes)))
    if raised:
        notes.append(Note("shape", f"heights or measures in {count(raised, 'shape')} are ignored", raised))
    if report.mended.size:
        change = float(np.abs(report.area_after - np.abs(report.area_before)).sum())
        text = f"{rows_text(report.mended)}: the outline crossed or overlapped itself and was mended"
        notes.append(
            _in_units(
                "shape",
                lambda system: f"{text}; the areas changed by {_ground(change, system)} in all",
                report.mended.size,
            )
        )
    if report.stray_holes.size:
        text = f"{rows_text(report.stray_holes)}: a hole lies outside its zone and takes nothing from it there"
        notes.append(Note("shape", text, report.stray_holes.size))
    if report.mixed.size:
        text = f"{rows_text(report.mixed)}: points and lines mixed in with the polygons are left out"
        notes.append(Note("shape", text, report.mixed.size))
    return notes


def fit_notes(faults: CoverageFaults, row: NDArray[np.int64]) -> list[Note]:
    """Say where the zones overlap, leave gaps, or are slivers; rows are those in the file.

    Parameters
    ----------
    faults : CoverageFaults
        Of the zones kept.
    row : ndarray of int, shape (n,)
        Their rows.
    """
    notes = []
    first = np.where(faults.duplicate_of >= 0, faults.duplicate_of, np.arange(row.size))
    told = first[faults.overlap_pairs[:, 0]] == first[faults.overlap_pairs[:, 1]]
    pairs, shared = row[faults.overlap_pairs[~told]], faults.overlap_areas[~told]
    if shared.size:
        worst = pairs[shared.argmax()]

        def overlapping(system: System) -> str:
            overlap = verb(shared.size, "overlaps", "overlap")
            return (
                f"{count(shared.size, 'pair')} of zones {overlap} by {_ground(float(shared.sum()), system)} in all, "
                f"which counts twice; most between rows {worst[0] + 1} and {worst[1] + 1}"
            )

        notes.append(_in_units("overlap", overlapping, shared.size))
    if faults.gaps.size:
        gaps = f"{count(faults.gaps.size, 'gap')} inside the field"
        notes.append(
            _in_units(
                "gap",
                lambda system: f"{gaps}, {_ground(faults.gap_area, system)} in all, without a rate",
                faults.gaps.size,
            )
        )
    if faults.hairline_overlaps or faults.hairline_gaps:

        def hairlines(system: System) -> str:
            overlaps, zones = count(faults.hairline_overlaps, "overlap"), count(faults.hairline_gaps, "zone")
            return (
                f"neighbours miss each other by hairlines under {_THIN[system]}: {overlaps}, "
                f"{_ground(faults.hairline_overlap_area, system)} in all, and gaps along {zones}, "
                f"{_ground(faults.hairline_gap_area, system)} in all; too thin to matter"
            )

        notes.append(_in_units("hairline", hairlines, faults.hairline_overlaps + faults.hairline_gaps))
    if faults.slivers.size:
        slivers = rows_text(row[faults.slivers])
        notes.append(
            _in_units(
                "sliver",
                lambda system: f"{slivers}: a sliver less than {_THIN[system]} wide on average, likely a drawing error",
                faults.slivers.size,
            )
        )
    return notes
