"""What was read of a map or a log, where nothing else is asked yet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoflow.base.counted import count
from geoflow.base.units import System, show
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.model import BulletList, Report, Section, Table
from geoflow.report.reading import left_out_warning, reading_section

if TYPE_CHECKING:
    from geoflow.log_files.read_log import ReadLog
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["points_document", "points_report", "zones_report"]


def zones_report(prescription: Prescription, system: System) -> Report:
    """Say what was read of a map.

    Parameters
    ----------
    prescription : Prescription
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    area = show(float(prescription.area.sum()), "area", system)
    answer = f"{count(len(prescription.row), 'zone')}, {area}; rates in {prescription.rate_unit.text}."
    sections = (Section("left out", "", tuple(left_out_warning(prescription))), reading_section(prescription, system))
    return Report(f"What was read of {prescription.path.name}", "", answer, sections, SHORT_CAUTION, "")


def points_report(read: ReadLog, system: System) -> Report:
    """Say what was read of a log.

    Parameters
    ----------
    read : ReadLog
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    answer = f"{read.kept:,} of {count(read.rows_read, 'row')} kept; rates in {read.nitrogen_unit or 'no unit'}."
    columns = tuple((role, name, unit or "-") for role, (name, unit) in sorted(read.columns.items()))
    told = [f"{len(rows):,} left out: {cause}" for cause, rows in read.dropped.items()]
    told += [note.said(system) for note in (*read.doubts, *read.notes)]
    blocks = (Table("", ("role", "column", "unit"), columns, "<<<"), BulletList(tuple(told)))
    return Report(
        f"What was read of {read.path.name}", "", answer, (Section("read", "What was read", blocks),), SHORT_CAUTION, ""
    )


def points_document(read: ReadLog) -> dict[str, Any]:
    """Give what was read of a log and what was left out.

    Parameters
    ----------
    read : ReadLog
        As read.
    """
    return {
        "log": str(read.path),
        "format": read.file_format,
        "columns": {role: {"column": name, "unit": unit} for role, (name, unit) in sorted(read.columns.items())},
        "points": {
            "read": read.rows_read,
            "kept": read.kept,
            "dropped": {cause: len(rows) for cause, rows in read.dropped.items()},
        },
        "facts": [note.text for note in (*read.doubts, *read.notes)],
    }
