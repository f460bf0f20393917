"""Orifices for rates: reading what was asked, with a bar file or before there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.bar.bar_file import read_bar
from geoflow.bar.drills import NUMBER_DRILLS
from geoflow.bar.equipment import Bar
from geoflow.bar.keys import keys_of
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.lists import parse_list
from geoflow.base.progress import tell
from geoflow.base.subject import called
from geoflow.base.units import parse
from geoflow.decide.size_curves import BarRange
from geoflow.decide.sized import Sized, Taken, sized
from geoflow.files.inputs import watching
from geoflow.options.typed import PlanOptions, ReadOptions, SizeOptions
from geoflow.workflow.assumed_bar import USUAL, assumed_bar, with_losses
from geoflow.workflow.bar_plan import make_plan
from geoflow.workflow.typed_rates import parse_rates
from geoflow.workflow.vetting import in_nitrogen, read_with

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["size_orifices"]

_OF_THE_BAR: Final = (*USUAL, "land", "thin_plate")
_MOST_SIZES: Final = 200


def _sizes(said: SizeOptions) -> dict[float, str]:
    """Diameters to choose from [m] and what they are called beside their size."""
    found: dict[float, str] = {}
    if said.diameters is not None:
        found |= dict.fromkeys(parse_list(said.diameters, "small length", where="--diameters"), "")
    least, most = (parse(str(end), "length") for end in keys_of("orifices")["diameter"].accepted or ())
    odd = [size for size in found if not least <= size <= most]
    if odd or len(found) > _MOST_SIZES:
        raise UsageError(
            f"'{said.diameters}' holds what is no bore of a row orifice",
            where="--diameters",
            cure='write them like "0.063, 0.067 in"',
        )
    if said.drills:
        found |= {size: f"no. {number}" for number, size in NUMBER_DRILLS.items()}
    return found


def _read_bar(said: SizeOptions) -> Bar | None:
    """The bar file, which then says all but the orifices."""
    if said.bar is None:
        if said.sections is not None:
            raise UsageError("--sections without a bar file", where="geoflow size", cure="give --bar too, or leave it")
        return None
    twice = [f"--{name.replace('_', '-')}" for name in _OF_THE_BAR if getattr(said, name)]
    if twice:
        raise UsageError(
            f"the bar file says what {', '.join(twice)} would",
            where="geoflow size",
            cure="leave these options out, or the bar file",
        )
    bar = read_bar(said.bar)
    spacing = None if said.row_spacing is None else parse(said.row_spacing, "length", where="--row-spacing")
    if (said.rows or bar.rows) != bar.rows or abs((spacing or bar.row_spacing) / bar.row_spacing - 1.0) > 0.01:
        raise UsageError(
            "--rows or --row-spacing is not what the bar file has",
            where=said.bar,
            cure="leave them out; the bar file says both",
        )
    return bar


def size_orifices(said: SizeOptions, read: ReadOptions) -> tuple[Sized, Prescription | None]:
    """Find orifices for rates.

    Parameters
    ----------
    said : SizeOptions
        Rates or a map, the plan, and the bar or what is known of it.
    read : ReadOptions
        How the map is read.

    Returns
    -------
    found, prescription : Sized, Prescription or None
        The map as read, where one was given.

    Raises
    ------
    GeoflowError
        If anything cannot be read or understood, or nothing is asked.
    """
    if said.rates is None and said.map is None:
        raise UsageError(
            "no rates are asked", where="geoflow size", cure='give --rates "85, 100, 115 lb N/ac", or a map with --map'
        )
    sizes = _sizes(said)
    prescription: Prescription | None = None
    taken: tuple[Taken, ...] = ()
    with watching(said.map, said.bar):
        bar = _read_bar(said)
        if said.map is not None:
            tell(f"reading {called(said.map)}")
            prescription = read_with(said.map, read)
    if bar is None:
        bars, plan, taken = assumed_bar(said)
    else:
        bars = BarRange(bar, bar)
        plan = make_plan(
            bar, PlanOptions(bar="", temperature=said.temperature, speed=said.speed, sections=said.sections)
        )
    rate = np.empty(0) if said.rates is None else parse_rates(said.rates, bars.worse, read.volume_temperature)
    area: FloatArray | None = None
    if prescription is not None:
        prescription, of_map, _ = in_nitrogen(prescription, bars.worse, read.volume_temperature)
        # A rate that no zone asks for weighs nothing.
        rate, area = np.append(of_map, rate), np.append(prescription.area, np.zeros(rate.size))
    if not (rate > 0.0).any() or (area is not None and not area[rate > 0.0].sum() > 0.0):
        raise UsageError("every zone of the map asks for zero", where="--map", cure="give rates with --rates alone")
    if bar is None:
        bars = with_losses(bars, plan, taken, float(rate.max()))
    tell("sizing orifices")
    return sized(bars, plan, rate, area, taken, sizes), prescription
