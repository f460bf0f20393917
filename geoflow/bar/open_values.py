"""What a bar file leaves open, one by one, and the bar as it would be if some of it were known."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any, Final

from geoflow.bar.equipment import Bar, Limits, Line, Orifice, RowHose
from geoflow.bar.ranges import Range

__all__ = ["KNOWN_BORE", "OpenValue", "bar_with", "open_values"]

KNOWN_BORE: Final = 0.010
"""Length of a straight hole [m] that a plate of unknown thickness is taken to have once it is known: a long one."""

# A discharge coefficient stated closer than this is known well enough: common practice, no source.
_STATED: Final = 0.1
_PARTS: Final = ("pump", "meter", "control_valve", "limits", "bypass", "excess_flow", "breakaway")
_NOT_A_KEY: Final = {"drive_share": ("drive", "given_oil")}


@dataclass(frozen=True, slots=True)
class OpenValue:
    """One value that is not known.

    Attributes
    ----------
    table, name : str
        Of its key in the bar file.
    low, high : float or None
        Ends of what is carried in SI, over all parts that have it, a rated pressure by the gauge; None where the key
        is left out.
    """

    table: str
    name: str
    low: float | None
    high: float | None

    @property
    def key(self) -> tuple[str, str]:
        """Table and name."""
        return self.table, self.name


def _parts(bar: Bar, sections: tuple[int, ...]) -> list[tuple[str, Any]]:
    """Each part that may hold ranges, by the table of its keys."""
    found: list[tuple[str, Any]] = [("sections.feed", bar.sections[index].feed) for index in sections]
    found += [("row_hose", bar.row_hose), ("row_hose", bar.row_hose.line)]
    found += [(name, getattr(bar, name)) for name in _PARTS]
    if bar.suction is not None:
        found += [("suction", bar.suction.line), *(("tank_hoses", hose) for hose in bar.suction.tank_hoses)]
    return [(table, part) for table, part in found if part is not None]


def _key(table: str, one: Range) -> tuple[str, str]:
    return _NOT_A_KEY.get(one.name, (table, one.name))


def _told_by_air(one: Range, bar: Bar) -> bool:
    """Whether a rated pressure is a range only because that of the air is one."""
    return one.name == "max_pressure" and abs(one.better - one.worse) <= 2.0 * bar.air_spread * (1.0 + 1e-9)


def _as_in_file(one: Range, bar: Bar) -> list[float]:
    """Both ends as the file has them: a rated pressure by the gauge."""
    return list(bar.rated_gauge) if one.name == "max_pressure" else sorted((one.worse, one.better))


def _bore_unknown(orifice: Orifice) -> bool:
    known = orifice.land, orifice.flash_weight, orifice.flashing, orifice.learned
    return not orifice.measured and all(one is None for one in known)


def _coefficient_unknown(orifice: Orifice) -> bool:
    return not orifice.measured and orifice.learned is None and orifice.coefficient_tolerance >= _STATED


def open_values(bar: Bar, sections: tuple[int, ...]) -> tuple[OpenValue, ...]:
    """List what is not known of a bar: what stands as a range, and of unmeasured orifices what only a sheet tells.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    found: dict[tuple[str, str], list[float]] = {}
    orifices = [bar.orifices[bar.sections[index].orifice] for index in sections]
    listed = []
    if any(map(_bore_unknown, orifices)):
        listed.append(OpenValue("orifices", "land", None, None))
    for one in filter(_coefficient_unknown, orifices):
        ends = found.setdefault(("orifices", "discharge_coefficient"), [])
        ends += [one.discharge_coefficient * (1.0 + side * one.coefficient_tolerance) for side in (-1.0, 1.0)]
    for table, part in _parts(bar, sections):
        for one in part.ranges:
            if not _told_by_air(one, bar):
                found.setdefault(_key(table, one), []).extend(_as_in_file(one, bar))
    listed += [OpenValue(*key, min(ends), max(ends)) for key, ends in found.items()]
    if bar.air_spread:
        listed.append(OpenValue("", "elevation", None, None))
    return tuple(listed)


def bar_with(bar: Bar, known: Collection[tuple[str, str]]) -> Bar:
    """Return the bar as it would be if some of what is open were known, each at the middle of its range.

    Parameters
    ----------
    bar : Bar
        The equipment.
    known : collection of tuple of str
        Table and name of each.
    """

    def told(table: str, part: Any) -> Any:
        if part is None or not part.ranges:
            return part
        return replace(part, ranges=tuple(one for one in part.ranges if _key(table, one) not in known))

    def line(table: str, part: Line | None) -> Line | None:
        made: Line | None = told(table, part)
        return made

    suction = bar.suction and replace(
        bar.suction,
        line=line("suction", bar.suction.line),
        tank_hoses=tuple(told("tank_hoses", hose) for hose in bar.suction.tank_hoses),
    )
    hose: RowHose = told("row_hose", bar.row_hose)
    made = replace(
        bar,
        sections=tuple(replace(one, feed=line("sections.feed", one.feed)) for one in bar.sections),
        orifices={name: _known_orifice(one, known) for name, one in bar.orifices.items()},
        row_hose=replace(hose, line=line("row_hose", hose.line)),
        suction=suction,
        **{name: told(name, getattr(bar, name)) for name in _PARTS},
    )
    return _with_air(made) if bar.air_spread and ("", "elevation") in known else made


def _known_orifice(orifice: Orifice, known: Collection[tuple[str, str]]) -> Orifice:
    if ("orifices", "land") in known and _bore_unknown(orifice):
        orifice = replace(orifice, land=KNOWN_BORE)
    if ("orifices", "discharge_coefficient") in known and _coefficient_unknown(orifice):
        orifice = replace(orifice, coefficient_tolerance=0.0)
    return orifice


def _with_air(bar: Bar) -> Bar:
    """Return the bar with the pressure of the air known: the middle one."""
    spread, hose = bar.air_spread, bar.row_hose

    def nearer(one: Range) -> Range:
        side = spread if one.better > one.worse else -spread
        return replace(one, worse=one.worse + side, better=one.better - side)

    ranges = tuple(
        nearer(one) if one.name == "max_pressure" else one for one in bar.limits.ranges if not _told_by_air(one, bar)
    )
    limits: Limits = replace(bar.limits, ranges=ranges)
    below = hose.back_pressure and (hose.back_pressure[0] + spread, hose.back_pressure[1] - spread)
    return replace(bar, air_spread=0.0, limits=limits, row_hose=replace(hose, back_pressure=below))
