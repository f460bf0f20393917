"""What is told of each command's outcome: its report, its JSON document, and what goes into a folder.

A command loads what its own outcome needs, and no other's.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.version import __version__
from geoflow.options.table import options_of
from geoflow.workflow import said as workflows
from geoflow.workflow.said import Said, date_of

if TYPE_CHECKING:
    from geoflow.base.units import System
    from geoflow.report.model import Report

__all__ = ["Statement", "stated", "statement_of"]


@dataclass(frozen=True, slots=True)
class Statement:
    """An outcome and what is told of it; only what is asked for is made.

    Attributes
    ----------
    outcome : object
        Of the workflow; of sizes with the map.
    findings : bool
        Whether there is anything to act on.
    document : callable
        Gives the JSON.
    report : callable
        Gives what people read, in their units.
    put : callable or None
        Writes the folder of --out.
    inputs : tuple of Path
        Files that were read, never to be written over.
    """

    outcome: Any
    findings: bool
    document: Callable[[], dict[str, Any]]
    report: Callable[[System], Report]
    put: Callable[..., tuple[list[str], list[str]]] | None = None
    inputs: tuple[Path, ...] = ()

    def write(self, folder: Path, system: System, *, replace: bool) -> tuple[list[str], list[str]]:
        """Write the folder of --out, whole or not at all.

        Parameters
        ----------
        folder : Path
            Where to.
        system : str
            ``"us"`` or ``"metric"``.
        replace : bool
            Whether files that are there may be replaced.

        Returns
        -------
        (list of str, list of str)
            What was written, and what there is to say of it.
        """
        assert self.put is not None
        return self.put(self.outcome, folder, self.document(), system, replace=replace, protect=self.inputs)


def stated(command: str, said: Said) -> Statement:
    """Do what a command does; raises GeoflowError for anything that cannot be read or understood.

    Parameters
    ----------
    command : str
        One with an outcome, as ``"vet"``.
    said : mapping
        By name of the option.
    """
    return statement_of(command, _WORKFLOWS[command](said), said)


def statement_of(command: str, outcome: Any, said: Said) -> Statement:
    """Say how an outcome is told.

    Parameters
    ----------
    command : str
        Whose it is.
    outcome : object
        From its workflow.
    said : mapping
        What was asked, by name of the option.
    """
    named = [said.get(name) for name, one in options_of(command).items() if one.kind == "file"]
    inputs = tuple(Path(name) for name in (*named, *said.get("logs", ())) if isinstance(name, str | os.PathLike))
    return replace(_TOLD[command](outcome, said), inputs=inputs)


def _statement(
    outcome: Any,
    document: Callable[[Any], dict[str, Any]],
    report: Callable[[System], Report],
    put: Callable[..., Any] | None = None,
) -> Statement:
    return Statement(outcome, outcome.has_findings, functools.cache(lambda: document(outcome)), report, put)


def _of_window(solution: Any, said: Said) -> Statement:
    from geoflow.report.documents import window_document
    from geoflow.report.window import window_report

    with_speed = said.get("speed") is not None
    return Statement(
        solution,
        bool(solution.certain.empty or solution.warnings(with_speed=with_speed)),
        lambda: window_document(solution, with_speed=with_speed),
        lambda system: window_report(solution, system, with_speed=with_speed),
    )


def _of_vetting(outcome: Any, said: Said) -> Statement:
    from geoflow.report.documents import vet_document
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.vet_outputs import write_vetting

    most = len(outcome.rate) if said.get("all_zones") else None
    return _statement(outcome, vet_document, lambda system: vetted_report(outcome, system, most), write_vetting)


def _of_rewriting(outcome: Any, _: Said) -> Statement:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.report.rewritten import rewritten_report

    return _statement(outcome, rewrite_document, lambda system: rewritten_report(outcome, system))


def _of_plan(outcome: Any, said: Said) -> Statement:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.workflow.plan_outputs import write_plan

    every = bool(said.get("all_zones"))
    return _statement(
        outcome, plan_document, lambda system: planned_report(outcome, system, all_zones=every), write_plan
    )


def _of_rehearsal(outcome: Any, said: Said) -> Statement:
    from geoflow.report.rehearsal_document import rehearse_document
    from geoflow.report.rehearsed import MOST_ZONES, rehearsed_report
    from geoflow.workflow.rehearsing import write_rehearsal

    most = None if said.get("all_zones") else MOST_ZONES
    return _statement(
        outcome, rehearse_document, lambda system: rehearsed_report(outcome, system, most), write_rehearsal
    )


def _of_card(outcome: Any, said: Said) -> Statement:
    from geoflow.field_card.document import card_document
    from geoflow.field_card.sheet import card_report
    from geoflow.report.basis import version_and_date

    stamp = version_and_date(__version__, date_of(said))
    return _statement(outcome, card_document, lambda system: card_report(outcome, system, stamp))


def _of_sizes(outcome: Any, said: Said) -> Statement:
    from geoflow.report.sizing import sized_report
    from geoflow.report.sizing_document import sized_document

    (found, prescription), drawn = outcome, said.get("out") is not None
    return Statement(
        outcome,
        found.has_findings,
        lambda: sized_document(found, prescription),
        lambda system: sized_report(found, prescription, system, drawn=drawn),
    )


def _of_conversion(outcome: Any, _: Said) -> Statement:
    from geoflow.report.converting import convert_document, converted_report

    return _statement(outcome, convert_document, lambda system: converted_report(outcome, system))


def _of_reconciling(outcome: Any, said: Said) -> Statement:
    from geoflow.report.reconciled import MOST_ZONES, reconciled_report
    from geoflow.report.reconciling import reconcile_document
    from geoflow.workflow.reconcile_outputs import write_reconciliation

    def write(*given: Any, **how: Any) -> tuple[list[str], list[str]]:
        return write_reconciliation(*given, cell=said.get("cell"), **how), []

    most = None if said.get("all_zones") else MOST_ZONES
    return _statement(outcome, reconcile_document, lambda system: reconciled_report(outcome, system, most), write)


def _of_learning(outcome: Any, said: Said) -> Statement:
    from geoflow.report.learning import learn_document, learned_report

    return _statement(outcome, learn_document, lambda system: learned_report(outcome, system, said.get("out")))


_WORKFLOWS: Final[Mapping[str, Callable[[Said], Any]]] = {
    "window": workflows.windowed,
    "vet": workflows.vetted,
    "rewrite": workflows.rewritten,
    "plan": workflows.planned,
    "rehearse": workflows.rehearsed,
    "card": workflows.carded,
    "size": workflows.sized_orifices,
    "convert": workflows.converted,
    "reconcile": workflows.reconciled,
    "learn": workflows.learned,
}
_TOLD: Final[Mapping[str, Callable[[Any, Said], Statement]]] = {
    "window": _of_window,
    "vet": _of_vetting,
    "rewrite": _of_rewriting,
    "plan": _of_plan,
    "rehearse": _of_rehearsal,
    "card": _of_card,
    "size": _of_sizes,
    "convert": _of_conversion,
    "reconcile": _of_reconciling,
    "learn": _of_learning,
}
