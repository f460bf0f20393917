"""What the user calls the zones: a column of the file where one says it, else the rows counted from 1."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.layers.notes import Note
from geoflow.prescription_files.columns import find_column

if TYPE_CHECKING:
    import geopandas
    from numpy.typing import NDArray

__all__ = ["choose_zone_ids"]

_LONGEST: Final = 16  # characters of an id that a table, a map and a person can carry
# A number names a zone only under such a name; by itself it may as well be a yield or a height. Common practice.
_SAYS_ID: Final = re.compile(r"zone|block|plot|poly|mz|(?:^|_)(?:id|no|num|nr|nummer|number|name|label)\d*$|id$")
_BETWEEN: Final = "|"
# Any white space but single blanks within a text.
_UNTIDY: Final = re.compile(r"[^\S ]|  | \||\| |^ | $")
_SAYS_ZONE: Final = re.compile(r"zone|^mz")


def choose_zone_ids(
    table: geopandas.GeoDataFrame, row: NDArray[np.int64], rate_column: str, requested: str | None, where: str
) -> tuple[str | None, tuple[str, ...], list[Note]]:
    """Find what the user calls each zone.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        The file as read.
    row : ndarray of int, shape (zones,)
        Rows that are zones.
    rate_column : str
        The column that holds the rate, which is no id.
    requested : str or None
        The column given with ``--zone-id``.
    where : str
        The file, for errors.

    Returns
    -------
    column : str or None
        Where the ids come from; None where zones are counted from 1 in the order of the file's rows.
    ids : tuple of str, length zones
        As everybody sees them; a zone whose cell is empty is called after its row.
    notes : list of Note

    Raises
    ------
    PrescriptionError
        If the column asked for is not there, or names nothing.
    """
    columns = [name for name in table.columns if name != table.geometry.name]
    if requested is not None:
        return _requested(table, columns, row, requested, where)
    known = [name for name in columns if str(name) != rate_column and columns.count(name) == 1]
    # A column with cells alike names nothing, which shows before its cells are written out.
    apart = [name for name in (known if len(row) > 1 else ()) if _apart(table[name].iloc[row])]
    found = {name: _texts(table[name], row) for name in apart}
    likely = {str(name): ids for name, ids in found.items() if _unmistakable(str(name), table[name], ids)}
    by_name = [name for name in likely if _SAYS_ZONE.search(name.casefold())]
    chosen = by_name if len(by_name) == 1 else list(likely)
    if len(chosen) != 1:
        return None, tuple(str(at + 1) for at in row.tolist()), []
    column = chosen[0]
    said = f"zones are called by '{column}', the one column that names each; --zone-id takes another"
    return column, likely[column], [Note("zone id", said)]


def _requested(
    table: geopandas.GeoDataFrame, columns: list[Any], row: NDArray[np.int64], requested: str, where: str
) -> tuple[str, tuple[str, ...], list[Note]]:
    """What the column asked for calls the zones."""
    names = [str(name) for name in columns]
    at, notes = find_column(names, requested, "--zone-id", where)
    column, ids = names[at], _texts(table[columns[at]], row)
    if not any(ids):
        raise PrescriptionError(
            f"the column '{column}' names no zone: every cell is empty",
            where=where,
            cure="give --zone-id another column, or leave it out: zones are counted from 1 then",
        )
    return column, _filled(ids, row), notes + _doubts(column, ids)


def _texts(column: Any, row: NDArray[np.int64]) -> tuple[str, ...]:
    """Cells as a person writes them: whole numbers without a point, nothing for an empty cell."""

    def text(cell: Any) -> str:
        if cell is None or cell != cell:
            return ""
        if isinstance(cell, float) and cell.is_integer():
            return str(int(cell))
        return " ".join(str(cell).split())

    cells = column.to_numpy(dtype=object)[row].tolist()
    # Most columns of text are written in one way, which one look at all of them tells.
    if set(map(type, cells)) == {str} and not _UNTIDY.search(_BETWEEN.join(cells)):
        return tuple(cells)
    return tuple(text(cell) for cell in cells)


def _apart(cells: Any) -> bool:
    try:
        return bool(cells.is_unique)
    except TypeError:  # lists in cells
        return True


def _unmistakable(name: str, column: Any, ids: tuple[str, ...]) -> bool:
    """Whether a column can be nothing but what the zones are called."""
    lengths = set(map(len, ids))
    if len(set(ids)) < len(ids) or not (min(lengths, default=1) > 0 and max(lengths, default=1) <= _LONGEST):
        return False
    lines = "\n".join(ids)
    if not re.search(r"^(?!-?\d+$)", lines, re.MULTILINE):
        return bool(_SAYS_ID.search(name.casefold()))
    # Texts that are numbers with a unit or a point are measured, and dates are no names.
    measured = r"^(?:[-+.\d]*\d[.,]\d|\d+[-/.]\d+[-/.])"
    return column.dtype.kind not in "fMmb" and not re.search(measured, lines, re.MULTILINE)


def _filled(ids: tuple[str, ...], row: NDArray[np.int64]) -> tuple[str, ...]:
    return tuple(one or f"row {at + 1}" for one, at in zip(ids, row.tolist(), strict=True))


def _doubts(column: str, ids: tuple[str, ...]) -> list[Note]:
    notes = []
    if nameless := sum(not one for one in ids):
        some = "1 zone has" if nameless == 1 else f"{nameless:,} zones have"
        notes.append(Note("zone id", f"'{column}': {some} no id there and are called by their rows", nameless))
    if shared := [f"'{one}'" for one, times in Counter(filter(None, ids)).items() if times > 1]:
        few = ", ".join(shared[:6]) + (f" and {len(shared) - 6:,} more" if len(shared) > 6 else "")
        notes.append(Note("zone id", f"'{column}': several zones are called {few}", len(shared)))
    return notes
