"""What a person should know about the numbers and shapes of a prescription, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.units import show
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.number_cells import Numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.ground.geometry import CoverageFaults, RepairReport

__all__ = ["fit_notes", "number_notes", "shape_notes"]


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


def _ground(area: float) -> str:
    return f"{show(area, 'area', 'us', 2)} ({area:,.0f} m²)"


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
        notes.append(Note("shape", f"heights or measures in {raised} shape(s) are ignored", raised))
    if report.mended.size:
        change = float(np.abs(report.area_after - np.abs(report.area_before)).sum())
        text = (f"{rows_text(report.mended)}: the outline crossed or overlapped itself and was mended; "
                f"the areas changed by {_ground(change)} in all")  # fmt: skip
        notes.append(Note("shape", text, report.mended.size))
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
        text = (f"{shared.size} pair(s) of zones overlap by {_ground(float(shared.sum()))} in all, which counts twice; "
                f"most between rows {worst[0] + 1} and {worst[1] + 1}")  # fmt: skip
        notes.append(Note("overlap", text, shared.size))
    if faults.gaps.size:
        text = f"{faults.gaps.size} gap(s) inside the field, {_ground(faults.gap_area)} in all, carry no rate"
        notes.append(Note("gap", text, faults.gaps.size))
    if faults.hairline_overlaps or faults.hairline_gaps:
        text = (f"neighbours miss each other by hairlines under 0.5 m: {faults.hairline_overlaps} overlap(s), "
                f"{_ground(faults.hairline_overlap_area)} in all, and gaps along {faults.hairline_gaps} zone(s), "
                f"{_ground(faults.hairline_gap_area)} in all; too thin to matter")  # fmt: skip
        notes.append(Note("hairline", text, faults.hairline_overlaps + faults.hairline_gaps))
    if faults.slivers.size:
        text = f"{rows_text(row[faults.slivers])}: a sliver less than 0.5 m wide on average, likely a drawing error"
        notes.append(Note("sliver", text, faults.slivers.size))
    return notes
