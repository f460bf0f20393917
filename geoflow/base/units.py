"""The only place that knows pint: text to SI floats [m, kg, s, K, Pa] and SI floats to text, at the edge only."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from geoflow.base.errors import QuantityError
from geoflow.base.spelling import nearest
from geoflow.base.unit_sizes import SIZES
from geoflow.base.unit_spellings import ABSOLUTE, SPELLINGS, SUBSTANCES

if TYPE_CHECKING:
    import pint

__all__ = [
    "ACRE", "FOOT", "GALLON", "HOUR", "KINDS", "MILE", "MILE_PER_HOUR", "NUMBER", "POUND", "PSI", "Kind", "System",
    "factor", "from_si", "number", "number_range",
    "parse", "parse_pressure", "show",
    "show_range", "to_si", "unit_label",
]  # fmt: skip

System = Literal["us", "metric"]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its SI unit, the units people read it in, and how to write one.

    Attributes
    ----------
    si, us, metric : str
        Unit expressions pint understands.
    us_label, metric_label : str
        What is printed behind the number.
    us_digits, metric_digits : int
        Decimals printed.
    example : str
        A well-written value, for error messages.
    """

    si: str
    us: str
    metric: str
    us_label: str
    metric_label: str
    us_digits: int
    metric_digits: int
    example: str


KINDS: Final[dict[str, Kind]] = {
    "length": Kind("m", "ft", "m", "ft", "m", 1, 2, "12 ft"),
    "small length": Kind("m", "inch", "mm", "in", "mm", 3, 2, "0.75 in"),
    "area": Kind("m**2", "acre", "hectare", "ac", "ha", 1, 2, "40 acre"),
    "volume": Kind("m**3", "gallon", "liter", "gal", "L", 0, 0, "1000 gal"),
    "mass": Kind("kg", "lb", "kg", "lb", "kg", 0, 0, "12400 lb"),
    "time": Kind("s", "s", "s", "s", "s", 1, 1, "0.8 s"),
    "speed": Kind("m/s", "mile/hour", "km/hour", "mph", "km/h", 1, 1, "5 mph"),
    "temperature": Kind("kelvin", "degF", "degC", "°F", "°C", 0, 1, "40 degF"),
    "temperature difference": Kind("kelvin", "delta_degF", "delta_degC", "°F", "°C", 1, 1, "2 degF"),
    "pressure": Kind("Pa", "psi", "kPa", "psi", "kPa", 1, 0, "60 psi"),
    "volume flow": Kind("m**3/s", "gallon/minute", "liter/minute", "gpm", "L/min", 1, 1, "45 gpm"),
    "ammonia flow": Kind("kg/s", "lb/minute", "kg/minute", "lb NH3/min", "kg NH3/min", 1, 1, "5.1 lb NH3/min"),
    "ammonia mass": Kind("kg", "lb", "kg", "lb NH3", "kg NH3", 0, 0, "2400 lb NH3"),
    "nitrogen rate": Kind("kg/m**2", "lb/acre", "kg/hectare", "lb N/ac", "kg N/ha", 0, 0, "150 lb N/ac"),
    "voltage": Kind("V", "V", "V", "V", "V", 2, 2, "0.5 V"),
    "transmitter slope": Kind("V/Pa", "mV/psi", "mV/bar", "mV/psi", "mV/bar", 1, 1, "20 mV/psi"),
    "turning speed": Kind("radian/s", "turn/minute", "turn/minute", "rpm", "rpm", 0, 0, "540 rpm"),
    "angle": Kind("radian", "degree", "degree", "°", "°", 0, 0, "90 deg"),
}

# The exact sizes of customary units in SI, for arrays and tables; tests hold them to pint's.
FOOT: Final = 0.3048
MILE: Final = 1609.344
ACRE: Final = 4046.8564224  # of the international foot; NIST retired the survey foot at the end of 2022 (85 FR 62698)
POUND: Final = 0.45359237
GALLON: Final = 3.785411784e-3
PSI: Final = 6894.757293168361
MILE_PER_HOUR: Final = 0.44704
HOUR: Final = 3600.0

NUMBER: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_LONGEST_UNIT: Final = 60
# Powers of numbers, and high ones, that pint would work out for ever: m**9**9**9.
_TOWERS = re.compile(r"[\d)]\s*(\*\*|\^|[⁰¹²³⁴-⁹])|(\*\*|\^)[\s(+-]*\d{2}|[⁰¹²³⁴-⁹]{2}")
_SINGLE = re.compile(rf"\s*({NUMBER})\s*([^\s\d.+-].*?)\s*")


@functools.cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=":auto:", on_redefinition="ignore")
    # pint's acre stands on the survey foot.
    registry.define(f"acre = {ACRE} * meter ** 2 = ac")
    return registry


@functools.cache
def _known_units(kind: str) -> tuple[str, ...]:
    """Spellings of units of one kind, for suggestions."""
    fitting = []
    for spelling, expression in SPELLINGS.items():
        try:
            _scale(expression, KINDS[kind].si)
        except Exception:  # pint raises many unrelated types for a unit of another kind
            continue
        fitting.append(spelling)
    return tuple(fitting)


@functools.lru_cache(maxsize=512)
def _scale(unit: str, si: str) -> tuple[float, float]:
    """Factor and offset such that SI = value * factor + offset."""
    if unit in SIZES.get(si, ()):
        return SIZES[si][unit]
    if si in SIZES and any(unit in sizes for sizes in SIZES.values()):
        raise ValueError("of another kind")  # of the units there, those of each kind are all told
    registry = _registry()
    zero = registry.Quantity(0.0, unit).to(si).magnitude
    one = registry.Quantity(1.0, unit).to(si).magnitude
    return one - zero, zero


def _resolve(unit: str, kind: str, text: str, where: str) -> tuple[float, float]:
    expression = SPELLINGS.get(unit.casefold(), unit)
    if kind in SUBSTANCES:
        symbol, name = SUBSTANCES[kind]
        bare = re.sub(rf"\s*\b{symbol}\b\s*", "", unit, flags=re.IGNORECASE)
        if bare == unit:
            raise QuantityError(
                f"'{text}' does not say that it is {name}",
                where=where,
                cure=f'write it with {symbol}, for example "{KINDS[kind].example}"',
            )
        expression = re.sub(r"\bac\b", "acre", re.sub(r"\bha\b", "hectare", bare))
    if kind == "temperature difference" and expression in {"degF", "degC"}:
        expression = "delta_" + expression
    shown = unit if len(unit) <= _LONGEST_UNIT else unit[:_LONGEST_UNIT] + "..."
    try:
        if shown != unit or _TOWERS.search(unit):
            raise ValueError("pint would take for ever to say that it is none")
        return _scale(expression, KINDS[kind].si)
    except Exception as problem:  # pint raises many unrelated types for one bad text
        raise QuantityError(
            f"'{shown}' is not a unit of {kind}{nearest(shown, _known_units(kind))}",
            where=where,
            cure=f'write it like "{KINDS[kind].example}"',
        ) from problem


def _checked(value: float, text: str, where: str) -> float:
    if not math.isfinite(value):
        raise QuantityError(f"'{text}' is not a finite number", where=where, cure="write a plain number and a unit")
    return value


def _split(text: object, kind: str, where: str) -> tuple[str, str]:
    match = _SINGLE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        hint = "a number needs its unit, in quotes" if isinstance(text, int | float) else "not a number with a unit"
        raise QuantityError(
            f"{text!r} is no {kind}: {hint}", where=where, cure=f'write it like "{KINDS[kind].example}"'
        )
    return match.group(1), match.group(2)


def parse(text: object, kind: str, *, where: str = "") -> float:
    """Read a number with a unit, such as ``"12 ft"``, as an SI float.

    Parameters
    ----------
    text : object
        What was written; anything but a text with number and unit is an error.
    kind : str
        A key of `KINDS`.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If the text is no number with a unit of this kind.
    """
    value, unit = _split(text, kind, where)
    slope, offset = _resolve(unit, kind, str(text), where)
    result = _checked(float(value) * slope + offset, str(text), where)
    if kind == "temperature" and result <= 0.0:
        raise QuantityError(
            f"'{text}' lies below absolute zero", where=where, cure=f'write it like "{KINDS[kind].example}"'
        )
    return result


def parse_pressure(text: object, air_pressure: float, *, where: str = "") -> float:
    """Read a pressure as absolute SI [Pa]: gauge unless the unit says ``psia``, ``kPa_abs`` or the like.

    Parameters
    ----------
    text : object
        What was written.
    air_pressure : float
        Pressure of the air at the site [Pa], added to a gauge pressure.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If the text is no pressure.
    """
    value, unit = _split(text, "pressure", where)
    if unit.casefold() in ABSOLUTE:
        slope, _ = _resolve(ABSOLUTE[unit.casefold()], "pressure", str(text), where)
        result = _checked(float(value) * slope, str(text), where)
    else:
        result = parse(text, "pressure", where=where) + air_pressure
    if result < 0.0:
        raise QuantityError(
            f"'{text}' lies below vacuum", where=where, cure=f'write it like "{KINDS["pressure"].example}"'
        )
    return result


def factor(unit: str, kind: str) -> float:
    """SI value of one `unit` of this kind (no offset), as 0.3048 for a foot; the unit is code's own, not input.

    Parameters
    ----------
    unit : str
        As pint or people write it.
    kind : str
        A key of `KINDS`.
    """
    return _scale(SPELLINGS.get(unit.casefold(), unit), KINDS[kind].si)[0]


def to_si(value: Any, kind: str, unit: str) -> Any:
    """Convert a float or array from `unit` (code's own, not input) to SI.

    Parameters
    ----------
    value : float or ndarray
        In `unit`.
    kind : str
        A key of `KINDS`.
    unit : str
        As pint or people write it.
    """
    slope, offset = _scale(SPELLINGS.get(unit.casefold(), unit), KINDS[kind].si)
    return value * slope + offset


def from_si(value: Any, kind: str, unit: str) -> Any:
    """Convert a float or array from SI to `unit` (code's own, not input).

    Parameters
    ----------
    value : float or ndarray
        In SI.
    kind : str
        A key of `KINDS`.
    unit : str
        As pint or people write it.
    """
    slope, offset = _scale(SPELLINGS.get(unit.casefold(), unit), KINDS[kind].si)
    return (value - offset) / slope


# Amounts of which a little is printed with as many decimals as it takes; what is less than this in their unit is none.
_NEVER_NOTHING: Final = frozenset(("area", "mass", "volume"))
_SMALLEST: Final = 5e-3


def number(
    value: float, kind: str, system: System, digits: int | None = None, rounding: Literal["near", "up", "down"] = "near"
) -> str:
    """Write an SI value as a bare number in the reader's unit, rounded to the nearest, up or down.

    Parameters
    ----------
    value : float
        In SI.
    kind : str
        A key of `KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    digits : int, optional
        Decimals; the unit's usual ones if not given.
    rounding : str
        ``"near"``, ``"up"`` or ``"down"``.
    """
    known = KINDS[kind]
    unit, default = (known.us, known.us_digits) if system == "us" else (known.metric, known.metric_digits)
    places = default if digits is None else digits
    shown = float(from_si(value, kind, unit))
    if rounding != "near" and math.isfinite(shown):
        turn = math.ceil if rounding == "up" else math.floor
        grain = 1e-6 if rounding == "up" else -1e-6  # what is even but for rounding errors stays
        shown = turn(shown * 10.0**places - grain) / 10.0**places
    text = f"{shown:,.{places}f}"
    if digits is None and kind in _NEVER_NOTHING and abs(shown) >= _SMALLEST and not text.strip("-0.,"):
        # Little ground is not none.
        text = f"{shown:.{1 - math.floor(math.log10(abs(shown)))}f}"
    return text if text.strip("-0.,") else text.lstrip("-")


def unit_label(kind: str, system: System) -> str:
    """Return the label printed behind a number of this kind.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return KINDS[kind].us_label if system == "us" else KINDS[kind].metric_label


def show(value: float, kind: str, system: System, digits: int | None = None) -> str:
    """Write an SI value with its unit for a reader.

    Parameters
    ----------
    value : float
        In SI.
    kind, system, digits
        As for `number`.
    """
    return f"{number(value, kind, system, digits)} {unit_label(kind, system)}"


def number_range(low: float, high: float, kind: str, system: System, digits: int | None = None) -> str:
    """Write two SI values as one range without unit, each rounded to the nearest, or as one where both read alike.

    Parameters
    ----------
    low, high : float
        In SI.
    kind, system, digits
        As for `number`.
    """
    first, last = number(low, kind, system, digits), number(high, kind, system, digits)
    return first if first == last else f"{first} to {last}"


def show_range(low: float, high: float, kind: str, system: System, digits: int | None = None) -> str:
    """Write `number_range` with its unit.

    Parameters
    ----------
    low, high, kind, system, digits
        As for `number_range`.
    """
    return f"{number_range(low, high, kind, system, digits)} {unit_label(kind, system)}"
