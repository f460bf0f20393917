"""Handing a prescription to the cab: its zones as ISO 11783-10 task data, read back before they are in place."""

from __future__ import annotations

import contextlib
import math
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from geoflow.base.errors import OutputError
from geoflow.isoxml.losses import losses
from geoflow.isoxml.write import Form, as_stored, write_taskdata
from geoflow.isoxml.zones import read_taskdata_zones
from geoflow.prescription_files.read_prescription import Prescription, read_prescription
from geoflow.prescription_patch.new_file import WrittenPrescription
from geoflow.prescription_patch.new_shapes import moved_shapes, zones_to_write

if TYPE_CHECKING:
    from geoflow.base.arrays import FloatArray
    from geoflow.base.rate_units import RateUnit

__all__ = ["FORMS", "becomes_task_data", "is_task_target", "refuse_losses", "write_task_prescription"]

FORMS: Final[dict[str, Form]] = {"outlines": "outlines", "grid-1": "grid of zones", "grid-2": "grid of rates"}
_USUAL_CELL: Final = 10.0
_MOST_LISTED: Final = 8


def is_task_target(target: Path) -> bool:
    """Whether a name can only mean task data: a folder, there or to be made, or an .xml."""
    return target.is_dir() or target.suffix.casefold() in {"", ".xml"}


def becomes_task_data(prescription: Prescription, target: Path) -> bool:
    """Whether a rewritten prescription of that name is task data: a folder, an .xml, or a zip where it came as such."""
    zipped = prescription.file_format == "task data" and target.suffix.casefold() == ".zip"
    return is_task_target(target) or zipped


def refuse_losses(prescription: Prescription, target: Path) -> None:
    """Refuse to rewrite task data that would lose something, before any work is done.

    Parameters
    ----------
    prescription : Prescription
        As read.
    target : Path
        Where the rewritten one is to go.

    Raises
    ------
    OutputError
        If it is task data, was task data, and more than the rates would be another.
    """
    if prescription.file_format == "task data" and becomes_task_data(prescription, target):
        with tempfile.TemporaryDirectory(prefix="geoflow-") as folder, contextlib.suppress(_Enough):
            trial = Path(folder) / "TASKDATA"
            _write(
                prescription, prescription.rate, trial, prescription.rate_unit, shown=target, whole=True, check=_stop
            )  # fmt: skip


class _Enough(Exception):  # noqa: N818
    """Ends a trial before anything is in place."""


def _stop() -> None:
    raise _Enough


def _as_it_was(prescription: Prescription, after: FloatArray) -> dict[str, Any]:
    """What task data say besides the rates, for `write_taskdata`."""
    old = read_taskdata_zones(prescription.path, layer=prescription.layer)
    rate = next(rate for rate in old.rates if rate.column == prescription.rate_column)
    names = old.table["name"].to_numpy()[prescription.row]
    stated, states = ([f"{value:.2f} {rate.unit}" for value in values] for values in (prescription.rate, after))
    named = [new if own == was else own for own, was, new in zip(names, stated, states, strict=True)]
    return {
        "field": old.field_name, "task": old.task_name, "boundary": old.boundary, "version": old.version[0],
        "names": named, "product": rate.product,
    }  # fmt: skip


def write_task_prescription(
    prescription: Prescription,
    rate: FloatArray,
    target: Path,
    *,
    unit: RateUnit,
    version: Literal[3, 4] = 4,
    form: Form = "outlines",
    cell: float | None = None,
    whole: bool = False,
    replace: bool,
    protect: tuple[Path, ...] = (),
    check: Callable[[], None] | None = None,
) -> WrittenPrescription:
    """Write a prescription's zones with rates as one task, and read them back before they are in place.

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
    whole : bool
        Whether task data that were read must come back with nothing else than their rates changed.
    replace, protect
        As for `geoflow.files.output.OutputFolder`.
    check : callable, optional
        Called last before the files move into place.

    Raises
    ------
    OutputError
        If the unit counts a volume, something would be lost, or the target may not or cannot be written.
    """
    return _write(
        prescription, rate, target, unit, version=version, form=form, cell=cell, whole=whole, replace=replace,
        protect=(prescription.path, *protect), check=check, shown=target,
    )  # fmt: skip


def _write(
    prescription: Prescription, rate: FloatArray, target: Path, unit: RateUnit, *, shown: Path,
    version: Literal[3, 4] = 4, form: Form = "outlines", cell: float | None = None, whole: bool,
    replace: bool = False, protect: tuple[Path, ...] = (), check: Callable[[], None] | None = None,
) -> WrittenPrescription:  # fmt: skip
    if unit.basis == "ammonia volume":
        raise OutputError(
            "geoflow writes ammonia into task data by mass, not by volume",
            where=str(shown),
            cure='convert it on the way: geoflow convert RX --to-unit "kg NH3/ha" --out TASKDATA',
        )
    was_task = prescription.file_format == "task data"
    folder = target.parent if target.suffix.casefold() == ".xml" else target
    zones = moved_shapes(zones_to_write(prescription), prescription.crs, 4326)
    stored = as_stored(rate * unit.to_si, unit.basis)
    said: dict[str, Any] = {"field": prescription.path.stem, "version": version}
    if whole and was_task:
        said = _as_it_was(prescription, stored.values)
    meant = float((rate * unit.to_si * prescription.area).sum())
    seen: list[tuple[Prescription, list[str]]] = []

    def look(staged: Path) -> None:
        again = read_prescription(staged, take_as_ammonia=True)
        lost = losses(prescription.path, staged, prescription.layer) if was_task else []
        if whole and lost:
            raise _refusal(lost, shown)
        seen.append((again, lost))
        if check is not None:
            check()

    notes = write_taskdata(
        folder,
        list(zones),
        rate * unit.to_si,
        basis=unit.basis,
        form=form,
        cell=_USUAL_CELL if cell is None else cell,
        replace=replace,
        protect=protect,
        check=look,
        **said,
    )
    again, lost = seen[0]
    found = float((again.rate * again.rate_unit.to_si * again.area).sum())
    sentences = [note.text for note in notes]
    if stored.unit != unit:
        sentences.append(f"task data hold rates in {stored.unit.text}; they are the same rates as those in {unit.text}")
    if lost:
        sentences.append(f"not as in the task data that were read: {_listed(lost)}")
    return WrittenPrescription(
        folder,
        "task data",
        again.rate_column,
        stored,
        len(again.row),
        "WGS 84",
        found / meant if meant else math.nan,
        cell if form != "outlines" else None,
        (),
        {},
        tuple(sentences),
    )


def _listed(lost: list[str]) -> str:
    more = f" and {len(lost) - _MOST_LISTED} more" if len(lost) > _MOST_LISTED else ""
    return ", ".join(lost[:_MOST_LISTED]) + more


def _refusal(lost: list[str], shown: Path) -> OutputError:
    name = shown.stem if shown.suffix else shown.name
    return OutputError(
        f"these task data would not come back whole; lost or changed would be: {_listed(lost)}",
        where=str(shown),
        cure=f"write another format, as --out {name or 'rewritten'}.gpkg, and bring that to the program the task data "
        "came from; or, if none of it is needed, first make plain task data: geoflow convert RX --out DIR",
    )
