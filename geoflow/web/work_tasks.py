"""What each work of the page does in a process of its own: the workflow as the command line calls it, every output.

The files lie in the working folder under their own names; what is written goes into folders of its own beside them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import GeoflowError
from geoflow.base.progress import listening
from geoflow.options.table import options_of
from geoflow.web.made import Made, Refused, pack
from geoflow.web.wording import page_words, refusal

if TYPE_CHECKING:
    from geoflow.base.units import System
    from geoflow.report.model import Medium, Report

__all__ = ["do_work"]

_Said = Mapping[str, Any]
# What the pictures of a folder show, the first ones first.
_PICTURES: Final[Mapping[str, Mapping[str, str]]] = {
    "vet": {"map.png": "Map of the zones by verdict", "window.png": "Rates the bar can deliver, with the map's marked"},
    "plan": {
        "speeds.png": "Map of the speed each zone is driven at",
        "rates.png": "Map of the rate each zone asks for",
        "day.png": "What holds by the hour of the day",
    },
    "rehearse": {"map.png": "Map of what is to be expected over what is asked"},
    "reconcile": {
        "map.png": "Map of applied over target",
        "causes.png": "How much ground came out how, and why",
        "rates.png": "How much ground was to get which rate, and how much got it",
        "orifices.png": "Effective orifice area over the log",
    },
}


def do_work(tell: Callable[[str], None], command: str, said: _Said, out: str) -> Made | Refused:
    """Do what a command does; what it refuses is said in the page's words, with the fields it speaks of.

    Parameters
    ----------
    tell : callable
        Told each step.
    command : str
        One of `geoflow.options.table.COMMANDS`.
    said : mapping
        By name of the option, inputs as names in the working folder.
    out : str
        The folder there that is written to.
    """
    try:
        with listening(lambda step: tell(step[:1].upper() + step[1:])):
            return _DONE[command](said, said["units"], Path(out))
    except GeoflowError as problem:
        return refusal(problem, command)


def _inputs(command: str, said: _Said) -> tuple[Path, ...]:
    """Files that are read, never to be written over."""
    names = [said.get(name) for name, one in options_of(command).items() if one.kind == "file"]
    return tuple(Path(name) for name in (*names, *said.get("logs", ())) if name)


def _whole(out: Path, command: str, report: Report, notes: list[str], medium: Medium = "page") -> Made:
    """Pack what was written, with its words and pictures."""
    from geoflow.report.terminal import as_text
    from geoflow.web.blocks import report_view

    def say(text: str) -> str:
        return page_words(text, command)

    made = pack(out, "\n".join(map(say, [as_text(report, "page"), *notes])))
    pictures = [
        (name, (out / name).read_bytes(), f"{shows}. {report.answer}")
        for name, shows in _PICTURES.get(command, {}).items()
        if name in made.names
    ]
    shown = report_view(report, say, medium) | {"notes": [say(note) for note in notes]}
    return replace(made, pictures=tuple(pictures), shown=shown)


def _vet(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.documents import vet_document
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.said import vetted
    from geoflow.workflow.vet_outputs import write_vetting

    outcome = vetted(said)
    document = vet_document(outcome)
    _, notes = write_vetting(outcome, out, document, system, replace=False, protect=_inputs("vet", said))
    most = len(outcome.rate) if said.get("all_zones") else None
    return _whole(out, "vet", vetted_report(outcome, system, most), notes)


def _rewrite(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.rewritten import rewritten_report
    from geoflow.web.layer_views import rewritten_view
    from geoflow.workflow.rewriting import write_rewriting
    from geoflow.workflow.said import rewritten

    outcome, path = rewritten(said), Path(said["prescription"])
    out.mkdir()
    target = out / f"{path.stem}_for_bar{path.suffix}"
    write_rewriting(outcome, target, replace=False, protect=_inputs("rewrite", said))
    made = _whole(out, "rewrite", rewritten_report(outcome, system), [])
    return replace(made, drawn=rewritten_view(outcome, system))


def _plan(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.workflow.plan_outputs import write_plan
    from geoflow.workflow.said import planned

    outcome = planned(said)
    document = plan_document(outcome)
    _, notes = write_plan(outcome, out, document, system, replace=False, protect=_inputs("plan", said))
    report = planned_report(outcome, system, all_zones=bool(said.get("all_zones")))
    return _whole(out, "plan", report, notes)


def _rehearse(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.rehearsal_document import rehearse_document
    from geoflow.report.rehearsed import MOST_ZONES, rehearsed_report
    from geoflow.workflow.rehearsing import write_rehearsal
    from geoflow.workflow.said import rehearsed

    outcome = rehearsed(said)
    document = rehearse_document(outcome)
    _, notes = write_rehearsal(outcome, out, document, system, replace=False, protect=_inputs("rehearse", said))
    report = rehearsed_report(outcome, system, None if said.get("all_zones") else MOST_ZONES)
    return _whole(out, "rehearse", report, notes)


def _write_json(path: Path, document: dict[str, Any], protect: tuple[Path, ...]) -> None:
    from geoflow.workflow.vet_outputs import write_json

    write_json(path, document, replace=False, protect=protect)


def _card(said: _Said, system: System, out: Path) -> Made:
    from geoflow.base.version import __version__
    from geoflow.field_card.document import card_document
    from geoflow.field_card.html import as_card_html
    from geoflow.field_card.pdf import as_card_pdf
    from geoflow.field_card.sheet import card_report
    from geoflow.options.typed import ReportFiles
    from geoflow.report.basis import version_and_date
    from geoflow.workflow.reporting import Setting, write_report
    from geoflow.workflow.said import carded, date_of

    date, protect = date_of(said), _inputs("card", said)
    outcome = carded(said)
    report = card_report(outcome, system, version_and_date(__version__, date))
    files = ReportFiles(out=str(out / "card.html"), pdf=str(out / "card.pdf"), paper=said.get("paper"))
    out.mkdir()
    setting = Setting(as_card_html, as_card_pdf)
    write_report(report, files, system, date, replace=False, protect=protect, setting=setting)
    _write_json(out / "card.json", card_document(outcome), protect)
    return _whole(out, "card", report, [], "html")


def _size(said: _Said, system: System, out: Path) -> Made:
    import datetime

    from geoflow.options.typed import ReportFiles
    from geoflow.report.sizing import sized_report
    from geoflow.report.sizing_document import sized_document
    from geoflow.workflow.reporting import write_report
    from geoflow.workflow.said import sized_orifices

    found, prescription = sized_orifices(said)
    protect = _inputs("size", said)
    report = sized_report(found, prescription, system)
    out.mkdir()
    files = ReportFiles(out=str(out / "sizes.html"))
    # An HTML file bears no date.
    write_report(report, files, system, datetime.date.min, replace=False, protect=protect)
    _write_json(out / "sizes.json", sized_document(found, prescription), protect)
    return _whole(out, "size", report, [])


def _learn(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.learning import learn_document, learned_figures, learned_report
    from geoflow.workflow.learning import write_figures, write_learned
    from geoflow.workflow.said import learned

    outcome = learned(said)
    protect = _inputs("learn", said)
    new = out / f"{Path(said['bar']).stem}_learned.toml"
    out.mkdir()
    write_learned(outcome, said["bar"], str(new), replace_existing=False, protect=protect)
    figures = learned_figures(outcome, system)
    drawn = {one.name: one.png for one in figures}
    write_figures(drawn, out / "figures", replace_existing=False, protect=protect)
    _write_json(out / "learned.json", learn_document(outcome), protect)
    made = _whole(out, "learn", learned_report(outcome, system, str(new)), [])
    pictures = tuple((one.name, one.png, one.alt) for one in figures)
    return replace(made, pictures=pictures, bar=(new.name, new.read_text(encoding="utf-8")))


def _convert(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.converting import convert_document, converted_report
    from geoflow.workflow.said import converted

    protect = _inputs("convert", said)
    outcome = converted({**said, "out": str(out / said["out"])}, protect)
    _write_json(out / "converted.json", convert_document(outcome), protect)
    return _whole(out, "convert", converted_report(outcome, system), [])


def _reconcile(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.reconciled import MOST_ZONES, reconciled_report
    from geoflow.report.reconciling import reconcile_document
    from geoflow.web.ground import ground_view
    from geoflow.workflow.reconcile_outputs import write_columns, write_reconciliation
    from geoflow.workflow.said import reconciled

    protect = _inputs("reconcile", said)
    outcome = reconciled(said)
    document = reconcile_document(outcome)
    write_reconciliation(
        outcome, out, document, system, cell=said.get("cell"), replace=False, protect=protect
    )  # fmt: skip
    write_columns(outcome, out / "columns.json", replace=False, protect=protect)
    most = None if said.get("all_zones") else MOST_ZONES
    made = _whole(out, "reconcile", reconciled_report(outcome, system, most), [])
    return replace(made, drawn=ground_view(outcome, system))


def _report(about: str, said: _Said, system: System, out: Path) -> Made:
    """Make a report as HTML, PDF and figures, with its document."""
    from geoflow.options.typed import ReportFiles
    from geoflow.workflow.reported import reported
    from geoflow.workflow.reporting import write_report

    made = reported(about, said)
    out.mkdir()
    files = ReportFiles(
        out=str(out / "report.html"), pdf=str(out / "report.pdf"), figures=str(out / "figures"),
        paper=said.get("paper"),
    )  # fmt: skip
    write_report(made.report, files, system, made.date, replace=False, protect=made.inputs)
    _write_json(out / "report.json", made.document(), made.inputs)
    return _whole(out, f"report {about}", made.report, [], "html")


_DONE: Final[dict[str, Callable[[_Said, System, Path], Made]]] = {
    "vet": _vet,
    "rewrite": _rewrite,
    "plan": _plan,
    "rehearse": _rehearse,
    "card": _card,
    "size": _size,
    "learn": _learn,
    "convert": _convert,
    "reconcile": _reconcile,
    "report vet": partial(_report, "vet"),
    "report rewrite": partial(_report, "rewrite"),
    "report plan": partial(_report, "plan"),
    "report reconcile": partial(_report, "reconcile"),
}
