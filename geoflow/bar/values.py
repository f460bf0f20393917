"""One value of a bar file: from what was written to text, a count or SI."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from geoflow.bar.key_kinds import KEY_KINDS, LONGEST_TEXT, NUMBER_PATTERN
from geoflow.bar.keys import Key
from geoflow.bar.liquid import liquid_temperature
from geoflow.base import units
from geoflow.base.errors import QuantityError
from geoflow.base.ranges import parse_pressure_range, parse_range
from geoflow.base.spelling import nearest

__all__ = ["LiquidFlow", "convert", "shown", "text_of", "within"]


def shown(value: object) -> str:
    """Return a value short and printable, close to how it was written.

    Parameters
    ----------
    value : object
        As TOML gives it.
    """
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
    else:
        text = str(value).lower() if isinstance(value, bool) else ascii(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def text_of(value: object) -> str:
    """Return text without blanks round it; the QuantityError says what is wrong with anything else.

    Parameters
    ----------
    value : object
        As TOML gives it.
    """
    if not isinstance(value, str):
        raise QuantityError(f"{shown(value)} is not text")
    if not value.strip():
        raise QuantityError("the text is empty")
    if not value.isprintable() or len(value) > LONGEST_TEXT:
        raise QuantityError(f"over {LONGEST_TEXT} characters, or some that cannot be printed")
    return value.strip()


def _plain(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise QuantityError(f"{shown(value)} is not a plain number")
    if not abs(value) < 1e15:  # also true of NaN
        raise QuantityError(f"{shown(value)} is no number that a bar could have")
    return float(value)


def _difference(text: str) -> float:
    try:
        return units.parse(text, "pressure")
    except QuantityError as problem:
        try:
            units.parse_pressure(text, 0.0)
        except QuantityError:
            raise problem from None
        raise QuantityError(f"'{text}' is an absolute pressure, but a difference is wanted") from None


_PULSES: Final = re.compile(rf"({NUMBER_PATTERN})\s*(?:pulses?/s|pulses? per second|Hz)")


@dataclass(frozen=True, slots=True)
class LiquidFlow:
    """A flow of liquid ammonia by volume [m3/s], by mass [kg/s], or as a meter counts it [pulses/s]."""

    value: float
    basis: Literal["volume", "mass", "pulses"]


_OF_LIQUID: Final = ("liquid flow", "liquid temperature")


def _of_liquid(text: str, kind: str, air_pressure: float) -> LiquidFlow | float:
    return _liquid_flow(text) if kind == "liquid flow" else liquid_temperature(text, air_pressure)[0]


def _liquid_flow(text: str) -> LiquidFlow:
    pulses = _PULSES.fullmatch(text)
    if pulses:
        return LiquidFlow(float(pulses[1]), "pulses")
    if re.search(r"nh3", text, re.IGNORECASE):
        return LiquidFlow(units.parse(text, "ammonia flow"), "mass")
    return LiquidFlow(units.parse(text, "volume flow"), "volume")


def _choice(value: object, choices: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value.strip() not in choices:
        raise QuantityError(f"{shown(value)} is none of the words it may have{nearest(str(value), choices)}")
    return value.strip()


def _count(value: object, *, whole: bool) -> float:
    number = _plain(value)
    if whole and not number.is_integer():
        raise QuantityError(f"{shown(value)} is not a whole number")
    return int(number) if whole else number


def _number_range(value: object) -> tuple[float, float]:
    ends = value.split("..") if isinstance(value, str) else ()
    if len(ends) != 2:
        return _plain(value), _plain(value)
    if not all(re.fullmatch(NUMBER_PATTERN, end.strip()) for end in ends):
        raise QuantityError(f"{shown(value)} is not a plain number, nor a range of them")
    low, high = (_plain(float(end)) for end in ends)
    if low > high:
        raise QuantityError(f"the range '{value}' runs backwards")
    return low, high


def _with_unit(value: object, *, range: bool) -> str:
    """Return text that looks like a quantity, or like a range where there may be one."""
    if not isinstance(value, str):
        bare = isinstance(value, int | float) and not isinstance(value, bool)
        raise QuantityError(f"{shown(value)} {'has no unit' if bare else 'is not text'}")
    text = text_of(value)
    if re.fullmatch(NUMBER_PATTERN, text):
        raise QuantityError(f"{shown(value)} has no unit")
    if ".." in text and not range:
        raise QuantityError(f"'{text}' is a range, but one value is wanted")
    return text


def convert(value: object, key: Key, air_pressure: float) -> Any:
    """Convert what was written.

    Parameters
    ----------
    value : object
        As TOML gives it.
    key : Key
        What it is the value of.
    air_pressure : float
        Absolute [Pa], for gauge pressures.

    Returns
    -------
    str, int, float or tuple of float
        Text, a count, SI, or the two ends of a range in SI.

    Raises
    ------
    QuantityError
        Says only what is wrong with the value.
    """
    kind = KEY_KINDS[key.kind]
    if key.kind == "text":
        return text_of(value)
    if kind.choices:
        return _choice(value, kind.choices)
    if kind.unit_kind is None and kind.range:
        return _number_range(value)
    if kind.unit_kind is None:
        return _count(value, whole=key.kind == "whole number")
    text = _with_unit(value, range=kind.range)
    if "gauge" in key.kind:
        return (parse_pressure_range if kind.range else units.parse_pressure)(text, air_pressure)
    if key.kind == "pressure difference":
        return _difference(text)
    if key.kind == "pressure difference range" and ".." not in text:
        return _difference(text), _difference(text)
    if key.kind in _OF_LIQUID:
        return _of_liquid(text, key.kind, air_pressure)
    return (parse_range if kind.range else units.parse)(text, kind.unit_kind)


def within(value: Any, key: Key, air_pressure: float) -> bool:
    """Whether a converted value lies within what the key accepts.

    Parameters
    ----------
    value, key, air_pressure
        What `convert` returned, and what it was given.
    """
    if key.accepted is None:
        return True
    ends = value if isinstance(value, tuple) else (value, value)
    least, most = (np.min(convert(bound, key, air_pressure)) for bound in key.accepted)
    return bool(least <= ends[0] and ends[1] <= most)
