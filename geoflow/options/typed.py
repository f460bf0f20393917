"""What was asked for, as typed objects made of the texts of a command line, a catalog's row or a page's question."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, Self

from geoflow.base.errors import UsageError
from geoflow.base.spelling import nearest
from geoflow.options.table import Option, options_of

__all__ = [
    "CardOptions",
    "ComparisonOptions",
    "ConvertOptions",
    "DayOptions",
    "Given",
    "LearnOptions",
    "LogOptions",
    "PlanOptions",
    "ReadOptions",
    "RehearseOptions",
    "ReportFiles",
    "RewriteOptions",
    "SizeOptions",
    "check_choice",
    "told",
]

Given = Any
"""The path of an input, or what stands in its place: a table in memory, or what was read of it already."""


def check_choice(option: Option, value: object, *, where: str) -> None:
    """Refuse what is none of an option's choices.

    Parameters
    ----------
    option : Option
        Any; one without choices takes everything.
    value : object
        What was said.
    where : str
        Where it was said.

    Raises
    ------
    UsageError
        If it is none of them.
    """
    if option.choices and value not in option.choices:
        words = [str(choice) for choice in option.choices]
        raise UsageError(
            f"'{option.name}' is '{value}'{nearest(str(value), words)}",
            where=where,
            cure=f"write one of {', '.join(words)}",
        )


def _unsaid(value: object) -> bool:
    """Whether nothing was said.

    An empty text was said, and whoever reads it refuses it; whoever has empty fields leaves them out.
    """
    return value is None or value is False or (isinstance(value, list | tuple) and not value)


class _Said:
    """Options as said, made from a mapping; what was not said is what the class says."""

    __slots__ = ()

    @classmethod
    def of(cls, said: Mapping[str, Any], command: str, prefix: str = "") -> Self:
        """Take these options out of all that was said.

        Parameters
        ----------
        said : mapping
            Name of an option to its text, flag or list; others are left alone.
        command : str
            A command that knows the options.
        prefix : str
            What the names begin with there, as ``"target_"``.

        Raises
        ------
        UsageError
            If a value is none of its option's choices.
        """
        known = options_of(command)
        given: dict[str, Any] = {}
        for field in fields(cls):  # type: ignore[arg-type]
            name = prefix + field.name if prefix + field.name in known else field.name
            value = said.get(name)
            if name in known and not _unsaid(value):
                check_choice(known[name], value, where=known[name].dashed)
                given[field.name] = tuple(value) if isinstance(value, list) else value
        return cls(**given)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions(_Said):
    """Which bar is planned, at which temperature and speed, with which sections."""

    bar: Given
    temperature: str
    speed: str | None = None
    sections: str | None = None
    rows: str = "mean"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions(_Said):
    """How a prescription, or the target map of a log, is read."""

    rate_column: str | None = None
    rate_unit: str | None = None
    layer: str | None = None
    crs: str | None = None
    volume_temperature: str | None = None
    zones: Literal["class", "cell"] | None = None
    swap_axes: bool = False
    take_as_ammonia: bool = False
    zone_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RewriteOptions(_Said):
    """What a rewriting keeps, what it may do, and the prices it is counted with."""

    policy: str = ""
    max_rate: str | None = None
    heading: str | None = None
    allow_raise: bool = False
    most_raise: str | None = None
    round: str | None = None
    presets: str | None = None
    leave_doubtful: bool = False
    merge_short: bool = False
    nitrogen_price: str | None = None
    yield_response: str | None = None
    crop_price: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOptions(_Said):
    """Direction of the passes and where they start, what hours and tank loads are counted with, and the day by hour."""

    heading: str | None = None
    start: str | None = None
    heel: str | None = None
    efficiency: str | None = None
    day: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearseOptions(_Said):
    """How a rehearsed field is driven, how its controller answers, and how many days are drawn."""

    headlands: int | None = None
    headlands_last: bool = False
    turn_radius: str | None = None
    turn_time: str | None = None
    tank_change: str | None = None
    look_ahead: str | None = None
    antenna: str | None = None
    delay: str | None = None
    time_constant: str | None = None
    opens_late: str | None = None
    shuts_late: str | None = None
    draws: int | None = None
    seed: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CardOptions(_Said):
    """What a card is of, a map or plain rates, and what is left in a tank."""

    prescription: Given = None
    rates: str | None = None
    heel: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeOptions(_Said):
    """Which rates are asked of which orifices, and what is known of the bar."""

    temperature: str
    speed: str
    rates: str | None = None
    map: Given = None
    bar: Given = None
    sections: str | None = None
    rows: int | None = None
    row_spacing: str | None = None
    diameters: str | None = None
    drills: bool = False
    land: str | None = None
    thin_plate: bool = False
    coefficient: str | None = None
    pump: str | None = None
    loss: str | None = None
    back_pressure: str | None = None
    rated: str | None = None
    margin: str | None = None
    elevation: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvertOptions(_Said):
    """What a prescription is converted to."""

    to_unit: str | None = None
    nitrogen_fraction: str | None = None
    nitrogen: str | None = None
    task_version: Literal[3, 4] | None = None
    task_form: str | None = None
    cell: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogOptions(_Said):
    """How a log is read."""

    column: tuple[str, ...] = ()
    columns_file: str | None = None
    accept: bool = False
    rate_unit: str | None = None
    nitrogen: str | None = None
    volume_temperature: str | None = None
    take_as_ammonia: bool = False
    width: str | None = None
    temperature: str | None = None
    crs: str | None = None
    layer: str | None = None
    swap_axes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonOptions(_Said):
    """What a log is compared with."""

    bar: Given = None
    target: Given = None
    boundary: str | None = None
    boundary_crs: str | None = None
    ticket: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnOptions(_Said):
    """Which bar learns, and what the scale says of the same loads."""

    bar: Given
    ticket: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFiles(_Said):
    """Where a report is written, and on which paper."""

    out: str
    pdf: str | None = None
    figures: str | None = None
    paper: Literal["letter", "a4"] | None = None


def told(command: str, said: Mapping[str, Any], skip: Iterable[str] = ()) -> list[tuple[str, str]]:
    """List what was asked for as the command line writes it, for a report.

    Parameters
    ----------
    command : str
        One of `geoflow.options.table.COMMANDS`.
    said : mapping
        Name of an option to its value.
    skip : iterable of str
        Options that are not what the result rests on, beside those that say where it is written.
    """
    lines = []
    for name, option in options_of(command).items():
        value = said.get(name)
        if option.kind == "output" or name in skip or _unsaid(value) or value == "":
            continue
        words = " ".join(value) if isinstance(value, list | tuple) else "yes" if value is True else str(value)
        lines.append((option.dashed, words))
    return lines
