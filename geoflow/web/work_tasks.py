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


def _folder(command: str, said: _Said, system: System, out: Path) -> Made:
    """Do a command that writes a folder."""
    from geoflow.workflow.results import stated

    found = stated(command, said)
    _, notes = found.write(out, system, replace=False)
    return _whole(out, command, found.report(system), notes)


def _rewrite(said: _Said, system: System, out: Path) -> Made:
    from geoflow.web.layer_views import rewritten_view
    from geoflow.workflow.results import stated
    from geoflow.workflow.rewriting import write_rewriting

    found, path = stated("rewrite", said), Path(said["prescription"])
    out.mkdir()
    target = out / f"{path.stem}_for_bar{path.suffix}"
    write_rewriting(found.outcome, target, replace=False, protect=found.inputs)
    made = _whole(out, "rewrite", found.report(system), [])
    return replace(made, drawn=rewritten_view(found.outcome, system))


def _write_json(path: Path, document: dict[str, Any], protect: tuple[Path, ...]) -> None:
    from geoflow.workflow.vet_outputs import write_json

    write_json(path, document, replace=False, protect=protect)


def _card(said: _Said, system: System, out: Path) -> Made:
    from geoflow.field_card.html import as_card_html
    from geoflow.field_card.pdf import as_card_pdf
    from geoflow.options.typed import ReportFiles
    from geoflow.workflow.reporting import Setting, write_report
    from geoflow.workflow.results import stated
    from geoflow.workflow.said import date_of

    date = date_of(said)
    found = stated("card", said)
    report = found.report(system)
    files = ReportFiles(out=str(out / "card.html"), pdf=str(out / "card.pdf"), paper=said.get("paper"))
    out.mkdir()
    setting = Setting(as_card_html, as_card_pdf)
    write_report(report, files, system, date, replace=False, protect=found.inputs, setting=setting)
    _write_json(out / "card.json", found.document(), found.inputs)
    return _whole(out, "card", report, [], "html")


def _size(said: _Said, system: System, out: Path) -> Made:
    import datetime

    from geoflow.options.typed import ReportFiles
    from geoflow.workflow.reporting import write_report
    from geoflow.workflow.results import stated

    files = ReportFiles(out=str(out / "sizes.html"))
    found = stated("size", {**said, "out": files.out})
    report = found.report(system)
    out.mkdir()
    # An HTML file bears no date.
    write_report(report, files, system, datetime.date.min, replace=False, protect=found.inputs)
    _write_json(out / "sizes.json", found.document(), found.inputs)
    return _whole(out, "size", report, [])


def _learn(said: _Said, system: System, out: Path) -> Made:
    from geoflow.report.learning import learned_figures
    from geoflow.workflow.learning import write_figures, write_learned
    from geoflow.workflow.results import stated

    new = out / f"{Path(said['bar']).stem}_learned.toml"
    found = stated("learn", {**said, "out": str(new)})
    out.mkdir()
    write_learned(found.outcome, said["bar"], str(new), replace_existing=False, protect=found.inputs)
    figures = learned_figures(found.outcome, system)
    drawn = {one.name: one.png for one in figures}
    write_figures(drawn, out / "figures", replace_existing=False, protect=found.inputs)
    _write_json(out / "learned.json", found.document(), found.inputs)
    made = _whole(out, "learn", found.report(system), [])
    pictures = tuple((one.name, one.png, one.alt) for one in figures)
    return replace(made, pictures=pictures, bar=(new.name, new.read_text(encoding="utf-8")))


def _convert(said: _Said, system: System, out: Path) -> Made:
    from geoflow.workflow.results import stated

    found = stated("convert", {**said, "out": str(out / said["out"])})
    _write_json(out / "converted.json", found.document(), found.inputs)
    return _whole(out, "convert", found.report(system), [])


def _reconcile(said: _Said, system: System, out: Path) -> Made:
    from geoflow.web.ground import ground_view
    from geoflow.workflow.reconcile_outputs import write_columns
    from geoflow.workflow.results import stated

    found = stated("reconcile", said)
    found.write(out, system, replace=False)
    write_columns(found.outcome, out / "columns.json", replace=False, protect=found.inputs)
    made = _whole(out, "reconcile", found.report(system), [])
    return replace(made, drawn=ground_view(found.outcome, system))


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
    "vet": partial(_folder, "vet"),
    "rewrite": _rewrite,
    "plan": partial(_folder, "plan"),
    "rehearse": partial(_folder, "rehearse"),
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
