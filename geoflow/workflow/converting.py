"""Reading a prescription in one format and unit and writing it in another."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.other_products import PRODUCT_UNITS
from geoflow.base.rate_units import RateUnit, rate_unit
from geoflow.base.rates import UnitRates, as_nitrogen_rate, from_nitrogen_rate
from geoflow.base.subject import TO_CONVERT, called, reading
from geoflow.base.units import parse
from geoflow.files.inputs import watching
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.write import Layout
from geoflow.options.typed import ConvertOptions, Given, ReadOptions
from geoflow.outcomes import ConvertOutcome
from geoflow.physics.ammonia import saturation
from geoflow.prescription_files.read_prescription import Prescription
from geoflow.prescription_patch.new_file import NewForm, write_prescription
from geoflow.prescription_patch.new_taskdata import FORMS, is_task_target, write_task_prescription
from geoflow.report.layer_styles import rate_style
from geoflow.workflow.day import share_in
from geoflow.workflow.vetting import USUAL_COUNTING_TEMPERATURE, read_with

__all__ = ["convert_file", "rates_in"]

_USUAL_CELL: Final = 10.0  # of a grid of task data [m]
_DIGITS: Final = 10  # of a converted rate; further ones are noise of the arithmetic


def _fraction(text: str | None) -> float:
    value = NITROGEN_FRACTION if text is None else share_in(text)
    if not 0.0 < value <= 1.0:
        raise UsageError(f"'{text}' is no fraction", where="--nitrogen-fraction", cure='give it like "0.82" or "82 %"')
    return value


def rates_in(
    rates: FloatArray, unit: RateUnit, to: RateUnit, nitrogen_fraction: float, ammonia_density: float | None
) -> FloatArray:
    """Return rates counted in another unit, shape (n,); the very same numbers where the unit stays.

    Parameters
    ----------
    rates : ndarray of float, shape (n,)
        In `unit`.
    unit, to : RateUnit
        From which, to which.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    ammonia_density : float or None
        Of the liquid that is counted [kg/m3], where a volume is.
    """
    if unit == to:
        return rates
    nitrogen = as_nitrogen_rate(rates, unit, nitrogen_fraction, ammonia_density)
    converted = from_nitrogen_rate(nitrogen, to, nitrogen_fraction, ammonia_density)
    return np.array([float(f"{rate:.{_DIGITS}g}") for rate in converted.tolist()])


def convert_file(
    prescription_file: Given,
    out: str,
    to: ConvertOptions,
    read: ReadOptions,
    *,
    replace_existing: bool = False,
) -> ConvertOutcome:
    """Read a prescription and write it in the format that the output's name says, and in the unit asked for.

    Parameters
    ----------
    prescription_file, out : str
        What to read, or zones in memory, and what to write.
    to : ConvertOptions
        Into what; the unit is the input's where not said, ammonia is 0.82 nitrogen, task data a folder of version 4.
    read : ReadOptions
        How it is read; volumes are counted at 60 °F where not said.
    replace_existing : bool
        Whether an output that is there may be replaced.

    Raises
    ------
    GeoflowError
        For anything that cannot be read, understood or written.
    """
    fraction = _fraction(to.nitrogen_fraction)
    asked = None if to.to_unit is None else rate_unit(to.to_unit, where="--to-unit")
    side = None if to.cell is None else parse(to.cell, "length", where="--cell")
    if side is not None and side <= 0.0:
        raise UsageError(f"'{to.cell}' is no side of a cell", where="--cell", cure='give it like "10 m" or "30 ft"')
    task = _is_task_data(out, to.task_version, to.task_form)
    with watching(prescription_file), reading(TO_CONVERT):
        prescription = read_with(prescription_file, read, to.nitrogen)
    unit = asked or _same(prescription)
    _refuse_crossed(prescription, unit, to, called(prescription_file))
    density, kelvin = _counted(prescription.rate_unit, unit, read.volume_temperature)
    rate = rates_in(prescription.rate, prescription.rate_unit, unit, fraction, density)
    nitrogen = as_nitrogen_rate(prescription.rate, prescription.rate_unit, fraction, density)
    if task:
        folder = Path(out).parent if Path(out).suffix.casefold() == ".xml" else Path(out)
        delivery = Delivery(folder, replace_existing, (prescription.path,))
        layout = Layout(version=to.task_version or 4, form=FORMS[to.task_form or "outlines"], cell=side or _USUAL_CELL)
        written = write_task_prescription(prescription, rate, delivery, unit=unit, layout=layout)
    else:
        rates, form = UnitRates(rate, unit), NewForm(cell=side, style=rate_style)
        written = write_prescription(prescription, rates, Path(out), form=form, replace=replace_existing)
    changes_basis = unit.basis != prescription.rate_unit.basis
    return ConvertOutcome(prescription, nitrogen, written, fraction, kelvin, changes_basis)


def _same(prescription: Prescription) -> RateUnit:
    """Unit to write where none is said: the input's; of another product its nitrogen, in the units nearest to those."""
    unit = prescription.rate_unit
    if unit.text not in PRODUCT_UNITS:
        return unit
    return rate_unit("lb N/ac" if unit.text.endswith("/ac") else "kg N/ha")


def _refuse_crossed(prescription: Prescription, unit: RateUnit, to: ConvertOptions, where: str) -> None:
    """Refuse --nitrogen that says nothing of this file, and another product counted as ammonia."""
    other = prescription.other_product
    if other is not None and unit.basis != "nitrogen":
        what = f"the rates of another product cannot be counted in {unit.text}"
        raise UsageError(what, where="--to-unit", cure='write its nitrogen: --to-unit "lb N/ac" or "kg N/ha"')
    if to.nitrogen is not None and other is None:
        raise UsageError(
            f"--nitrogen speaks of another product, and the rates count {prescription.rate_unit.text}",
            where=where,
            cure='leave --nitrogen out; or say that the rates count the product: --rate-unit "gal/ac" or "lb/ac"',
        )


def _counted(unit: RateUnit, to: RateUnit, volume_temperature: str | None) -> tuple[float | None, float | None]:
    """Return density [kg/m3] and temperature [K] at which volumes are counted; None where there are none."""
    if "ammonia volume" not in (unit.basis, to.basis):
        if volume_temperature is not None:
            cure = "leave --volume-temperature out"
            raise UsageError("neither unit counts a volume", where="--volume-temperature", cure=cure)
        return None, None
    kelvin = parse(volume_temperature or USUAL_COUNTING_TEMPERATURE, "temperature", where="--volume-temperature")
    return float(saturation(kelvin).liquid_density), kelvin


def _is_task_data(out: str, task_version: int | None, task_form: str | None) -> bool:
    """Whether the output is ISO 11783-10 task data: an option of it is given, or the name can mean nothing else."""
    asked = task_version is not None or task_form is not None
    folder = is_task_target(Path(out))
    if asked and not (folder or Path(out).suffix.casefold() == ".zip"):
        raise UsageError(
            f"task data are a folder or a .zip, not a '{Path(out).suffix}'",
            where="--out",
            cure="leave --task-version and --task-form out, or name a folder",
        )
    return asked or folder
