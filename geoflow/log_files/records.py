"""What is known of a log while it is read: columns, units, causes and notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.counted import count
from geoflow.base.errors import LogError
from geoflow.layers.notes import Note, rows_text
from geoflow.log_files.chosen import Chosen
from geoflow.log_files.clock import Clock, read_clock
from geoflow.log_files.doubts import refuse_mixed
from geoflow.log_files.lateral import sections_at_once
from geoflow.log_files.log_units import ROLES, Conditions, role_to_si
from geoflow.log_files.positions import Positions
from geoflow.log_files.screening import Fixes, find_fixes, outliers
from geoflow.log_files.sections import Labels, read_labels
from geoflow.log_files.tables import LogTable

__all__ = ["LogColumns"]

_TOO_MANY: Final = 0.2  # more outliers than this are no outliers


@dataclass(frozen=True)
class LogColumns:
    """A log on its way into arrays: its table, the columns chosen, and what was found out and left out so far."""

    table: LogTable
    chosen: dict[str, Chosen]
    conditions: Conditions
    notes: list[Note]
    dropped: dict[str, tuple[int, ...]]
    noted: dict[str, tuple[int, ...]]
    derived: list[str]
    doubts: list[Note]

    def say(self, kind: str, text: str, count: int = 0) -> None:
        """Note something a person should know.

        Parameters
        ----------
        kind, text, count
            As in `Note`.
        """
        self.notes.append(Note(kind, text, count))

    def drop(self, cause: str, rows: IntArray, concerned: BoolArray) -> IntArray:
        """Leave rows out for a cause; return the others.

        Parameters
        ----------
        cause : str
            Why they are left out.
        rows : ndarray of int, shape (n,)
            Rows of the file.
        concerned : ndarray of bool, shape (n,)
            Which of them go.
        """
        if concerned.any():
            gone = np.sort(rows[concerned])
            self.dropped[cause] = (*self.dropped.get(cause, ()), *gone.tolist())
        return rows[~concerned]

    def refuse_nothing(self, rows: IntArray) -> None:
        """Raise LogError where no row is left.

        Parameters
        ----------
        rows : ndarray of int
            Rows that are left.
        """
        if not rows.size:
            causes = "; ".join(f"{cause}: {rows_text(gone)}" for cause, gone in self.dropped.items())
            raise LogError(
                f"no record is left ({causes})",
                where=self.table.where,
                cure="check with --column that the right columns are read, or export the log again",
            )

    def column(self, role: str) -> FloatArray | None:
        """Raw numbers of a role's column, in file order.

        Parameters
        ----------
        role : str
            One of `ROLES`.
        """
        column = self.chosen.get(role)
        return None if column is None else self.table.numbers(column.index[0], self.notes)

    def si(self, role: str, rows: IntArray) -> FloatArray | None:
        """SI values of a role's column at rows; None where it has no column.

        Parameters
        ----------
        role : str
            One of `ROLES`.
        rows : ndarray of int
            Rows of the file.
        """
        values = self.column(role)
        if values is None:
            return None
        column = self.chosen[role]
        where = f"{self.table.where}, {role}, column '{column.name}'"
        if column.unit is None:
            units = ROLES[role].units
            raise LogError(
                f"the column '{column.name}' does not say its unit",
                where=where,
                cure=f'add it, as in --column "{role}={column.name}:{units[0]}"; one of {", ".join(units)}',
            )
        return role_to_si(ROLES[role], values[rows], column.unit, self.conditions, where=where)

    def clock(self) -> Clock | None:
        """Times of all rows; None without a column of times."""
        column = self.chosen.get("time")
        if column is None:
            self.say("time", "no column of times is used")
            return None
        cells: Any = self.table.columns[column.index[0]]
        for at in column.index[1:]:
            cells = cells.astype("str") + " " + self.table.columns[at].astype("str")
        clock = read_clock(cells, column.unit, name=column.name, where=self.table.where)
        bad = int((~np.isfinite(clock.seconds)).sum())
        if bad * 2 > clock.seconds.size:
            text = cells.dropna().astype("str")
            raise LogError(
                f"{bad} of {clock.seconds.size} times in '{column.name}' cannot be read like '{text.iloc[0]}'",
                where=self.table.where,
                cure="write all of them in one way, best as 2026-04-13T14:05:07Z, or do without: --column time=-",
            )
        self.say("time", f"'{column.name}': {clock.note}")
        back = np.diff(clock.seconds[np.isfinite(clock.seconds)])
        falls = back[back < 0.0]
        if falls.size and "section" not in self.chosen:
            text = f"the time runs backwards {count(falls.size, 'time')} in the file, by up to {-falls.min():,.1f} s"
            if clock.scale == "local" and 3000.0 < -falls.min() <= 3600.0:
                text += "; perhaps the clock was set back from summer time"
            self.say("time", text + "; the records are put in order", falls.size)
        return clock

    def labels(self) -> Labels | None:
        """Sections as the log calls them; None without a column."""
        column = self.chosen.get("section")
        if column is None:
            return None
        where = f"{self.table.where}, column '{column.name}'"
        return read_labels(self.table.columns[column.index[0]], where=where)

    def told_apart(
        self, rows: IntArray, seconds: FloatArray, positions: Positions, applied: FloatArray, count: int | None
    ) -> Labels | None:
        """Sections of a log that has a record of each at every moment and no column for them.

        Parameters
        ----------
        rows : ndarray of int, shape (n,)
            Rows with a position.
        seconds : ndarray, shape (rows of the file,)
            Times [s], NaN without a clock.
        positions : Positions
            Positions of all rows.
        applied : ndarray, shape (rows of the file,)
            Rates as logged.
        count : int or None
            Sections of the bar file.

        Raises
        ------
        LogError
            If they all stand at one position and the bar file has another number of sections.
        """
        if "section" in self.chosen or positions.strips is not None:
            return None
        found = sections_at_once(seconds[rows], positions.x[rows], positions.y[rows], applied[rows])
        if found is None:
            return None
        section, how = found
        many = int(section.max()) + 1
        if how == "one place" and many != count:
            raise LogError(
                f"the log has {many} records of every moment at one position, with rates of their own",
                where=self.table.where,
                cure='name the column that tells their sections apart: --column "section=NAME"'
                + ("" if count is None else f"; the bar file has {count} sections"),
            )
        order = "from their places" if how == "own places" else "in the order of the file, from the left"
        self.say("section", f"every moment has {many} records, taken as one for each section, {order}")
        code = np.zeros(self.table.rows, dtype=np.int64)
        code[rows] = section
        return Labels(code, tuple(str(at + 1) for at in range(many)), ordered=True)

    def without_outliers(
        self, rows: IntArray, seconds: FloatArray, positions: Positions, section: IntArray, *, timed: bool
    ) -> tuple[IntArray, Fixes]:
        """Drop the records no machine could have made; return the rows left and their fixes.

        Parameters
        ----------
        rows : ndarray of int, shape (n,)
            Rows with a position.
        seconds : ndarray, shape (rows of the file,)
            Times [s], NaN without a clock.
        positions : Positions
            Positions of all rows.
        section : ndarray of int, shape (rows of the file,)
            Code of each row's section.
        timed : bool
            Whether the log has a clock.
        """
        fixes = find_fixes(seconds[rows], positions.x[rows], positions.y[rows], section[rows])
        if positions.strips is not None:
            return rows, fixes  # ground that is drawn lies where it is drawn
        gone_fixes = outliers(fixes)
        if not gone_fixes.any():
            refuse_mixed(fixes, self.table.where, told="section" in self.chosen)
            return rows, fixes
        if gone_fixes.mean() > _TOO_MANY and gone_fixes.size > 20:
            raise LogError(
                f"{gone_fixes.mean():.0%} of the positions could not be reached from the ones before",
                where=self.table.where,
                cure="if the records of several machines are mixed line by line, export each machine to its own file; "
                + ("check the unit of the time" if timed else "if the file has a column of times, name it"),
            )
        gone = np.zeros(rows.size, dtype=bool)
        gone[fixes.order[gone_fixes[fixes.fix]]] = True
        rows = self.drop("teleport", rows, gone)
        fixes = find_fixes(seconds[rows], positions.x[rows], positions.y[rows], section[rows])
        refuse_mixed(fixes, self.table.where, told="section" in self.chosen)
        return rows, fixes
