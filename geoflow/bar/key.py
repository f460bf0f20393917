"""What a key of the bar file is, and a table of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Key", "Table", "Written"]

Written = str | int | float


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the bar file.

    Attributes
    ----------
    path : str
        Where it stands: ``""`` for the top of the file, ``"sections.feed"`` for a table within another.
    shape : str
        ``"one"`` table, a ``"list"`` of them, or ``"named"``: any number, each under a name of its own.
    meaning : str
        One sentence.
    required : bool
        Whether the file is refused without it.
    """

    path: str
    shape: Literal["one", "list", "named"]
    meaning: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class Key:
    """A key of the bar file.

    Attributes
    ----------
    table : str
        Path of its `Table`.
    name, kind : str
        The key and a key of `KEY_KINDS`.
    example : str or int or float
        A value as it is written.
    meaning : str
        One sentence.
    required : bool
        Whether its table is refused without it.
    default : str or int or float or None
        What counts when it is left out, as it would be written; None: nothing is assumed.
    accepted : tuple or None
        Smallest and greatest value accepted, as written. The wide ones only catch a wrong unit or a slip.
    note : str
        What to tell who goes beyond them.
    """

    table: str
    name: str
    kind: str
    example: Written
    meaning: str
    required: bool = False
    default: Written | None = None
    accepted: tuple[Written, Written] | None = None
    note: str = ""
