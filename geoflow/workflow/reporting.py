"""Gathering a report: fingerprints of what is read, hours and loads, and writing HTML, PDF and figures."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import OutputError, RangeError, UsageError
from geoflow.base.units import System
from geoflow.base.version import __version__
from geoflow.decide.field_day import Day
from geoflow.files.inputs import InputSnapshot, files_of
from geoflow.files.output import OutputFolder
from geoflow.options.typed import DayOptions, ReportFiles
from geoflow.outcomes import InputFile, Origin, ReconcileOutcome, RewriteOutcome, VetOutcome
from geoflow.report.html import as_html
from geoflow.report.pdf import as_pdf
from geoflow.report.reconciled import reconciled_report
from geoflow.report.rewritten import rewritten_report
from geoflow.report.vetted import MOST_ZONES, Printed, vetted_report
from geoflow.workflow.day import day_hours, with_loads
from geoflow.workflow.laid_ground import laid_ground, orifice_series

if TYPE_CHECKING:
    from geoflow.report.model import Report
    from geoflow.report.pdf import Paper

__all__ = [
    "Setting",
    "Sources",
    "origin_of",
    "parse_date",
    "report_on_reconciling",
    "report_on_rewriting",
    "report_on_vetting",
    "write_report",
]

_USUAL_DAY: Final = DayOptions()


def parse_date(text: str | None, epoch: str | None, today: Callable[[], datetime.date]) -> datetime.date:
    """Date of a report: as given, else that of SOURCE_DATE_EPOCH, else today's.

    Parameters
    ----------
    text : str or None
        As typed, ``2026-04-30``.
    epoch : str or None
        Seconds since 1970 in UTC, the convention of reproducible-builds.org.
    today : callable
        Asked only if neither is given.

    Raises
    ------
    UsageError
        If either is no date.
    """
    try:
        if text is not None:
            return datetime.date.fromisoformat(text)
        if epoch:
            return datetime.datetime.fromtimestamp(int(epoch), datetime.UTC).date()
    except (ValueError, OverflowError, OSError) as problem:
        name, said = ("--date", text) if text is not None else ("SOURCE_DATE_EPOCH", epoch)
        cure = "write it like 2026-04-30" if text is not None else "give seconds since 1970, or unset it"
        raise UsageError(f"'{said}' is no date", where=name, cure=cure) from problem
    return today()


def _fingerprint(path: Path) -> tuple[int, str] | None:
    try:
        with path.open("rb") as content:
            digest = hashlib.file_digest(content, "sha256").hexdigest()
            return content.tell(), digest
    except OSError:
        return None  # reading it for its content says better what is wrong


@dataclass(frozen=True, slots=True)
class Sources:
    """Files a report rests on, with their fingerprints from before they were read.

    Attributes
    ----------
    prints : tuple of (role, Path, (size, sha256) or None)
        One for each file.
    held : InputSnapshot
        What they looked like.
    """

    prints: tuple[tuple[str, Path, tuple[int, str] | None], ...]
    held: InputSnapshot

    @classmethod
    def of(cls, files: Iterable[tuple[str, str | None]]) -> Sources:
        """Fingerprint files by role; a Shapefile or folder counts with all its files, and None is left out.

        Parameters
        ----------
        files : iterable of (str, str or None)
            Role and path.
        """

        given = [(role, Path(name)) for role, name in files if name]
        held = InputSnapshot.of(path for _, path in given)
        found = [(role, one, _fingerprint(one)) for role, path in given for one in files_of(path) or [path]]
        return cls(tuple(found), held)

    @property
    def paths(self) -> tuple[Path, ...]:
        """All files, to be protected from being written over."""
        return tuple(path for _, path, _ in self.prints)

    def unchanged(self) -> tuple[InputFile, ...]:
        """Return the files for the report, once they have been read.

        Raises
        ------
        InputError
            If one is another by now: the report would name a file that it does not rest on.
        """

        self.held.refuse_changes()
        return tuple(InputFile(role, str(path), *before) for role, path, before in self.prints if before is not None)


def origin_of(sources: Sources, asked: Sequence[tuple[str, str]], date: datetime.date) -> Origin:
    """Say what a report rests on, once that is read.

    Parameters
    ----------
    sources : Sources
        Fingerprinted before anything was read.
    asked : sequence of (str, str)
        Options as typed.
    date : date
        Of the report.

    Raises
    ------
    InputError
        If a file changed meanwhile.
    """
    return Origin(sources.unchanged(), tuple(asked), __version__, date)


def _day(vetted: VetOutcome, rate: FloatArray, speeds: tuple[FloatArray, FloatArray], options: DayOptions) -> Day:
    """Hours and loads of zones at their speeds; a report says why loads cannot be counted."""
    day = day_hours(vetted, rate, speeds, options)
    try:
        return with_loads(day, vetted, rate, speeds, options)
    except RangeError as problem:
        return replace(day, why_not=f"Loads could not be counted: {problem.what}.")


def report_on_vetting(
    vetted: VetOutcome, origin: Origin, system: System, day: DayOptions = _USUAL_DAY, *, all_zones: bool = False
) -> Report:
    """Make the report on a vetted prescription.

    Parameters
    ----------
    vetted : VetOutcome
        From `vet_file`.
    origin : Origin
        What the report rests on.
    system : str
        ``"us"`` or ``"metric"``.
    day : DayOptions
        For hours and loads.
    all_zones : bool
        List every zone.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """
    printed = Printed(_day(vetted, vetted.rate, vetted.vetting.driven, day), origin)
    return vetted_report(vetted, system, len(vetted.rate) if all_zones else None, printed)


def report_on_rewriting(
    outcome: RewriteOutcome, origin: Origin, system: System, day: DayOptions = _USUAL_DAY, *, all_zones: bool = False
) -> Report:
    """Make the report on a rewritten prescription.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    origin, system, day, all_zones
        As for `report_on_vetting`, which says the errors too.
    """
    rate = outcome.done.after
    printed = Printed(_day(outcome.vetted, rate, outcome.after.driven, day), origin)
    return rewritten_report(outcome, system, len(rate) if all_zones else None, printed)


def report_on_reconciling(
    outcome: ReconcileOutcome, origin: Origin, system: System, *, all_zones: bool = False
) -> Report:
    """Make the report on a reconciled log.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    origin, system, all_zones
        As for `report_on_vetting`.
    """
    most = None if all_zones else MOST_ZONES
    ground = laid_ground(outcome, orifice_series(outcome)) if outcome.found.ground.any() else None
    return reconciled_report(outcome, system, most, ground, origin)


@dataclass(frozen=True, slots=True)
class Setting:
    """How a report is set.

    Attributes
    ----------
    html, pdf : callable
        Set it as either.
    phone : tuple of str or None
        A file for a phone beside these, and what goes into it.
    """

    html: Callable[[Report], str] = as_html
    pdf: Callable[[Report, Paper, datetime.date], bytes] = as_pdf
    phone: tuple[str, str] | None = None


_AS_A_REPORT: Final = Setting()


def _contents(
    report: Report, files: ReportFiles, system: System, date: datetime.date, setting: Setting
) -> dict[Path, bytes]:
    """What stands in each file of a report."""
    found, phone = {Path(files.out): setting.html(report).encode("utf-8")}, setting.phone
    if phone is not None:
        if os.path.realpath(phone[0]) in {os.path.realpath(one) for one in (files.out, files.pdf) if one}:
            cure = "give them different names"
            raise OutputError("the phone's sheet and another output would be one file", where=phone[0], cure=cure)
        found[Path(phone[0])] = phone[1].encode("utf-8")
    if files.pdf is not None:
        if os.path.realpath(files.pdf) == os.path.realpath(files.out):
            raise OutputError("HTML and PDF would be one file", where=files.pdf, cure="give them different names")
        found[Path(files.pdf)] = setting.pdf(report, files.paper or ("letter" if system == "us" else "a4"), date)
    if files.figures is not None:
        found |= {Path(files.figures) / f"{figure.name}.png": figure.png for figure in report.figures()}
    return found


def write_report(
    report: Report,
    files: ReportFiles,
    system: System,
    date: datetime.date,
    *,
    replace: bool,
    protect: tuple[Path, ...],
    setting: Setting = _AS_A_REPORT,
) -> list[str]:
    """Write the HTML, and the PDF and the figures where they are asked for.

    All files appear, whole, or none does.

    Parameters
    ----------
    report : Report
        What to write.
    files : ReportFiles
        Where to; without a paper the one that goes with `system`.
    system : str
        ``"us"`` or ``"metric"``.
    date : date
        Of the report.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.
    setting : Setting
        How it is set.

    Returns
    -------
    list of str
        What was written.

    Raises
    ------
    OutputError
        If a file exists and `replace` is not set, two outputs are one, or one would be written over an input.
    """
    contents = _contents(report, files, system, date, setting)
    # A folder within another is opened first, so that the outer one is not taken for a new one.
    homes = sorted({Path(os.path.realpath(target.parent)) for target in contents}, key=lambda path: -len(path.parts))
    with contextlib.ExitStack() as opened:
        folders = {home: opened.enter_context(OutputFolder(home, replace=replace, protect=protect)) for home in homes}
        places = [folders[Path(os.path.realpath(target.parent))].stage(target.name) for target in contents]
        for place, content in zip(places, contents.values(), strict=True):
            place.write_bytes(content)
    return list(map(str, contents))
