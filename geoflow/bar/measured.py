"""Measured points as people read them, turned into flow, pressure and temperature at one orifice.

How far a reading may be off unless the bar file says: a meter 3 % of flow, the speed of a display another 2 %, a scale
with the clock 2 %, gauges 2 psi, a thermometer 2 degF, and what friction formulas and worn fittings leave open of a
feed's loss 20 %. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from geoflow.bar.building import line_of
from geoflow.bar.equipment import Line, MeasuredPoint, PointReadings
from geoflow.bar.keys import keys_of
from geoflow.bar.liquid import tank_gauge
from geoflow.bar.ranges import at_end
from geoflow.bar.values import LiquidFlow
from geoflow.base import units
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, LOWEST_TEMPERATURE, liquid_density, saturation
from geoflow.physics.lines import line_loss

__all__ = ["TANK_GAUGE", "measured_points", "usual_flow_tolerance"]

_Note = Callable[[str, str, str], None]

_TABLE: Final = "orifices.measured"
_RATE_TOLERANCE: Final = 0.05
_LOAD_TOLERANCE: Final = 0.02
TANK_GAUGE: Final = "2 psi"
"""How far the gauge of a tank is taken to be off."""
_FEED_LOSS_TOLERANCE: Final = 0.2
_FLOWS: Final = ("flow", "bar_flow", "rate", "load")
_PRESSURES: Final = ("pressure", "pressure_after_valve")
_PAIRS: Final = {"rate": "speed", "load": "time"}


def usual_flow_tolerance(point: Mapping[str, object]) -> float:
    """How far the flow of a point may be off [-] unless the bar file says; it depends on how it was read.

    Parameters
    ----------
    point : Mapping
        As it stands in the bar file.
    """
    if "rate" in point:
        return _RATE_TOLERANCE
    return _LOAD_TOLERANCE if "load" in point else float(keys_of(_TABLE)["flow_tolerance"].default or 0.0)


def measured_points(
    note: _Note, name: str, values: Mapping[str, Any], given: Mapping[str, Any], air: tuple[float, float]
) -> tuple[MeasuredPoint, ...]:
    """Turn the points of one orifice into flow, pressure and temperature at it; what is wrong is noted.

    Parameters
    ----------
    note : callable
        Takes where, what and cure of a problem.
    name : str
        Of the orifice.
    values : Mapping
        The whole bar file in SI, None where something is absent or wrong.
    given : Mapping
        The whole bar file as written.
    air : tuple of float
        Least and greatest pressure of the air at the site [Pa]; gauge pressures were read at the middle.
    """
    points = []
    said = given["orifices"][name].get("measured")
    for index, value in enumerate(values["orifices"][name]["measured"] or ()):
        if not isinstance(said[index], Mapping):
            continue
        point = _Point(note, name, index, value, said[index])
        if point.complete():
            found = point.at_the_orifice(values, air)
            points += [found] if found else []
    return tuple(points)


class _Point:
    """One point on its way from readings to the orifice."""

    def __init__(self, note: _Note, name: str, index: int, value: dict[str, Any], said: Mapping[str, Any]) -> None:
        self.orifice, self.value, self.said = name, value, said
        self._note, self._place = note, f"[orifices.{name}]: measured {index + 1}"
        self._sound = True

    def note(self, what: str, cure: str) -> None:
        self._sound = False
        self._note(self._place, what, cure)

    def complete(self) -> bool:
        """Whether flow and pressure are given once each and everything given could be read."""
        for names, what in ((_FLOWS, "flow"), (_PRESSURES, "pressure")):
            there = [name for name in names if name in self.said]
            if len(there) > 1:
                self.note(f"{' and '.join(there)} at once", f"keep the one that was read; the {what} counts once")
            elif not there:
                self.note(f"no {what} in it", f"add one of {', '.join(names)}, like {_example(names[0])}")
        for one, other in _PAIRS.items():
            if (one in self.said) != (other in self.said):
                missing = other if one in self.said else one
                here = one if one in self.said else other
                self.note(f"{here} without {missing}", f"add {_example(missing)}")
        if "flow" in self.said and "sections" in self.said:
            self.note("sections beside flow", "flow is that of one row: take sections out, or write bar_flow")
        return (
            self._sound
            and self.value["temperature"] is not None
            and all(self.value[key] is not None for key in self.said if key in self.value)
        )

    def at_the_orifice(self, values: Mapping[str, Any], air: tuple[float, float]) -> MeasuredPoint | None:
        """Work the point out; None where that is impossible, which is noted."""
        if any(values[part] is None for part in ("row_spacing", "nitrogen_fraction", "meter", "sections")):
            return None
        sections, air_pressure = self._sections(values["sections"]), 0.5 * sum(air)
        kelvin, off = self._warmth(air_pressure)
        if not sections or not self._sound or self._pulses_tell_nothing(values["meter"]):
            return None
        flow, share = self._whole_flow(values, sections, kelvin, off)
        rows = 1 if "flow" in self.said else sum(section["rows"] for section in sections)
        if self._is_no_flow(flow / rows):
            return None
        pressure, gauge, loss = self.value["pressure"], self.value["pressure_tolerance"] + 0.5 * (air[1] - air[0]), None
        if pressure is None:
            pressure = self.value["pressure_after_valve"]
            loss = _feed_loss(sections, flow / rows, share, kelvin, pressure)
            pressure, gauge = pressure - 0.5 * sum(loss), gauge + 0.5 * (loss[1] - loss[0])
        self._refuse_boiling(pressure, kelvin, air_pressure)
        readings = PointReadings(
            self._flow_said(),
            str(self.said.get("pressure", self.said.get("pressure_after_valve"))),
            str(self.said["temperature"]),
            rows,
            loss,
            tank_gauge(self.said["temperature"], air_pressure) is not None,
        )
        return MeasuredPoint(flow / rows, pressure, kelvin, share, gauge, off, readings) if self._sound else None

    def _pulses_tell_nothing(self, meter: Mapping[str, Any]) -> bool:
        read: LiquidFlow | None = self.value["bar_flow"]
        nothing = read is not None and read.basis == "pulses" and meter["pulses_per_gallon"] is None
        if nothing:
            self.note(
                "pulses tell no flow, as the bar file does not say how many the meter gives to a gallon",
                "add pulses_per_gallon to [meter], or give the flow as a volume, a weight or a load over a time",
            )
        return nothing

    def _is_no_flow(self, row_flow: float) -> bool:
        """Whether a flow is none that one orifice has."""
        least, most = (units.parse(end, "ammonia flow") for end in keys_of(_TABLE)["flow"].accepted or ())
        if not least <= row_flow <= most:
            each = units.show(row_flow, "ammonia flow", "us", 3)
            self.note(f"{self._flow_said()} makes {each} through one orifice", "check the number and the unit")
        return not self._sound

    def _flow_said(self) -> str:
        if "rate" in self.said:
            return f"{self.said['rate']} at {self.said['speed']}"
        if "load" in self.said:
            return f"{self.said['load']} in {self.said['time']}"
        return str(self.said.get("flow", self.said.get("bar_flow")))

    def _sections(self, sections: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Those the flow went through."""
        if any(not section.get(key) for section in sections for key in ("name", "rows", "orifice")):
            return []
        if "flow" in self.said:
            mine = [section for section in sections if section["orifice"] == self.orifice]
            return mine or [{"name": "", "rows": 1, "orifice": self.orifice, "feed": None}]
        on = self._named(sections)
        others = sorted({section["orifice"] for section in on} - {self.orifice})
        if others:
            own = ",".join(section["name"] for section in sections if section["orifice"] == self.orifice)
            cure = f'measure with only these on, and write sections = "{own}"' if own else "fit it in a section first"
            self.note(f"the flow also went through orifice {' and '.join(others)}", cure)
        return on

    def _named(self, sections: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Those that the point says were on; all where it says nothing."""
        if self.value["sections"] is None:
            return sections
        wanted = [one.strip() for one in self.value["sections"].split(",")]
        known = [section["name"] for section in sections]
        for one in wanted:
            if one not in known:
                self.note(f"there is no section '{one}'", f"name some of {', '.join(known)}")
        return [section for section in sections if section["name"] in wanted]

    def _warmth(self, air_pressure: float) -> tuple[float, float]:
        """Liquid temperature and how far it may be off, both [K]."""
        kelvin, off = self.value["temperature"], self.value["temperature_tolerance"]
        pressures = tank_gauge(self.said["temperature"], air_pressure)
        if pressures is not None and "temperature_tolerance" not in self.said:
            slope = float(saturation(kelvin + 0.5).pressure - saturation(kelvin - 0.5).pressure)
            off = units.parse(TANK_GAUGE, "pressure") / slope
        return kelvin, off

    def _whole_flow(
        self, values: Mapping[str, Any], sections: list[dict[str, Any]], kelvin: float, off: float
    ) -> tuple[float, float]:
        """Ammonia that flowed [kg/s], and how far that may be off [-]."""
        meter = values["meter"]
        share = self.value["flow_tolerance"] if "flow_tolerance" in self.said else usual_flow_tolerance(self.said)
        density = float(saturation(kelvin).liquid_density)
        warmest, coldest = min(kelvin + off, HIGHEST_TEMPERATURE), max(kelvin - off, LOWEST_TEMPERATURE)
        swing = float(saturation(coldest).liquid_density - saturation(warmest).liquid_density)
        by_volume = share + 0.5 * swing / density
        if "flow" in self.said:
            return self.value["flow"], share
        if "load" in self.said:
            return self.value["load"] / self.value["time"], share
        if "rate" in self.said:
            width = sum(section["rows"] for section in sections) * values["row_spacing"]
            flow = self.value["rate"] * width * self.value["speed"] / values["nitrogen_fraction"]
            fixed = meter["reference_temperature"]
            if fixed is None:
                return flow, share
            return flow * density / float(saturation(fixed).liquid_density), by_volume
        read: LiquidFlow = self.value["bar_flow"]
        if read.basis == "mass":
            return read.value, share
        volume = read.value
        if read.basis == "pulses":
            volume = read.value / meter["pulses_per_gallon"] * units.factor("gallon", "volume")
        return volume * density, by_volume

    def _refuse_boiling(self, pressure: float, kelvin: float, air_pressure: float) -> None:
        vapour = float(saturation(kelvin).pressure)
        if pressure > vapour:
            return
        here, there = (units.show(one - air_pressure, "pressure", "us") for one in (pressure, vapour))
        warmth = units.show(kelvin, "temperature", "us", 1)
        self.note(
            f"{here} gauge above the orifice is not over the {there} at which ammonia of {warmth} boils, so part of "
            "what passed was vapour and the point says nothing of the orifice",
            "measure again with the liquid held above its vapour pressure (less flow, or colder liquid), or check the "
            "gauge and the temperature",
        )


def _example(name: str) -> str:
    key = keys_of(_TABLE)[name]
    return f'{name} = "{key.example}"'


def _feed_loss(
    sections: list[dict[str, Any]], row_flow: float, share: float, kelvin: float, pressure: float
) -> tuple[float, float]:
    """Least and greatest pressure [Pa] the feeds lose at a flow of one row [kg/s] known to a `share` [-].

    The mean flow of unequal sections is that of a pressure between theirs. Sections with a greater loss get less; how
    much less is bounded by the liquid margin, for the orifices see at least that.
    """
    liquid = saturation(kelvin)
    ends = [_line_ends(section) for section in sections]

    def losses(less: float, more: float) -> tuple[float, float]:
        found = [
            (
                _loss(line, flow * section["rows"], liquid, pressure) * (1.0 + side * _FEED_LOSS_TOLERANCE)
                if line
                else 0.0
            )
            for section, lines in zip(sections, ends, strict=True)
            for line, flow, side in zip(lines, (row_flow * less, row_flow * more), (-1.0, 1.0), strict=True)
        ]
        return min(found), max(found)

    least, most = losses(1.0 - share, 1.0 + share)
    margin = pressure - most - float(liquid.pressure)
    uneven = min(0.5 * (most - least) / margin, 0.5) if margin > 0.0 and len(sections) > 1 else 0.0
    return losses((1.0 - share) * (1.0 - uneven), (1.0 + share) * (1.0 + uneven))


def _line_ends(section: dict[str, Any]) -> tuple[Line | None, Line | None]:
    """Its feed with the least loss and with the most."""
    line = line_of(section["feed"])
    return line and at_end(line, 1.0), line and at_end(line, -1.0)


def _loss(line: Line, flow: float, liquid: Any, pressure: float) -> float:
    return float(
        np.asarray(
            line_loss(
                flow,
                liquid_density(liquid, max(pressure, float(liquid.pressure))),
                liquid.liquid_viscosity,
                length=line.length,
                bore=line.bore,
                fittings_k=line.fittings_k,
                roughness=line.roughness,
            )
        )
    )
