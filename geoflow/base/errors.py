"""One tree of errors; each says what is wrong, where, and how to put it right."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = [
    "BarError",
    "GeoflowError",
    "InputError",
    "LogError",
    "OutputError",
    "PrescriptionError",
    "QuantityError",
    "RangeError",
    "UsageError",
    "install",
    "to_fill_in",
]


class GeoflowError(Exception):
    """Anything geoflow refuses to go on with.

    Parameters
    ----------
    what : str
        What is wrong, one sentence without a full stop.
    where : str
        The place: file, row, key or option.
    cure : str
        What the reader can do about it.
    options : tuple of str
        Values of ``--column`` that would settle it, as proposed; NAME and UNIT stand for what has to be written in.
    """

    def __init__(self, what: str, *, where: str = "", cure: str = "", options: tuple[str, ...] = ()) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.cure = cure
        self.options = options

    def __str__(self) -> str:
        lines = [self.what]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.cure:
            lines.append(f"  cure:  {self.cure}")
        return "\n".join(lines)


class UsageError(GeoflowError):
    """The command was put together wrongly."""


class QuantityError(GeoflowError):
    """A text that should be a number with a unit is not."""


class RangeError(GeoflowError):
    """A value lies outside the range where a formula or table holds."""


class BarError(GeoflowError):
    """The bar file cannot be read, or describes no bar that could exist."""


class PrescriptionError(GeoflowError):
    """The prescription cannot be read, or does not say which rate it means."""


class LogError(GeoflowError):
    """The as-applied log cannot be read, or does not say which columns it means."""


class InputError(GeoflowError):
    """A file changed while it was read, or is not in its place."""


class OutputError(GeoflowError):
    """The output cannot be written whole, or would replace something."""


def to_fill_in(options: Iterable[str]) -> str:
    """Say what has to be written into proposed values of ``--column``; empty where nothing has.

    Parameters
    ----------
    options : iterable of str
        As an error carries them.
    """
    after = [option.partition("=")[2] for option in options]
    column = any(each == "NAME" or each.startswith("NAME:") for each in after)
    unit = any(each.endswith(":UNIT") for each in after)
    parts = ["the column for NAME"] * column + ["the unit for UNIT"] * unit
    return f"once you have written {' and '.join(parts)}" if parts else ""


def install(extra: str) -> str:
    """Say how to add an extra to this installation.

    By its folder, never by its name: until the name is registered, another package could come under it.

    Parameters
    ----------
    extra : str
        Name of the extra, as in pyproject.toml.
    """
    return f'in the folder geoflow was installed from: pip install ".[{extra}]"'
