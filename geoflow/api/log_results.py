"""What comes of logs: reconciliation, and what a bar learned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from geoflow.api.readings import places_of
from geoflow.api.results import Result
from geoflow.api.tables import ids_of, of_every_row, table_of, with_ours
from geoflow.base.errors import UsageError
from geoflow.report.learning import learned_figures
from geoflow.report.reconciling import zone_columns
from geoflow.workflow.laid_ground import laid_ground, orifice_series
from geoflow.workflow.learning import learned_text
from geoflow.workflow.reconcile_outputs import (
    ground_poster,
    strip_columns,
)

if TYPE_CHECKING:
    from geoflow.report.canvas import Picture

__all__ = ["LearnResult", "ReconcileResult"]


class ReconcileResult(Result):
    """A log compared with what was asked."""

    command: ClassVar = "reconcile"
    tables: ClassVar = ("answer", "spread", "zones")

    @property
    def zones(self) -> Any:
        """The zones of the map with what each got behind; None without a map."""
        target = self.outcome.target
        if target is None or self.outcome.found.zones is None:
            return None
        columns = zone_columns(self.outcome)
        ours = {name: columns[name] for name in columns if name not in ("zone", "zone_id")}
        found = of_every_row(target.rows_read, target.row, ours) | ids_of(target)
        return with_ours(table_of(target), found)

    @property
    def points(self) -> Any:
        """The caller's records with what was applied, what was asked, and why it is off behind.

        Where a record is of several sections, their mean by ground and the cause of the largest. A log from a file
        comes as points in WGS 84, a row for each of the file.
        """
        import pandas

        outcome, read = self.outcome, self.outcome.read
        log, columns = outcome.found.log, strip_columns(outcome)
        row, ground = columns["log_row"], np.nan_to_num(log.step * log.width)[outcome.found.ground]
        found: dict[str, Any] = {"kept": np.isin(np.arange(read.rows_read), log.row)}
        for name in ("applied_lb_n_ac", "target_lb_n_ac"):
            known = np.where(np.isfinite(columns[name]), ground, 0.0)
            weight = np.bincount(row, known, minlength=read.rows_read)
            amount = np.bincount(row, np.nan_to_num(columns[name]) * known, minlength=read.rows_read)
            found[name] = np.where(weight > 0.0, np.round(amount / np.where(weight > 0.0, weight, 1.0), 3), np.nan)
        asked = found["target_lb_n_ac"]
        found["ratio"] = np.where(asked > 0.0, found["applied_lb_n_ac"] / np.where(asked > 0.0, asked, 1.0), np.nan)
        found["cause"] = np.full(read.rows_read, None, dtype=object)
        order = np.argsort(ground, kind="stable")
        found["cause"][row[order]] = [cause or None for cause in columns["cause"][order].tolist()]
        if isinstance(read.given, pandas.DataFrame):
            return with_ours(read.given, found)
        return with_ours(places_of(read), found)

    def drawn(self) -> Picture | None:
        """Draw applied over target on the ground; None where no record covers any."""
        if not self.outcome.found.ground.any():
            return None
        return ground_poster(self.outcome, laid_ground(self.outcome, orifice_series(self.outcome)), self.units)


class LearnResult(Result):
    """What a bar learned from its logs; `outcome.bar` is the bar with it."""

    command: ClassVar = "learn"
    tables: ClassVar = ("learned",)

    def drawn(self) -> Picture | None:
        """Draw the first kind of orifice that was learned."""
        figures = learned_figures(self.outcome, self.units)
        return (figures[0].png, figures[0].size) if figures else None

    def _write(self, folder: Path, replace: bool) -> list[str]:
        bar = self.said["bar"]
        if not isinstance(bar, str):
            raise UsageError(
                "what was learned is put into the bar's own file, and the bar was given without one",
                where="geoflow.learn()",
                cure="give the path of the bar file; or go on with the bar in memory, result.outcome.bar",
            )
        contents = {"bar.toml": lambda: learned_text(self.outcome, bar, str(folder / "bar.toml")).encode()}
        figures = {f"{one.name}.png": one.png for one in learned_figures(self.outcome, self.units)}
        contents |= {name: lambda png=png: png for name, png in figures.items()}  # type: ignore[misc]
        return self._stage(folder, replace, contents)
