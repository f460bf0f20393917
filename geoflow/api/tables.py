"""The caller's table with our columns behind its own."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.arrays import IntArray

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["ids_of", "of_every_row", "table_of", "with_ours"]


def table_of(prescription: Prescription) -> Any:
    """Return the zones as they were read: own index, columns and coordinate system.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    table = prescription.table
    return table if table.crs is not None else table.set_crs(prescription.crs)


def ids_of(prescription: Prescription) -> dict[str, np.ndarray[Any, Any]]:
    """What the zones are called, as a column; none where the table has it already.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    own = prescription.zone_id_column == "zone_id"
    return {} if own else of_every_row(
        prescription.rows_read, prescription.row, {"zone_id": np.array(prescription.zone_id)}
    )  # fmt: skip


def of_every_row(rows: int, row: IntArray, columns: Mapping[str, Any]) -> dict[str, np.ndarray[Any, Any]]:
    """Spread columns over all rows that were read; empty where a row was left out.

    Parameters
    ----------
    rows : int
        Read.
    row : ndarray of int, shape (n,)
        Where each value belongs.
    columns : mapping
        Name to values, shape (n,).
    """
    spread = {}
    for name, given in columns.items():
        values = np.asarray(given)
        number = values.dtype.kind in "fiu"
        spread[name] = np.full(rows, np.nan) if number else np.full(rows, None, dtype=object)
        spread[name][row] = values if number else [value if value != "" else None for value in values.tolist()]
    return spread


def with_ours(table: Any, columns: Mapping[str, np.ndarray[Any, Any]]) -> Any:
    """Return a copy of a table with our columns behind; a name that is taken gets ``gf_`` in front, with a warning.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        The caller's; index, columns and coordinate system stay.
    columns : mapping of str to ndarray
        A value for each row.
    """
    ours = table.copy()
    for name, values in columns.items():
        free = name
        while free in ours.columns:
            free = f"gf_{free}"
        if free != name:
            said = f"the table has a column '{name}' of its own, which stays; geoflow's is called '{free}'"
            warnings.warn(said, stacklevel=2)
        ours[free] = values
    return ours
