"""What each work of the page does in a process of its own: the workflow as the command line calls it, every output.

The files lie in the working folder under their own names; what is written goes into folders of its own beside them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
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
    from geoflow.workflow.reporting import write_report
    from geoflow.workflow.said import carded, date_of

    date, protect = date_of(said), _inputs("card", said)
    outcome = carded(said)
    report = card_report(outcome, system, version_and_date(__version__, date))
    files = ReportFiles(out=str(out / "card.html"), pdf=str(out / "card.pdf"), paper=said.get("paper"))
    out.mkdir()
    setter = (as_card_html, as_card_pdf)
    write_report(report, files, system, date, replace=False, protect=protect, setter=setter)
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


# How a report is written is not what it rests on.
_NOT_TOLD: Final = ("replace", "paper", "date")
_ROLES: Final = {
    "bar": "bar file", "zone_speeds": "zone speeds", "target": "target map", "columns_file": "columns file",
}  # fmt: skip


def _report(about: str, said: _Said, system: System, out: Path) -> Made:
    """Make a report as HTML, PDF and figures, with its document."""
    from geoflow.options.typed import ReportFiles, told
    from geoflow.workflow.reporting import Sources, origin_of, write_report
    from geoflow.workflow.said import date_of

    command, date = f"report {about}", date_of(said)
    named = [name for name, one in options_of(command).items() if one.kind == "file" and name != "rehearsed"]
    sources = Sources.of([(_ROLES.get(name, name), said.get(name)) for name in named])

    def origin() -> Any:
        return origin_of(sources, [("geoflow report", about), *told(command, said, _NOT_TOLD)], date)

    report, document = _REPORTED[about](said, system, origin)
    out.mkdir()
    files = ReportFiles(
        out=str(out / "report.html"), pdf=str(out / "report.pdf"), figures=str(out / "figures"),
        paper=said.get("paper"),
    )  # fmt: skip
    write_report(report, files, system, date, replace=False, protect=sources.paths)
    _write_json(out / "report.json", document, sources.paths)
    return _whole(out, command, report, [], "html")


_Origin = Callable[[], Any]
_Reported = tuple["Report", dict[str, Any]]


def _on_vetting(said: _Said, system: System, origin: _Origin) -> _Reported:
    from geoflow.options.typed import DayOptions
    from geoflow.report.documents import vet_document
    from geoflow.workflow.reporting import report_on_vetting
    from geoflow.workflow.said import vetted

    outcome, day = vetted(said, "report vet"), DayOptions.of(said, "report vet")
    every = bool(said.get("all_zones"))
    return report_on_vetting(outcome, origin(), system, day, all_zones=every), vet_document(outcome)


def _on_rewriting(said: _Said, system: System, origin: _Origin) -> _Reported:
    from geoflow.options.typed import DayOptions, RewriteOptions
    from geoflow.report.rewriting import rewrite_document
    from geoflow.workflow.reporting import report_on_rewriting
    from geoflow.workflow.rewriting import rewrite_file
    from geoflow.workflow.said import vetted

    before, rules = vetted(said, "report rewrite"), RewriteOptions.of(said, "report rewrite")
    # Without a controller a heading serves the loads only.
    if before.solution.bar.controller is None and not rules.merge_short:
        rules = replace(rules, heading=None)
    outcome, day = rewrite_file(before, rules), DayOptions.of(said, "report rewrite")
    every = bool(said.get("all_zones"))
    return report_on_rewriting(outcome, origin(), system, day, all_zones=every), rewrite_document(outcome)


def _on_plan(said: _Said, system: System, origin: _Origin) -> _Reported:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.workflow.said import planned

    outcome = planned(said, "report plan")
    every = bool(said.get("all_zones"))
    return planned_report(outcome, system, all_zones=every, origin=origin()), plan_document(outcome)


def _on_log(said: _Said, system: System, origin: _Origin) -> _Reported:
    from geoflow.report.reconciling import reconcile_document
    from geoflow.workflow.reporting import report_on_reconciling
    from geoflow.workflow.said import reconciled

    outcome = reconciled(said)
    every = bool(said.get("all_zones"))
    return report_on_reconciling(outcome, origin(), system, all_zones=every), reconcile_document(outcome)


_REPORTED: Final[Mapping[str, Callable[[_Said, System, _Origin], _Reported]]] = {
    "vet": _on_vetting,
    "rewrite": _on_rewriting,
    "plan": _on_plan,
    "reconcile": _on_log,
}
_DONE: Final[dict[str, Callable[[_Said, System, Path], Made]]] = {
    "vet": _vet,
    "plan": _plan,
    "rehearse": _rehearse,
    "card": _card,
    "size": _size,
    "learn": _learn,
    "convert": _convert,
    "reconcile": _reconcile,
    "report vet": lambda said, system, out: _report("vet", said, system, out),
    "report rewrite": lambda said, system, out: _report("rewrite", said, system, out),
    "report plan": lambda said, system, out: _report("plan", said, system, out),
    "report reconcile": lambda said, system, out: _report("reconcile", said, system, out),
}
