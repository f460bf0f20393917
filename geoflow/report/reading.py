"""What was read of a prescription, what was left out and why, and what looked odd."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoflow.base.counted import count
from geoflow.base.units import System, show
from geoflow.layers.notes import rows_text
from geoflow.report.model import BulletList, Paragraph, Section

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["left_out_count", "left_out_warning", "place_text", "reading_list", "reading_section"]


def place_text(lon: float, lat: float, digits: int = 3) -> str:
    """Write a place as people do.

    Parameters
    ----------
    lon, lat : float
        [deg]
    digits : int
        Decimals.
    """
    return f"{abs(lat):.{digits}f}° {'N' if lat >= 0 else 'S'}, {abs(lon):.{digits}f}° {'E' if lon >= 0 else 'W'}"


def reading_list(prescription: Prescription, system: System) -> BulletList:
    """Say what was read, what was left out and why, and what looked odd.

    Parameters
    ----------
    prescription : Prescription
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    lines = [
        f"{prescription.path.name}: {count(prescription.rows_read, 'row')} read, "
        f"{count(len(prescription.row), 'zone')}, {show(float(prescription.area.sum()), 'area', system)}, column "
        f"'{prescription.rate_column}' in {prescription.rate_unit.text}, centre {place_text(*prescription.centre)}"
    ]
    lines += [f"{len(rows):,} left out: {cause} ({rows_text(rows)})" for cause, rows in prescription.dropped.items()]
    lines += [note.said(system) for note in prescription.notes if note.kind != "middle"]
    return BulletList(tuple(lines))


def reading_section(prescription: Prescription, system: System) -> Section:
    """Give the same as a section of its own.

    Parameters
    ----------
    prescription : Prescription
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return Section("read", "What was read", (reading_list(prescription, system),))


def left_out_count(prescription: Prescription) -> int:
    """Rows left out for another cause than repeating one that is there.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    return sum(len(rows) for rows in prescription.dropped.values()) - len(prescription.repeats)


def left_out_warning(prescription: Prescription) -> list[Paragraph]:
    """Say that rows were left out; nothing where none were.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    dropped = left_out_count(prescription)
    said = f"{count(dropped, 'row')} of the file left out: see under 'What was read' which and why."
    return [Paragraph(said, "warning")] if dropped else []
