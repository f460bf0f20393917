"""The columns chosen for the roles of a log, and what was said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from geoflow.layers.notes import Note
from geoflow.log_files.log_units import Conditions

__all__ = ["Choice", "Chosen", "ColumnRequest"]


@dataclass(frozen=True, slots=True)
class Chosen:
    """A column that plays a role.

    Attributes
    ----------
    index : tuple of int
        Its position; several where date and time of day stand apart.
    name : str
        As in the file, joined with ``+``.
    unit : str or None
        As given or found in the name.
    asked : bool
        Whether a person named it.
    """

    index: tuple[int, ...]
    name: str
    unit: str | None
    asked: bool


@dataclass(frozen=True, slots=True)
class ColumnRequest:
    """What a person says of the columns, and what is known of the bar.

    Attributes
    ----------
    columns : sequence of str
        What ``--column`` says.
    mapping : Path or None
        File of roles.
    rate_unit : str or None
        Unit of all rates.
    accept : bool
        Whether proposals are taken.
    conditions : Conditions
        What converts units; with nitrogen of another product, gal/ac and the like are full units.
    width : float or None
        Of the bar [m].
    """

    columns: Sequence[str]
    mapping: Path | None
    rate_unit: str | None
    accept: bool
    conditions: Conditions
    width: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The columns chosen, and what is to be said of them.

    Attributes
    ----------
    chosen : dict of str to Chosen
        By role.
    notes : list of Note
        What was found.
    accepted : tuple of str
        Roles taken by proposal.
    candidates : dict of str to tuple of str
        Roles without a column, and the columns that could be it.
    doubts : tuple of Note
        What makes the choice doubtful.
    """

    chosen: dict[str, Chosen]
    notes: list[Note]
    accepted: tuple[str, ...]
    candidates: dict[str, tuple[str, ...]]
    doubts: tuple[Note, ...]
