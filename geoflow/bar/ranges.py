"""Values of a bar that are known as ranges only: the middle stands in the part itself, the ends beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Protocol, TypeVar

__all__ = ["Range", "at_end", "ends_of", "known_ends", "middle_and_ranges"]

# Of these the greater end narrows the window, of all others the lesser.
_GREATER_IS_WORSE: Final = frozenset(
    ("length", "fittings_k", "min_flow", "loss_at_max_flow", "slip", "pump_flow", "opens_at", "full_oil", "full_speed")
)


@dataclass(frozen=True, slots=True)
class Range:
    """Both ends of a value, in the unit of the value itself.

    Attributes
    ----------
    name : str
        The field it belongs to.
    worse, better : float
        The end that narrows the window, all others alike, and the end that widens it.
    """

    name: str
    worse: float
    better: float


class _Ranged(Protocol):
    @property
    def ranges(self) -> tuple[Range, ...]: ...


_Part = TypeVar("_Part", bound=_Ranged)


def at_end(part: _Part, end: float) -> _Part:
    """Return a part with all its ranges at one end.

    Parameters
    ----------
    part : object
        With what is open about it.
    end : float
        -1 for the worse ends, 0 for the middles, +1 for the better ends.
    """
    if not part.ranges:
        return part
    values = {one.name: one.worse if end < 0.0 else one.better for one in part.ranges} if end else {}
    changes: dict[str, Any] = {**values, "ranges": ()}
    return replace(part, **changes)  # type: ignore[type-var]


def ends_of(value: float | tuple[float, float]) -> tuple[float, float]:
    """Low and high end of a value that may be a range.

    Parameters
    ----------
    value : float or tuple of float
        As `geoflow.bar.values.convert` returns it.
    """
    return value if isinstance(value, tuple) else (value, value)


def known_ends(part: _Ranged, name: str) -> tuple[float, float]:
    """Low and high end of one value of a part, both the value itself where it is no range.

    Parameters
    ----------
    part : object
        With what is open about it.
    name : str
        Of its field.
    """
    for one in part.ranges:
        if one.name == name:
            low, high = sorted((one.worse, one.better))
            return low, high
    value = float(getattr(part, name))
    return value, value


def middle_and_ranges(values: Mapping[str, Any]) -> dict[str, Any]:
    """Put the middle in the place of each range of one table, and the ranges beside them under ``ranges``.

    Parameters
    ----------
    values : Mapping
        Of one table in SI.
    """
    found: dict[str, Any] = {}
    ranges: list[Range] = []
    for name, value in values.items():
        if not isinstance(value, tuple) or len(value) != 2:
            found[name] = value
            continue
        low, high = value
        found[name] = 0.5 * (low + high)
        if low < high:
            ranges.append(Range(name, high, low) if name in _GREATER_IS_WORSE else Range(name, low, high))
    return {**found, "ranges": tuple(ranges)}
