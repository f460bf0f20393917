"""One value of a bar file: from what was written to text, a count or SI."""

from __future__ import annotations

import json
import re
from typing import Any

from geoflow.bar import keys as bar_keys
from geoflow.bar.keys import Key
from geoflow.base import units
from geoflow.base.errors import QuantityError
from geoflow.base.spelling import nearest

__all__ = ["convert", "shown", "text_of", "within"]


def shown(value: object) -> str:
    """Return a value short and printable, close to how it was written."""
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
    else:
        text = str(value).lower() if isinstance(value, bool) else ascii(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def text_of(value: object) -> str:
    """Return text without blanks round it; the QuantityError says what is wrong with anything else."""
    if not isinstance(value, str):
        raise QuantityError(f"{shown(value)} is not text")
    if not value.strip():
        raise QuantityError("the text is empty")
    if not value.isprintable() or len(value) > bar_keys.LONGEST_TEXT:
        raise QuantityError(f"over {bar_keys.LONGEST_TEXT} characters, or some that cannot be printed")
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


def _choice(value: object, choices: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value.strip() not in choices:
        raise QuantityError(f"{shown(value)} is none of the words it may have{nearest(str(value), choices)}")
    return value.strip()


def convert(value: object, key: Key, air_pressure: float) -> Any:
    """Return what was written as text, count or SI; the QuantityError says only what is wrong with it."""
    kind = bar_keys.KEY_KINDS[key.kind]
    if key.kind == "text":
        return text_of(value)
    if kind.choices:
        return _choice(value, kind.choices)
    if kind.unit_kind is None:
        number = _plain(value)
        if key.kind == "whole number" and not number.is_integer():
            raise QuantityError(f"{shown(value)} is not a whole number")
        return int(number) if key.kind == "whole number" else number
    if not isinstance(value, str):
        bare = isinstance(value, int | float) and not isinstance(value, bool)
        raise QuantityError(f"{shown(value)} {'has no unit' if bare else 'is not text'}")
    text = text_of(value)
    if re.fullmatch(bar_keys.NUMBER_PATTERN, text):
        raise QuantityError(f"{shown(value)} has no unit")
    if ".." in text and not kind.range:
        raise QuantityError(f"'{text}' is a range, but one value is wanted")
    if key.kind == "gauge pressure":
        return units.parse_pressure(text, air_pressure)
    if key.kind == "gauge pressure range":
        return units.parse_pressure_range(text, air_pressure)
    if key.kind == "pressure difference":
        return _difference(text)
    return units.parse_range(text, kind.unit_kind) if kind.range else units.parse(text, kind.unit_kind)


def within(value: Any, key: Key, air_pressure: float) -> bool:
    """Whether a converted value lies within what the key accepts."""
    if key.accepted is None:
        return True
    if not isinstance(value, tuple):
        value = (value, value)
    least, most = (convert(bound, key, air_pressure) for bound in key.accepted)
    if isinstance(least, tuple):
        least, most = least[0], most[1]
    return bool(least <= value[0] and value[1] <= most)
