"""What a reader did or saw that a person should know."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Note", "library_words", "rows_text"]


@dataclass(frozen=True, slots=True)
class Note:
    """One thing worth knowing about a file.

    Attributes
    ----------
    kind : str
        What it is about: ``place``, ``crs``, ``axes``, ``column``, ``unit``, ``numbers``, ``file``, ``shape``,
        ``duplicate``, ``overlap``, ``gap``, ``hairline`` or ``sliver``.
    text : str
        One or two sentences for a person.
    count : int
        How many zones, pairs or records it concerns; 0 where it concerns the whole file.
    metric : str
        The same in metric units, where the text has others.
    """

    kind: str
    text: str
    count: int = 0
    metric: str = ""

    def said(self, system: str) -> str:
        """Return the text in the units a person reads.

        Parameters
        ----------
        system : str
            ``"us"`` or ``"metric"``.
        """
        return self.metric if system == "metric" and self.metric else self.text


def rows_text(rows: Iterable[int], most: int = 8) -> str:
    """Write row numbers, given from 0, as people count them, from 1: ``"row 4"``, ``"rows 1, 2 and 17 more"``.

    Parameters
    ----------
    rows : iterable of int
        From 0.
    most : int
        How many are named.
    """
    listed = [int(row) + 1 for row in rows]
    if len(listed) == 1:
        return f"row {listed[0]}"
    text = ", ".join(str(row) for row in listed[:most])
    return f"rows {text}" + (f" and {len(listed) - most} more" if len(listed) > most else "")


def library_words(problem: Exception) -> str:
    """Give the first sentence of what a library complains of, with the bare name of a file: an error says where.

    Parameters
    ----------
    problem : Exception
        Of GDAL, Arrow or GEOS.
    """
    first = re.split(r";|\n|See previous", str(problem) or type(problem).__name__)[0]
    return re.sub(r"'[^']*[/\\]([^'/\\]+)'", r"'\1'", first).strip().rstrip(".,")
