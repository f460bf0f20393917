"""Reading a bar and a prescription, vetting, and writing what came of it."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.base.ranges import FASTEST
from geoflow.base.rates import as_nitrogen_rate
from geoflow.base.subject import called
from geoflow.base.units import GALLON, POUND, parse, show, to_si
from geoflow.decide.edges import look_beyond
from geoflow.decide.vet import Plan, vet
from geoflow.files.inputs import watching
from geoflow.layers.notes import Note
from geoflow.options.typed import Given, PlanOptions, ReadOptions
from geoflow.outcomes import VetOutcome
from geoflow.physics.ammonia import saturation
from geoflow.prescription_files.read_prescription import Prescription, read_prescription
from geoflow.workflow.bar_plan import read_bar_and_plan

__all__ = [
    "USUAL_COUNTING_TEMPERATURE",
    "counted_density",
    "in_nitrogen",
    "looked_beyond",
    "read_with",
    "vet_file",
]

_SPEED_COLUMNS = ("speed_low_mph", "speed_high_mph")
USUAL_COUNTING_TEMPERATURE = "60 degF"
_AS_IT_IS: Final = ReadOptions()


def counted_density(bar: Bar, volume_temperature: str | None) -> float:
    """Density at which gallons or litres of a prescription are counted [kg/m3].

    Parameters
    ----------
    bar : Bar
        Its meter's reference temperature counts where nothing else is said.
    volume_temperature : str or None
        With its unit.

    Raises
    ------
    QuantityError
        If that is no temperature.
    """
    if volume_temperature is not None:
        kelvin = parse(volume_temperature, "temperature", where="--volume-temperature")
    elif bar.meter.reference_temperature is not None:
        kelvin = bar.meter.reference_temperature
    else:
        kelvin = parse(USUAL_COUNTING_TEMPERATURE, "temperature")
    return float(saturation(kelvin).liquid_density)


def _read_zone_speeds(path: Path, prescription: Prescription, plan: Plan) -> tuple[FloatArray, FloatArray]:
    """Slowest and fastest speed of each zone [m/s] from a rewriting's side file; the plan's for zones not in it."""
    slow, fast = np.repeat(np.array(plan.speed)[:, None], len(prescription.row), axis=1)
    line, place = 1, {row: index for index, row in enumerate(prescription.row.tolist())}
    try:
        if not path.is_file():
            raise OSError("no file")  # a pipe would let us wait for ever
        with path.open(encoding="utf-8", newline="") as lines:
            reader = csv.DictReader(lines)
            if not {"row", *_SPEED_COLUMNS} <= {*(reader.fieldnames or ())}:
                raise ValueError
            for entry in reader:
                line = reader.line_num
                index = place[int(entry["row"])]
                low, high = (to_si(float(entry[name]), "speed", "mile/hour") for name in _SPEED_COLUMNS)
                if not 0.0 < low <= high <= FASTEST:
                    raise ValueError
                slow[index], fast[index] = low, high
    except (OSError, UnicodeDecodeError) as problem:
        raise UsageError(
            "the file with the zones' speeds cannot be read",
            where=f"--zone-speeds {called(path)}",
            cure="check the name",
        ) from problem
    except (KeyError, ValueError, TypeError, csv.Error) as problem:
        raise UsageError(
            f"line {line} does not name a zone of this prescription and its speeds",
            where=f"--zone-speeds {called(path)}",
            cure="give the ..._changes.csv that 'geoflow rewrite' wrote beside this very prescription",
        ) from problem
    return slow, fast


def _volume_note(bar: Bar, volume_temperature: str | None, density: float) -> Note:
    given = volume_temperature or USUAL_COUNTING_TEMPERATURE
    if volume_temperature is None and bar.meter.reference_temperature is not None:
        given = show(bar.meter.reference_temperature, "temperature", "us")
    pounds = density * GALLON / POUND
    text = f"volumes are counted at {given}, {pounds:.2f} lb NH3 to the gallon; --volume-temperature changes it"
    return Note("volume", text)


def in_nitrogen(
    prescription: Prescription, bar: Bar, volume_temperature: str | None
) -> tuple[Prescription, FloatArray, float]:
    """Turn a prescription's rates into nitrogen, as the bar's ammonia carries it.

    Parameters
    ----------
    prescription : Prescription
        As read.
    bar : Bar
        Gives the share of nitrogen, and where volumes are counted if nothing else says so.
    volume_temperature : str or None
        Temperature at which volumes are counted, with unit.

    Returns
    -------
    prescription : Prescription
        With a note more where it counts volumes.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    counted_density : float
        Density at which volumes are counted [kg/m3].

    Raises
    ------
    QuantityError
        If `volume_temperature` is none.
    """
    density = counted_density(bar, volume_temperature)
    if prescription.rate_unit.basis == "ammonia volume":
        prescription = replace(
            prescription, notes=(*prescription.notes, _volume_note(bar, volume_temperature, density))
        )
    rate = as_nitrogen_rate(prescription.rate, prescription.rate_unit, bar.nitrogen_fraction, density)
    return prescription, rate, density


def read_with(path: Given, options: ReadOptions, nitrogen: str | None = None) -> Prescription:
    """Read a prescription as the options say.

    Parameters
    ----------
    path : str, GeoDataFrame or Prescription
        The file, the zones themselves, or what was read already.
    options : ReadOptions
        How; the temperature of volumes is none of the reader's business.
    nitrogen : str, optional
        What another product than ammonia holds; never where it is to be vetted.

    Raises
    ------
    GeoflowError
        If it cannot be read or understood.
    """
    if isinstance(path, Prescription):
        return path
    return read_prescription(
        path,
        rate_column=options.rate_column,
        rate_unit=options.rate_unit,
        crs=options.crs,
        swap_axes=options.swap_axes,
        layer=options.layer,
        zones=options.zones,
        take_as_ammonia=options.take_as_ammonia,
        zone_id=options.zone_id,
        nitrogen=nitrogen,
    )


def vet_file(
    prescription_file: Given, plan: PlanOptions, read: ReadOptions = _AS_IT_IS, *, zone_speeds: str | None = None
) -> VetOutcome:
    """Read a prescription and a bar and give every zone its verdict.

    Parameters
    ----------
    prescription_file : str, GeoDataFrame or Prescription
        The prescription.
    plan : PlanOptions
        The bar, and what is planned with it.
    read : ReadOptions
        How the prescription is read.
    zone_speeds : str or None
        Side file of a rewriting, with a speed for each zone in it.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """

    with watching(prescription_file, plan.bar, zone_speeds) as inputs:
        tell(f"reading {called(plan.bar)} and solving the bar")
        solution = read_bar_and_plan(plan)
        tell(f"reading {called(prescription_file)}")
        prescription = read_with(prescription_file, read)
        speeds = None if zone_speeds is None else _read_zone_speeds(Path(zone_speeds), prescription, solution.plan)
    prescription, rate, density = in_nitrogen(prescription, solution.bar, read.volume_temperature)
    tell(f"vetting {len(rate):,} zones")
    vetting = vet(rate, solution, speeds)
    return looked_beyond(
        VetOutcome(prescription, rate, solution, vetting, density, inputs), stated=plan.sections is not None
    )


def looked_beyond(outcome: VetOutcome, *, stated: bool) -> VetOutcome:
    """Look at the field's edges and the end of a tank, too.

    Parameters
    ----------
    outcome : VetOutcome
        Vetted.
    stated : bool
        Whether somebody said which sections are on: then those only.
    """
    prescription = outcome.prescription
    looked = look_beyond(
        outcome.rate,
        prescription.area,
        prescription.zones,
        outcome.solution,
        outcome.vetting,
        stated=stated,
        ground=prescription.ground,
    )
    return replace(outcome, beyond=looked)
