"""Handing a prescription to the cab: its zones as ISO 11783-10 task data, read back before they are in place."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from geoflow.base.errors import OutputError
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.losses import losses
from geoflow.isoxml.write import Form, Layout, Naming, as_stored, write_taskdata
from geoflow.prescription_files.read_prescription import Prescription, read_prescription
from geoflow.prescription_patch.new_file import WrittenPrescription
from geoflow.prescription_patch.new_shapes import moved_shapes, zones_to_write

if TYPE_CHECKING:
    from geoflow.base.arrays import FloatArray
    from geoflow.base.rate_units import RateUnit

__all__ = ["FORMS", "becomes_task_data", "is_task_target", "write_task_prescription"]

FORMS: Final[dict[str, Form]] = {"outlines": "outlines", "grid-1": "grid of zones", "grid-2": "grid of rates"}
_USUAL: Final = Layout()
_MOST_LISTED: Final = 8


def is_task_target(target: Path) -> bool:
    """Whether a name can only mean task data: a folder, there or to be made, or an .xml.

    Parameters
    ----------
    target : Path
        To be written.
    """
    return target.is_dir() or target.suffix.casefold() in {"", ".xml"}


def becomes_task_data(prescription: Prescription, target: Path) -> bool:
    """Whether a rewritten prescription of that name is task data: a folder, an .xml, or a zip where it came as such.

    Parameters
    ----------
    prescription : Prescription
        As read.
    target : Path
        To be written.
    """
    zipped = prescription.file_format == "task data" and target.suffix.casefold() == ".zip"
    return is_task_target(target) or zipped


def write_task_prescription(
    prescription: Prescription, rate: FloatArray, to: Delivery, *, unit: RateUnit, layout: Layout = _USUAL
) -> WrittenPrescription:
    """Write a prescription's zones with rates as one task, and read them back before they are in place.

    Parameters
    ----------
    prescription : Prescription
        Gives zones and name.
    rate : ndarray, shape (zones,)
        In `unit`.
    to : Delivery
        Where the task data go; its `check` is called last before the files move into place.
    unit : RateUnit
        Of nitrogen or of ammonia, by mass: the two have dictionary numbers of their own and are never crossed.
    layout : Layout
        Version and form.

    Raises
    ------
    OutputError
        If the unit counts a volume, or the target may not or cannot be written.
    """
    if unit.basis == "ammonia volume":
        raise OutputError(
            "geoflow writes ammonia into new task data by mass, not by volume",
            where=str(to.path),
            cure='convert it on the way: geoflow convert RX --to-unit "kg NH3/ha" --out TASKDATA',
        )
    zones = moved_shapes(zones_to_write(prescription), prescription.crs, 4326)
    stored = as_stored(rate * unit.to_si, unit.basis)
    meant = float((rate * unit.to_si * prescription.area).sum())
    seen: list[tuple[Prescription, list[str]]] = []

    def look(staged: Path) -> None:
        again = read_prescription(staged, take_as_ammonia=True)
        was_task = prescription.file_format == "task data"
        seen.append((again, losses(prescription.path, staged, prescription.layer) if was_task else []))
        if to.check is not None:
            to.check(staged)

    own = replace(to, check=look, protect=(prescription.path, *to.protect))
    naming = Naming(field=prescription.path.stem)
    if prescription.other_product is not None:
        naming = replace(naming, product=prescription.other_product or "Another product")
    notes = write_taskdata(own, list(zones), rate * unit.to_si, unit.basis, naming, layout)
    again, lost = seen[0]
    found = float((again.rate * again.rate_unit.to_si * again.area).sum())
    sentences = [note.text for note in notes]
    if stored.unit != unit:
        sentences.append(f"task data hold rates in {stored.unit.text}; they are the same rates as those in {unit.text}")
    if lost:
        sentences.append(f"not as in the task data that were read: {_listed(lost)}")
    return WrittenPrescription(
        to.path,
        "task data",
        again.rate_column,
        stored,
        len(again.row),
        "WGS 84",
        found / meant if meant else math.nan,
        layout.cell if layout.form != "outlines" else None,
        (),
        {},
        tuple(sentences),
    )


def _listed(lost: list[str]) -> str:
    more = f" and {len(lost) - _MOST_LISTED} more" if len(lost) > _MOST_LISTED else ""
    return ", ".join(lost[:_MOST_LISTED]) + more
