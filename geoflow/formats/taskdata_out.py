"""Handing a prescription to the cab: its zones as ISO 11783-10 task data, read back before anybody trusts them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from geoflow.errors import OutputError
from geoflow.formats.prescription_out import WrittenPrescription
from geoflow.formats.shapes_out import moved_shapes, zones_to_write
from geoflow.formats.taskdata_write import Form, write_taskdata
from geoflow.formats.vector import Prescription, read_prescription

if TYPE_CHECKING:
    from geoflow.arrays import FloatArray
    from geoflow.units import RateUnit

__all__ = ["FORMS", "is_task_target", "write_task_prescription"]

FORMS: Final[dict[str, Form]] = {"outlines": "outlines", "grid-1": "grid of zones", "grid-2": "grid of rates"}
_USUAL_CELL: Final = 10.0


def is_task_target(target: Path) -> bool:
    """Whether a name can only mean task data: a folder, there or to be made, or an .xml."""
    return target.is_dir() or target.suffix.casefold() in {"", ".xml"}


def write_task_prescription(
    prescription: Prescription,
    rate: FloatArray,
    target: Path,
    *,
    unit: RateUnit,
    version: Literal[3, 4] = 4,
    form: Form = "outlines",
    cell: float | None = None,
    replace: bool,
    protect: tuple[Path, ...] = (),
) -> WrittenPrescription:
    """Write a prescription's zones with rates as one task, and read them back.

    Parameters
    ----------
    prescription : Prescription
        Gives zones and name.
    rate : ndarray, shape (zones,)
        In `unit`.
    target : Path
        A folder or a ``.zip``.
    unit : RateUnit
        Of nitrogen or of ammonia, by mass: the two have dictionary numbers of their own and are never crossed.
    version, form
        As for `write_taskdata`.
    cell : float, optional
        Side of a grid's cells [m]; 10 m if not given.
    replace, protect
        As for `geoflow.formats.output.OutputFolder`.

    Raises
    ------
    OutputError
        If the unit counts a volume, or the target may not or cannot be written.
    """
    if unit.basis == "ammonia volume":
        raise OutputError(
            "geoflow writes ammonia into task data by mass, not by volume",
            where=str(target),
            cure='convert it on the way: geoflow convert RX --to-unit "kg NH3/ha" --out TASKDATA',
        )
    folder = target.parent if target.suffix.casefold() == ".xml" else target
    zones = moved_shapes(zones_to_write(prescription), prescription.crs, 4326)
    facts = write_taskdata(
        folder,
        list(zones),
        rate * unit.to_si,
        basis=unit.basis,
        field=prescription.path.stem,
        version=version,
        form=form,
        cell=_USUAL_CELL if cell is None else cell,
        replace=replace,
        protect=(prescription.path, *protect),
    )
    again = read_prescription(folder)
    meant = float((rate * unit.to_si * prescription.area).sum())
    found = float((again.rate * again.rate_unit.to_si * again.area).sum())
    return WrittenPrescription(
        folder,
        "task data",
        again.rate_column,
        again.rate_unit,
        len(again.row),
        "WGS 84",
        found / meant if meant else math.nan,
        cell if form != "outlines" else None,
        (),
        {},
        tuple(fact.text for fact in facts),
    )
