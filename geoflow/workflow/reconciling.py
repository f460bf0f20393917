"""Reading a log, the target map, the boundary and the bar, and bringing them together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.bar.liquid import liquid_temperature
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import LogError, UsageError
from geoflow.base.memory import give_back
from geoflow.base.progress import tell
from geoflow.base.rates import as_nitrogen_rate
from geoflow.base.subject import TARGET, called, reading
from geoflow.base.units import GALLON, MILE, POUND, parse
from geoflow.diagnosis import diagnose, lost_liquid
from geoflow.diagnosis.findings import Finding
from geoflow.files.inputs import watching
from geoflow.hydraulics.window import FlowWindow, flow_window, temperature_grid
from geoflow.layers.boundaries import read_boundary
from geoflow.layers.notes import Note
from geoflow.log_files.read_log import ReadingLog, ReadLog, read_log
from geoflow.options.typed import ComparisonOptions, Given, LogOptions, ReadOptions
from geoflow.outcomes import ReconcileOutcome
from geoflow.physics.air import SEA_LEVEL_PRESSURE
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, LOWEST_TEMPERATURE, saturation
from geoflow.reconciliation.balance import Balance, gaps, logged_ammonia, mass_balance, mean_temperature
from geoflow.reconciliation.causes import response_time
from geoflow.reconciliation.expected import compare
from geoflow.reconciliation.field import Reconciliation, TargetMap, reconcile, with_lost_liquid
from geoflow.reconciliation.loads import match_loads
from geoflow.workflow.rehearsed_zones import read_rehearsed, rehearsal_file
from geoflow.workflow.vetting import USUAL_COUNTING_TEMPERATURE, read_with

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["liquid_said", "parse_tickets", "read_log_with", "reading_of", "reconcile_file"]

# Less than this of the log's usual rate is nothing.
_TRACE: Final = 0.01
_CHANGES: Final = "--target-volume-temperature"
_AS_IT_SAYS: Final = LogOptions()
_AS_IT_IS: Final = ReadOptions()
_SUBSTANCES: Final = {"": "ammonia", "nh3": "ammonia", "ammonia": "ammonia", "n": "nitrogen", "nitrogen": "nitrogen"}


def parse_tickets(texts: Sequence[str], nitrogen_fraction: float) -> tuple[float, ...]:
    """Read scale tickets like ``"12400 lb NH3"`` as ammonia [kg].

    Parameters
    ----------
    texts : sequence of str
        As typed.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].

    Raises
    ------
    UsageError, QuantityError
        If a text is no mass of ammonia or nitrogen.
    """
    found = []
    for text in texts:
        words = text.split()
        last = words[-1].casefold() if words else ""
        named = len(words) > 1 and last in _SUBSTANCES
        substance = _SUBSTANCES[last] if named else "ammonia"
        mass = parse(" ".join(words[:-1] if named else words), "mass", where="--ticket")
        if not mass > 0.0:
            raise UsageError(f"'{text}' is no load", where="--ticket", cure='give it like "12400 lb NH3"')
        found.append(mass / (nitrogen_fraction if substance == "nitrogen" else 1.0))
    return tuple(found)


def _kelvin_range(log_temperature: FloatArray, given: tuple[float, float] | None) -> tuple[float, float] | None:
    """Range of liquid temperatures to solve the bar for: logged, or given, or none."""
    known = log_temperature[(log_temperature >= LOWEST_TEMPERATURE) & (log_temperature <= HIGHEST_TEMPERATURE)]
    return (float(known.min()), float(known.max())) if known.size else given


def _window(bar: Bar | None, kelvin: tuple[float, float] | None) -> FlowWindow | None:
    if bar is None or kelvin is None:
        return None
    return flow_window(bar, temperature_grid(*kelvin), tuple(range(len(bar.sections))))


def _read_target(path: Given, options: ReadOptions, nitrogen: str | None) -> Prescription:
    """Read the map; the cures speak of the options that belong to it."""
    with reading(TARGET):
        return read_with(path, options, nitrogen)


def _moved(shapes: Any, source: Any, onto: Any) -> Any:
    """Shapes from one local frame into another."""
    import pyproj
    import shapely

    onward = pyproj.Transformer.from_crs(source, onto, always_xy=True)
    return shapely.transform(shapes, lambda points: np.column_stack(onward.transform(*points.T)))


def _refuse_elsewhere(read: ReadLog, zones: Any, boundary: Any, what: str) -> None:
    """Raise LogError where no position of the log lies within a mile of the map or boundary."""
    import shapely

    shapes = zones if len(zones) else np.array([boundary], dtype=object)
    low_x, low_y, high_x, high_y = shapely.total_bounds(shapes)
    x, y = read.log.x, read.log.y
    away = np.hypot(np.clip(x, low_x, high_x) - x, np.clip(y, low_y, high_y) - y)
    nearest = float(away.min())
    if nearest > MILE:
        raise LogError(
            f"the log lies {nearest / MILE:,.1f} miles ({nearest / 1000.0:,.1f} km) from {what}",
            where=called(read.path),
            cure="give the map of the field this log was made in, or check the coordinates (--crs, --target-crs)",
        )


def _diagnosis(read: ReadLog, found: Reconciliation, bar: Bar | None) -> tuple[tuple[Finding, ...], IntArray]:
    """Ask the log about the bar, and in which of its records liquid was lost.

    Ordered to give nothing, or giving nothing where none was asked, it counts as off.
    """
    if bar is None:
        return (), np.empty(0, dtype=np.int64)
    tell("asking the log about the bar")
    log = read.log
    usual = float(np.median(log.applied[log.applied > 0.0])) if (log.applied > 0.0).any() else 0.0
    nothing = (log.applied <= _TRACE * usual) & ~(log.target > 0.0) & ~(found.log.target > 0.0)
    asked = replace(log, on=log.on & ~nothing & (log.target != 0.0))
    diagnosis = diagnose(asked, bar)
    return diagnosis, lost_liquid(asked, bar, diagnosis)


def _density(bar: Bar | None, temperature: tuple[float, float] | None, said: str | None = None) -> float | None:
    """Density at which a log's volumes of ammonia are counted [kg/m3]; None where nothing says."""
    if said is not None:
        return float(saturation(parse(said, "temperature", where="--volume-temperature")).liquid_density)
    if bar is not None and bar.meter.reference_temperature is not None:
        return float(saturation(bar.meter.reference_temperature).liquid_density)
    return None if temperature is None else float(saturation(0.5 * sum(temperature)).liquid_density)


def _counted_density(bar: Bar | None, temperature: tuple[float, float] | None, said: str | None) -> float:
    """Density at which the volumes of a target map are counted [kg/m3]."""
    known = None if said is not None else _density(bar, temperature)
    if known is not None:
        return known
    kelvin = parse(said or USUAL_COUNTING_TEMPERATURE, "temperature", where=_CHANGES)
    return float(saturation(kelvin).liquid_density)


def reconcile_file(
    log_file: Given,
    against: ComparisonOptions,
    log: LogOptions = _AS_IT_SAYS,
    target: ReadOptions = _AS_IT_IS,
    *,
    rehearsed: str | None = None,
) -> ReconcileOutcome:
    """Read everything and reconcile it.

    Parameters
    ----------
    log_file : str, GeoDataFrame, DataFrame or ReadLog
        The as-applied log.
    against : ComparisonOptions
        Bar, target map, boundary and scale tickets.
    log, target : LogOptions, ReadOptions
        How the log and the map are read.
    rehearsed : str, optional
        Folder of a rehearsal of the same map, to compare with.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """
    file = None if rehearsed is None else str(rehearsal_file(rehearsed))
    with watching(log_file, against.bar, against.target, against.boundary, log.columns_file, file):
        outcome = _reconcile_file(log_file, against, log, target)
        if rehearsed is None:
            return outcome
        zones = outcome.found.zones
        expected = read_rehearsed(rehearsed, outcome.target, np.zeros(0) if zones is None else zones.asked)
        assert zones is not None
        return replace(outcome, rehearsed=compare(rehearsed, expected, zones))


def read_log_with(
    log_file: Given, options: LogOptions, bar: Bar | None, temperature: tuple[float, float] | None, fraction: float
) -> ReadLog:
    """Read the log with what the bar says of it.

    Parameters
    ----------
    log_file : str, GeoDataFrame, DataFrame or ReadLog
        The as-applied log; one that was read already comes back as it is.
    options : LogOptions
        How it is read.
    bar : Bar or None
        Its widths, its meter and the air where it is.
    temperature : tuple of float or None
        Of the liquid, where it was given [K].
    fraction : float
        Mass of nitrogen over mass of ammonia [-].
    """
    if isinstance(log_file, ReadLog):
        return log_file
    tell(f"reading {called(log_file)}")
    return read_log(log_file, reading_of(options, bar, temperature, fraction))


def reading_of(
    options: LogOptions, bar: Bar | None, temperature: tuple[float, float] | None, fraction: float
) -> ReadingLog:
    """Bring together what is said of a log and what the bar says of it.

    Parameters
    ----------
    options, bar, temperature, fraction
        As for `read_log_with`.
    """
    width = bar.width if bar is not None else None
    if options.width is not None:
        width = parse(options.width, "length", where="--width")
    return ReadingLog(
        columns=options.column,
        accept=options.accept,
        rate_unit=options.rate_unit,
        nitrogen=options.nitrogen,
        take_as_ammonia=options.take_as_ammonia,
        nitrogen_fraction=fraction,
        air_pressure=SEA_LEVEL_PRESSURE if bar is None else bar.air_pressure,
        ammonia_density=_density(bar, temperature, options.volume_temperature),
        bar_width=width,
        section_widths=None if bar is None else [section.rows * bar.row_spacing for section in bar.sections],
        crs=options.crs,
        swap_axes=options.swap_axes,
        layer=options.layer,
        mapping=None if options.columns_file is None else Path(options.columns_file),
    )


def liquid_said(options: LogOptions, bar: Bar | None) -> tuple[float, float] | None:
    """Temperature of the liquid as it was said [K]; None where it was not.

    Parameters
    ----------
    options : LogOptions
        How the log is read.
    bar : Bar or None
        Its air counts with a tank's gauge; the sea level's without one.
    """
    if options.temperature is None:
        return None
    air = SEA_LEVEL_PRESSURE if bar is None else bar.air_pressure
    return liquid_temperature(options.temperature, air, where="--temperature")


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """What a log is compared with, in its frame: the map as read and as a target, the boundary, and notes on both."""

    target: Prescription | None = None
    asked: TargetMap | None = None
    boundary: Any = None
    notes: tuple[Note, ...] = ()

    @property
    def zones(self) -> np.ndarray[Any, np.dtype[np.object_]]:
        return np.array([], dtype=object) if self.asked is None else self.asked.zones


def _with_map(field: _Field, target: Prescription, read: ReadLog, bar: Bar | None, counted: float) -> _Field:
    """Add the target map too; its volumes are counted at a density [kg/m3]."""
    fraction = NITROGEN_FRACTION if bar is None else bar.nitrogen_fraction
    rate = as_nitrogen_rate(target.rate, target.rate_unit, fraction, counted)
    zones = _moved(target.zones, target.local_crs, read.local_crs)
    notes = [
        replace(note, text=f"map: {note.text}", metric=note.metric and f"map: {note.metric}") for note in target.notes
    ]
    if target.rate_unit.basis == "ammonia volume":
        us, metric = (
            f"map: volumes are counted at {density}; {_CHANGES} changes it"
            for density in (f"{counted * GALLON / POUND:.3f} lb/gal", f"{counted:,.1f} kg/m³")
        )
        notes.append(Note("volume", us, metric=metric))
    _refuse_elsewhere(read, zones, None, "the map")
    return replace(field, target=target, asked=TargetMap(zones, rate), notes=(*field.notes, *notes))


def _with_boundary(field: _Field, against: ComparisonOptions, read: ReadLog) -> _Field:
    """Read the boundary too, where one was given."""
    if against.boundary is None:
        return field
    boundary, outlined = read_boundary(against.boundary, read.local_crs, crs=against.boundary_crs)
    notes = (Note("place", f"boundary: {note}") for note in outlined)
    _refuse_elsewhere(read, (), boundary, "the boundary")
    return replace(field, boundary=boundary, notes=(*field.notes, *notes))


def _balance(
    read: ReadLog, loaded: tuple[float, ...], bar: Bar | None, fraction: float, kelvin: float | None
) -> Balance | None:
    """Weigh the log against the scale tickets, where there are any."""
    if not loaded:
        return None
    meter = None if bar is None else bar.meter
    return mass_balance(
        logged_ammonia(read.log, fraction),
        sum(loaded),
        bridged=float(gaps(read.log).nitrogen.sum()) / fraction,
        nitrogen_fraction=fraction,
        pulses_per_volume=None if meter is None else meter.pulses_per_volume,
        temperature=kelvin,
        reference_temperature=None if meter is None else meter.reference_temperature,
    )


def _reconcile_file(
    log_file: Given, against: ComparisonOptions, options: LogOptions, target_options: ReadOptions
) -> ReconcileOutcome:
    bar = None if against.bar is None else read_bar(against.bar)
    fraction = NITROGEN_FRACTION if bar is None else bar.nitrogen_fraction
    loaded = parse_tickets(against.ticket, fraction)
    if loaded and options.nitrogen is not None:
        raise UsageError(
            "a ticket of ammonia does not fit a log of another product (--nitrogen)",
            where="--ticket",
            cure="leave --ticket out",
        )
    temperature = liquid_said(options, bar)
    read = read_log_with(log_file, options, bar, temperature, fraction)
    field = _Field(notes=tuple(read.notes))
    if against.target is not None:
        counted = _counted_density(bar, temperature, target_options.volume_temperature)
        target = _read_target(against.target, target_options, options.nitrogen)
        field = _with_map(field, target, read, bar, counted)
    field = _with_boundary(field, against, read)
    kelvin = _kelvin_range(read.log.temperature, temperature)
    give_back()
    tell(f"laying {read.kept:,} records on the ground")
    found = reconcile(
        read.log,
        field.asked,
        field.boundary,
        drawn=read.drawn,
        response_time=response_time(None if bar is None else bar.controller),
        window=_window(bar, kelvin),
        nitrogen_fraction=fraction,
    )
    meter_temperature = mean_temperature(read.log)
    if meter_temperature is None and kelvin is not None:
        meter_temperature = 0.5 * sum(kelvin)
    diagnosis, lost = _diagnosis(read, found, bar if options.nitrogen is None else None)
    return ReconcileOutcome(
        read=read,
        bar=bar,
        target=field.target,
        boundary=field.boundary,
        zones=field.zones,
        found=with_lost_liquid(found, lost),
        gaps=gaps(read.log),
        balance=_balance(read, loaded, bar, fraction, meter_temperature),
        loads=match_loads(read.log, np.array(loaded), fraction),
        tickets=len(loaded),
        meter_temperature=meter_temperature,
        diagnosis=diagnosis,
        notes=field.notes,
        nitrogen_fraction=fraction,
    )
