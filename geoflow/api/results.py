"""What the Python functions return: one shape for all results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from geoflow.base.errors import UsageError
from geoflow.files.output import OutputFolder
from geoflow.report.canvas import figure_of
from geoflow.report.html import as_cell
from geoflow.report.model import Figure, Report, Section, Table
from geoflow.report.terminal import as_text
from geoflow.workflow.results import Statement, statement_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from geoflow.base.units import System
    from geoflow.report.canvas import Picture

__all__ = ["ReadInput", "Result"]

_MOST_ROWS = 40  # of a table in a notebook


@dataclass(frozen=True, eq=False, repr=False)
class Result:
    """What a function found; nothing is written unless `write` is called.

    Attributes
    ----------
    outcome : object
        What the workflow gave: SI arrays in frozen dataclasses of `geoflow.outcomes`.
    said : mapping
        What was asked, by the options' names.
    """

    outcome: Any
    said: Mapping[str, Any] = field(default_factory=dict)

    command: ClassVar[str] = ""
    """The command whose outcome it is."""
    tables: ClassVar[tuple[str, ...]] = ()
    """Sections of the report whose tables a notebook shows."""

    @property
    def units(self) -> System:
        """What people read: ``"us"`` or ``"metric"``."""
        return self.said.get("units") or "us"

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Files that were read, never to be written over."""
        return tuple(Path(value) for value in self.said.values() if isinstance(value, str) and Path(value).exists())

    @property
    def _stated(self) -> Statement:
        return statement_of(self.command, self.outcome, self.said)

    @property
    def has_findings(self) -> bool:
        """Whether there is anything to act on, as the command's exit code 1 says."""
        return self._stated.findings

    @property
    def report(self) -> Report:
        """What is to be said, in sections."""
        return self._stated.report(self.units)

    @property
    def zones(self) -> Any:
        """The caller's zones with ours behind their columns, as a GeoDataFrame; None where there are none."""
        return None

    def summary(self) -> str:
        """Say it as the terminal does."""
        return as_text(self.report)

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON of the command."""
        return self._stated.document()

    def drawn(self) -> Picture | None:
        """Draw the picture of the result; None where there is none."""
        return None

    def plot(self) -> Any:
        """Return that picture as a matplotlib figure."""
        return figure_of(self.drawn)

    def write(self, folder: str | Path, *, replace: bool = False) -> list[Path]:
        """Write all that the command writes into a folder, whole or not at all.

        Parameters
        ----------
        folder : str or Path
            Made where it is not there.
        replace : bool
            Whether files that are there may be replaced.

        Returns
        -------
        list of Path
            What was written.

        Raises
        ------
        OutputError
            If it may not or cannot be written.
        """
        names = self._write(Path(folder), replace)
        return [Path(folder) / name for name in names]

    def _write(self, folder: Path, replace: bool) -> list[str]:
        return self._stated.write(folder, self.units, replace=replace)[0]

    def _stage(self, folder: Path, replace: bool, contents: Mapping[str, Callable[[], bytes]]) -> list[str]:
        """Write files into a folder, all or none."""
        with OutputFolder(folder, replace=replace, protect=self.inputs) as out:
            out.claim(list(contents))
            for name, make in contents.items():
                out.stage(name).write_bytes(make())
        return list(contents)

    def _repr_html_(self) -> str:
        """Show the answer, warnings, tables and picture in a notebook."""
        report = self.report
        shown = []
        for section, blocks in report.shown("html"):
            # The cautions stand below anyhow.
            warned = section.key != "cautions"
            told = [block for block in blocks if warned and getattr(block, "kind", "") == "warning"]
            if section.key in self.tables:
                told += [_short(block) for block in blocks if isinstance(block, Table)]
            shown.append(Section(section.key, section.title, tuple(told)))
        drawn = self.drawn()
        if drawn is not None:
            shown.append(Section("picture", "", (Figure("picture", *drawn, report.answer, ""),)))
        return as_cell(Report(report.title, report.subtitle, report.answer, tuple(shown), report.caution, ""))

    def __repr__(self) -> str:
        """Say the answer in a line."""
        return f"<{type(self).__name__}: {self.report.answer}>"


def _short(table: Table) -> Table:
    if len(table.rows) <= _MOST_ROWS:
        return table
    more = f"the first {_MOST_ROWS} of {len(table.rows):,} rows"
    caption = ", ".join(filter(None, (table.caption, more)))
    return Table(caption, table.heads, table.rows[:_MOST_ROWS], table.align, table.widths)


@dataclass(frozen=True, eq=False, repr=False)
class ReadInput(Result):
    """A map or log that was read, to be handed on in place of its file."""

    settles: ClassVar[frozenset[str]] = frozenset()
    """Options that say how it is read; they are said here and not again."""
    by: ClassVar[str] = ""
    """The function that reads it."""

    def _write(self, folder: Path, replace: bool) -> list[str]:
        where = folder / "zones.gpkg"
        raise UsageError(
            "what was only read is not written again", where=str(where), cure="write what vet, rewrite or plan gives"
        )
