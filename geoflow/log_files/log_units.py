"""What a log's columns can mean: the roles, the units each is written in, and their SI values."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import QuantityError
from geoflow.base.other_products import product_rate, product_unit
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.base.rates import as_nitrogen_rate
from geoflow.base.spelling import nearest
from geoflow.base.units import parse, parse_pressure, to_si

__all__ = ["ROLES", "TIME_UNITS", "Conditions", "Role", "known_unit", "nitrogen_per_unit", "role_to_si"]


@dataclass(frozen=True, slots=True)
class Role:
    """What a column can stand for.

    Attributes
    ----------
    name : str
        As written in ``--column``.
    kind : str
        ``"rate"``, ``"time"``, ``"plain"`` (no unit), ``"degrees"`` (a unit may be left out) or a key of
        `geoflow.base.units.KINDS`.
    names : frozenset of str
        Folded column names, their unit taken off, that mean this role and nothing else.
    units : tuple of str
        Units to offer a person.
    """

    name: str
    kind: str
    names: frozenset[str]
    units: tuple[str, ...] = ()


def _role(name: str, kind: str, names: str, *units: str) -> Role:
    return Role(name, kind, frozenset(names.split()), units)


TIME_UNITS: Final = (
    "UTC", "local", "day/month", "month/day", "epoch s", "epoch ms", "GPS s", "GPS week s", "s", "ms",
)  # fmt: skip
_RATES: Final = (*(unit.text for unit in RATE_UNITS), "gal/ac", "L/ha", "lb/ac", "kg/ha")
ROLES: Final[dict[str, Role]] = {
    role.name: role
    for role in (
        _role("time", "time", "time timestamp datetime gpstime utctime utc logtime recordtime isotime timeutc epoch "
              "unix unixtime localtime dateandtime", *TIME_UNITS),
        _role("lon", "degrees", "lon long longitude gpslon gpslongitude xlon", "deg"),
        _role("lat", "degrees", "lat latitude gpslat gpslatitude ylat", "deg"),
        _role("heading", "degrees", "heading course track cog truecourse bearing gpsheading gpscourse trackdeg", "deg"),
        _role("speed", "speed", "speed groundspeed vehiclespeed gpsspeed travelspeed sog", "mph", "km/h", "m/s", "kn"),
        _role("step", "length", "step steplength distance dist distancetravelled distancetraveled travelled", "ft", "m",
              "in"),
        _role("width", "length", "width swathwidth swath workingwidth workwidth barwidth sectionwidth implementwidth",
              "ft", "m", "in"),
        _role("section", "plain", "section sectionid sectionno sectionnr sectionnumber sectionnum sectionindex"),
        _role("applied", "rate", "applied appliedrate rateapplied asapplied asappliedrate actual actualrate rateactual",
              *_RATES),
        _role("target", "rate", "target targetrate ratetarget prescribed prescribedrate setpoint setpointrate setrate "
              "rx rxrate controlrate", *_RATES),
        _role("flow", "ammonia flow", "flow flowrate totalflow productflow nh3flow ammoniaflow", "lb NH3/min",
              "kg NH3/min", "gpm", "L/min"),
        _role("pump_pressure", "pressure", "pumppressure pumpoutletpressure pumppress pumpoutpressure", "psi", "kPa",
              "bar", "psia"),
        _role("bar_pressure", "pressure", "barpressure manifoldpressure boompressure barpress manifoldpress", "psi",
              "kPa", "bar", "psia"),
        _role("temperature", "temperature", "temperature temp nh3temperature nh3temp producttemp producttemperature "
              "liquidtemp liquidtemperature ammoniatemp ammoniatemperature", "degF", "degC", "K"),
        _role("on", "plain", "on onoff sectionon sectionstate workstate applying masterswitch master sectionstatus"),
    )
}  # fmt: skip
# Spellings of units in column names, folded, and the unit meant.
_IN_NAMES: Final[dict[str, dict[str, str]]] = {
    "speed": {"mph": "mph", "mih": "mph", "mihr": "mph", "kmh": "km/h", "kmhr": "km/h",
              "kph": "km/h", "ms": "m/s", "mps": "m/s", "kn": "kn", "kt": "kn",
              "knots": "kn", "fts": "ft/s"},
    "length": {"ft": "ft", "feet": "ft", "m": "m", "meters": "m", "metres": "m", "in": "in", "inch": "in",
               "inches": "in", "cm": "cm", "mm": "mm"},
    "pressure": {"psi": "psi", "psig": "psi", "psia": "psia", "psiabs": "psia", "kpa": "kPa", "kpaabs": "kPa_abs",
                 "kpaa": "kPa_abs", "bar": "bar", "barg": "bar", "bara": "bar_abs", "barabs": "bar_abs"},
    "temperature": {"degf": "degF", "f": "degF", "fahrenheit": "degF", "degc": "degC", "c": "degC",
                    "celsius": "degC", "k": "K", "kelvin": "K"},
    "degrees": {"deg": "deg", "degrees": "deg", "degree": "deg", "dd": "deg", "": "deg"},
    "ammonia flow": {"lbnh3min": "lb NH3/min", "kgnh3min": "kg NH3/min", "lbnh3h": "lb NH3/h", "kgnh3h": "kg NH3/h",
                     "gpm": "gpm", "galmin": "gpm", "lmin": "L/min", "lpm": "L/min"},
    "time": {"epochs": "epoch s", "unixs": "epoch s", "unix": "epoch s", "epoch": "epoch s", "epochms": "epoch ms",
             "unixms": "epoch ms", "gps": "GPS s", "gpss": "GPS s", "gpssec": "GPS s", "gpsweeks": "GPS week s",
             "s": "s", "sec": "s", "seconds": "s", "ms": "ms", "utc": "UTC", "local": "local", "dmy": "day/month",
             "mdy": "month/day", "daymonth": "day/month", "monthday": "month/day"},
    "rate": {alias: unit.text for unit in RATE_UNITS for alias in unit.aliases}
    | {"galac": "gal/ac", "gpa": "gal/ac", "lha": "L/ha", "lbac": "lb/ac", "kgha": "kg/ha"},
    "plain": {},
}  # fmt: skip


def known_unit(kind: str, text: str) -> str | None:
    """Return the unit a piece of a column name states for a role of this kind, or None.

    Parameters
    ----------
    kind : str
        As a `Role` has it.
    text : str
        The piece of the name.
    """
    folded = re.sub(r"[^a-z0-9]", "", text.casefold().replace("°", "deg"))
    if kind == "rate":
        folded = folded.replace("lbs", "lb").replace("acre", "ac").replace("per", "").replace("hectare", "ha")
    return _IN_NAMES[kind].get(folded)


@dataclass(frozen=True, slots=True)
class Conditions:
    """What turns a log's numbers into SI beside their units.

    Attributes
    ----------
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    nitrogen : str or None
        Nitrogen in another product: ``"3.55 lb N/gal"`` or a mass fraction.
    air_pressure : float
        At the site [Pa], added to a gauge pressure.
    ammonia_density : float or None
        Of the liquid where volume is counted [kg/m3].
    """

    nitrogen_fraction: float
    nitrogen: str | None
    air_pressure: float
    ammonia_density: float | None = None


def nitrogen_per_unit(unit: str, conditions: Conditions, *, where: str) -> tuple[float, str]:
    """Nitrogen [kg/m2] in one unit of a logged rate, and the unit as it is commonly written.

    Parameters
    ----------
    unit : str
        As given or found in the name.
    conditions : Conditions
        What the conversion needs beside the unit.
    where : str
        Column, for errors.

    Raises
    ------
    QuantityError
        If it is no rate unit, or one of another product without ``--nitrogen``, or of a volume without a density.
    """
    product = product_unit(unit)
    if product is not None:
        return product_rate(product, conditions.nitrogen, where=where).to_si, product
    known = rate_unit(unit, where=where)
    if known.basis == "ammonia volume" and conditions.ammonia_density is None:
        raise QuantityError(
            f"a rate in {known.text} needs the temperature at which the volume is counted",
            where=where,
            cure='say it with --volume-temperature "60 degF", or export the log by mass',
        )
    one = as_nitrogen_rate(1.0, known, conditions.nitrogen_fraction, conditions.ammonia_density)
    return float(one), known.text


def role_to_si(role: Role, values: FloatArray, unit: str, conditions: Conditions, *, where: str) -> FloatArray:
    """Numbers of a column in SI units; the angle in radians, pressures absolute.

    Parameters
    ----------
    role : Role
        What they stand for; time, section, on, lon and lat are read elsewhere.
    values : ndarray, shape (n,)
        In `unit`.
    unit : str
        As given or found in the name.
    conditions : Conditions
        What the conversion needs beside the unit.
    where : str
        Column, for errors.

    Raises
    ------
    QuantityError
        If the unit is none of this role.
    """
    if role.kind == "rate":
        return values * nitrogen_per_unit(unit, conditions, where=where)[0]
    if role.kind == "pressure":
        one, two = (parse_pressure(f"{n} {unit}", conditions.air_pressure, where=where) for n in (1, 2))
        return values * (two - one) + (2.0 * one - two)
    if role.kind == "ammonia flow":
        return values * _ammonia_flow(unit, conditions, where)
    kind = "angle" if role.kind == "degrees" else role.kind
    parse(f"1 {unit}", kind, where=where)
    return np.asarray(to_si(values, kind, unit), dtype=np.float64)


def _ammonia_flow(unit: str, conditions: Conditions, where: str) -> float:
    if re.search(r"\b(NH3|ammonia)\b", unit, re.IGNORECASE):
        return parse(f"1 {unit}", "ammonia flow", where=where)
    try:
        volume = parse(f"1 {unit}", "volume flow", where=where)
    except QuantityError as problem:
        units = ROLES["flow"].units
        cure = f"one of {', '.join(units)}"
        raise QuantityError(
            f"'{unit}' is no unit of ammonia flow{nearest(unit, units)}", where=where, cure=cure
        ) from problem
    if conditions.ammonia_density is None:
        raise QuantityError(
            f"a flow in {unit} needs the temperature at which the volume is counted",
            where=where,
            cure='say it with --volume-temperature "60 degF", or log the flow as lb NH3/min',
        )
    return volume * conditions.ammonia_density
