"""What an option is, and the kinds of value one can have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

__all__ = ["OPTION_KINDS", "Option", "OptionKind"]


@dataclass(frozen=True, slots=True)
class OptionKind:
    """How a value is said: what to call it, and its kind of unit if any."""

    said: str
    unit_kind: str | None = None


OPTION_KINDS: Final[Mapping[str, OptionKind]] = {
    "text": OptionKind("text"),
    "choice": OptionKind("one of a few words"),
    "flag": OptionKind("yes or no"),
    "list": OptionKind("text, any number of times"),
    "whole number": OptionKind("a whole number"),
    "number": OptionKind("a plain number"),
    "share": OptionKind("a share"),
    "length": OptionKind("a length with its unit", "length"),
    "angle": OptionKind("an angle with its unit", "angle"),
    "time": OptionKind("a time with its unit", "time"),
    "time range": OptionKind("a time or a range of times", "time"),
    "temperature": OptionKind("a temperature with its unit", "temperature"),
    "temperature range": OptionKind("a temperature or a range of them, or the tank's gauge pressure", "temperature"),
    "speed range": OptionKind("a speed or a range of speeds", "speed"),
    "rate": OptionKind("a rate with its unit"),
    "rate unit": OptionKind("a unit of rates"),
    "file": OptionKind("a file that is read"),
    "output": OptionKind("where to write"),
}


@dataclass(frozen=True, slots=True)
class Option:
    """An option of one or more commands.

    Attributes
    ----------
    name : str
        As in a catalog; the command line writes it with dashes.
    kind : str
        A key of `OPTION_KINDS`.
    commands : tuple of str
        Those of `COMMANDS` that know it.
    help : str
        For a person, in one line.
    metavar : str
        What stands for the value in the help of the command line.
    required : tuple of str
        The commands that cannot do without it.
    positional : bool
        Whether the command line takes it by its place.
    default : str or int or None
        What counts when it is left out, where the workflow does not decide that by itself.
    choices : tuple
        All it may be; anything where empty.
    label, example : str
        What the page writes beside its field, and into it while it is empty; without label it has no field there.
    presents : bool
        Whether it says how a result is shown or written, and not what it is.
    """

    name: str
    kind: str
    commands: tuple[str, ...]
    help: str
    metavar: str = ""
    required: tuple[str, ...] = ()
    positional: bool = False
    default: str | int | None = None
    choices: tuple[str | int, ...] = ()
    label: str = ""
    example: str = ""
    presents: bool = False

    @property
    def dashed(self) -> str:
        """The name as the command line writes it."""
        return self.name if self.positional else "--" + self.name.replace("_", "-")
