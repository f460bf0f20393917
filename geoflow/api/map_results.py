"""What comes of a bar and a map: window, verdicts, rewriting, plan, card, orifices, conversion."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Final

import numpy as np

from geoflow.api.results import Result
from geoflow.api.tables import ids_of, of_every_row, table_of, with_ours
from geoflow.base.errors import UsageError
from geoflow.field_card.html import as_card_html
from geoflow.field_card.pdf import as_card_pdf
from geoflow.options.typed import ReportFiles
from geoflow.report.html import as_html
from geoflow.report.rewriting import rewrite_columns
from geoflow.report.rewritten import change_map
from geoflow.report.size_figure import size_figure
from geoflow.report.sizing import sized_report
from geoflow.report.window_panels import PlannedRates, window_panels
from geoflow.workflow.plan_outputs import plan_columns, plan_map
from geoflow.workflow.rehearsing import expected_columns, rehearsal_map
from geoflow.workflow.reporting import Setting, write_report
from geoflow.workflow.rewriting import write_rewriting
from geoflow.workflow.said import date_of
from geoflow.workflow.vet_outputs import vet_map, zone_columns

if TYPE_CHECKING:
    from geoflow.report.canvas import Picture

__all__ = [
    "CardResult",
    "ConvertResult",
    "PlanResult",
    "RehearseResult",
    "RewriteResult",
    "SizeResult",
    "VetResult",
    "WindowResult",
]

_NO_RATES: Final = np.zeros(0)
_ASKED_OF_NOBODY: Final = PlannedRates(_NO_RATES, _NO_RATES, np.zeros(0, dtype="U8"), _NO_RATES, _NO_RATES)


def _json(document: dict[str, Any]) -> bytes:
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode()


def _without_prefix(columns: dict[str, Any]) -> dict[str, Any]:
    """Our columns as they are called in memory, where no file of the user's needs to be told apart."""
    words = {name: name.removeprefix("gf_") for name in columns if name != "gf_zone"} | {"gf_limit": "limited_by"}
    return {word: columns[name] for name, word in words.items()}


class WindowResult(Result):
    """The flow and rate window of a bar."""

    command: ClassVar = "window"
    tables: ClassVar = ("window", "gauges")

    def drawn(self) -> Picture:
        """Draw the rates over liquid temperature and speed."""
        return window_panels(self.outcome, _ASKED_OF_NOBODY, self.units)

    def _write(self, folder: Path, replace: bool) -> list[str]:
        contents = {"window.json": lambda: _json(self.to_dict()), "window.png": lambda: self.drawn()[0]}
        return self._stage(folder, replace, contents | {"window.html": lambda: as_html(self.report).encode()})


class VetResult(Result):
    """A vetted prescription."""

    command: ClassVar = "vet"
    tables: ClassVar = ("answer", "zones")

    @property
    def zones(self) -> Any:
        """The caller's zones, with `verdict`, `side`, `limited_by`, speeds, rates, `odds`, `cure` behind."""
        prescription = self.outcome.prescription
        columns = _without_prefix(zone_columns(self.outcome))
        columns |= of_every_row(prescription.rows_read, prescription.row, {"odds": self.outcome.odds})
        columns |= ids_of(prescription)
        return with_ours(table_of(prescription), columns)

    def drawn(self) -> Picture:
        """Draw every zone with its verdict."""
        return vet_map(self.outcome, self.units)


class RewriteResult(Result):
    """A rewritten prescription."""

    command: ClassVar = "rewrite"
    tables: ClassVar = ("answer", "changes")

    @property
    def zones(self) -> Any:
        """The caller's zones, with rates before and after, speeds, verdicts and the reason behind."""
        prescription = self.outcome.vetted.prescription
        columns = rewrite_columns(prescription, self.outcome.done)
        ours = {name: values for name, values in columns.items() if name not in ("row", "zone")}
        found = of_every_row(prescription.rows_read, prescription.row, ours) | ids_of(prescription)
        return with_ours(table_of(prescription), found)

    @property
    def rewritten(self) -> Any:
        """The caller's zones with the new rates in their own rate column, in its own unit."""
        prescription = self.outcome.vetted.prescription
        table = table_of(prescription).copy()
        rates = np.asarray(table[prescription.rate_column], dtype=object)
        rates[prescription.row] = self.outcome.written_rate
        for again, row in prescription.repeats.items():
            rates[again] = rates[row]
        number = table[prescription.rate_column].dtype.kind in "fiu"
        table[prescription.rate_column] = rates.astype(np.float64) if number else rates
        return table

    def drawn(self) -> Picture:
        """Draw what became of each zone."""
        return change_map(self.outcome, self.units)

    def write(self, folder: str | Path, *, replace: bool = False, name: str | None = None) -> list[Path]:
        """Write the new prescription into a folder, and beside it what changed and why.

        Parameters
        ----------
        folder : str or Path
            Made where it is not there.
        replace : bool
            Whether files that are there may be replaced.
        name : str, optional
            Of the new file, whose ending says the format; the input's own without, ``zones.gpkg`` for a table.

        Returns
        -------
        list of Path
            What was written.

        Raises
        ------
        OutputError
            If it may not or cannot be written.
        """
        prescription = self.outcome.vetted.prescription
        own = "zones.gpkg" if prescription.file_format == "table" else prescription.path.name
        target, side, _ = write_rewriting(
            self.outcome, Path(folder) / (name or own), replace=replace, protect=self.inputs
        )  # fmt: skip
        return [target, side]


class PlanResult(Result):
    """A planned field."""

    command: ClassVar = "plan"
    tables: ClassVar = ("zones", "day")

    @property
    def zones(self) -> Any:
        """The caller's zones, with verdicts, the speeds of the plan and the tanks that end in each behind."""
        prescription = self.outcome.vetted.prescription
        columns = _without_prefix(plan_columns(self.outcome))
        columns |= ids_of(prescription)
        return with_ours(table_of(prescription), columns)

    def drawn(self) -> Picture:
        """Draw the speeds to drive."""
        return plan_map(self.outcome, "speeds.png", self.units)


class RehearseResult(Result):
    """A field driven before the day."""

    command: ClassVar = "rehearse"
    tables: ClassVar = ("answer", "savings", "zones")

    @property
    def zones(self) -> Any:
        """The caller's zones, with the plan and what each is to be expected to get behind."""
        prescription = self.outcome.plan.vetted.prescription
        return with_ours(
            table_of(prescription), _without_prefix(expected_columns(self.outcome)) | ids_of(prescription)
        )  # fmt: skip

    def drawn(self) -> Picture:
        """Draw what is to be expected over what is asked."""
        return rehearsal_map(self.outcome, self.units)


class CardResult(Result):
    """A field card."""

    command: ClassVar = "card"
    tables: ClassVar = ("speeds", "settings", "gauges")

    @property
    def zones(self) -> Any:
        """The zones of the map the card is of; None where it is of plain rates."""
        return None if self.outcome.prescription is None else table_of(self.outcome.prescription)

    def drawn(self) -> Picture:
        """Draw the window with the rates of the card in it."""
        speeds = self.outcome.speeds
        area = speeds.area if speeds.area is not None else np.ones(speeds.rate.shape)
        asked = PlannedRates(speeds.rate, area, speeds.verdict, speeds.driven[:, 0], speeds.driven[:, 1])
        return window_panels(self.outcome.solution, asked, self.units)

    def _write(self, folder: Path, replace: bool) -> list[str]:
        files = ReportFiles(out=str(folder / "card.html"), pdf=str(folder / "card.pdf"))
        setting = Setting(as_card_html, as_card_pdf)
        write_report(
            self.report, files, self.units, date_of(self.said), replace=replace, protect=self.inputs, setting=setting
        )
        return ["card.html", "card.pdf"]


class SizeResult(Result):
    """Orifices for some rates."""

    command: ClassVar = "size"
    tables: ClassVar = ("rates", "sizes")

    @property
    def zones(self) -> Any:
        """The zones of the map whose rates are asked; None without one."""
        return None if self.outcome[1] is None else table_of(self.outcome[1])

    def drawn(self) -> Picture:
        """Draw the rates that diameters hold."""
        return size_figure(self.outcome[0], self.units)

    def _write(self, folder: Path, replace: bool) -> list[str]:
        found, prescription = self.outcome
        page = sized_report(found, prescription, self.units)
        contents = {"size.html": lambda: as_html(page).encode(), "size.json": lambda: _json(self.to_dict())}
        return self._stage(folder, replace, contents)


class ConvertResult(Result):
    """A prescription in another format or unit; it is written by `convert` itself."""

    command: ClassVar = "convert"

    @property
    def zones(self) -> Any:
        """The zones as they were read."""
        return table_of(self.outcome.prescription)

    def _write(self, folder: Path, replace: bool) -> list[str]:
        written = self.outcome.written.path
        raise UsageError("it is written already", where=str(written), cure="call convert again with another out")
