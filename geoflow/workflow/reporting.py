"""Gathering a report: fingerprints of what is read, hours and loads, and writing HTML, PDF and figures."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow import __version__
from geoflow.bar.left_out import left_out_keys
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import OutputError, RangeError, UsageError
from geoflow.base.units import System
from geoflow.decide.day import work_hours
from geoflow.decide.loads import end_of_tank_window, tank_loads
from geoflow.decide.vet import Vetting, vet
from geoflow.files.inputs import InputSnapshot, files_of
from geoflow.files.output import OutputFolder
from geoflow.ground.passes import lay_passes
from geoflow.options.typed import DayOptions, ReportFiles
from geoflow.outcomes import ReconcileOutcome, RewriteOutcome, VetOutcome
from geoflow.report.basis import InputFile, Origin
from geoflow.report.day import NO_TANK, Day
from geoflow.report.html import as_html
from geoflow.report.pdf import as_pdf
from geoflow.report.reconciled import Ground, reconciled_report
from geoflow.report.rewritten import rewritten_report
from geoflow.report.vetted import MOST_ZONES, Printed, vetted_report
from geoflow.workflow.planning import course_of, in_degrees, shares_of
from geoflow.workflow.reconcile_outputs import laid_ground, orifice_series

if TYPE_CHECKING:
    from geoflow.decide.settling import Settling
    from geoflow.report.model import Report
    from geoflow.report.pdf import Paper

__all__ = [
    "Setter",
    "Sources",
    "origin_of",
    "parse_date",
    "report_on_reconciling",
    "report_on_rewriting",
    "report_on_vetting",
    "write_report",
]

_BLOCK: Final = 1 << 20
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
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as content:
            while block := content.read(_BLOCK):
                digest.update(block)
                size += len(block)
    except OSError:
        return None  # reading it for its content says better what is wrong
    return size, digest.hexdigest()


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
        """Fingerprint files by role; a Shapefile or folder counts with all its files, and None is left out."""

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


def origin_of(sources: Sources, bar_file: str | None, asked: Sequence[tuple[str, str]], date: datetime.date) -> Origin:
    """Say what a report rests on, once that is read.

    Parameters
    ----------
    sources : Sources
        Fingerprinted before anything was read.
    bar_file : str or None
        The bar file.
    asked : sequence of (str, str)
        Options as typed.
    date : date
        Of the report.

    Raises
    ------
    InputError
        If a file changed meanwhile.
    """
    content: dict[str, object] = {}
    if bar_file is not None:
        content = tomllib.loads(Path(bar_file).read_bytes().decode("utf-8-sig"))
    return Origin(sources.unchanged(), tuple(asked), left_out_keys(content), __version__, date)


def _day(vetted: VetOutcome, rate: FloatArray, speeds: tuple[FloatArray, FloatArray], options: DayOptions) -> Day:
    """Hours and loads of zones at their speeds."""

    prescription, solution = vetted.prescription, vetted.solution
    bar, width = solution.bar, solution.window.width
    share, left = shares_of(options, solution.window.rows)
    asked = rate > 0.0
    middle = 0.5 * (speeds[0] + speeds[1])
    time = work_hours(prescription.area[asked], middle[asked], width, share)
    nowhere, none = np.zeros((0, 2)), np.zeros(0, dtype=np.int64)
    course = course_of(options, prescription.zones)
    if bar.tank is None:
        return Day(time, share, course, None, nowhere, None, none, NO_TANK)
    try:
        passes = lay_passes(prescription.zones, course, width)
        loads = tank_loads(passes, rate, prescription.area, bar, solution.plan.temperature[0], heel=left)
        end = end_of_tank_window(rate, solution, heel=left)
    except RangeError as problem:
        return Day(time, share, course, None, nowhere, None, none, f"Loads could not be counted: {problem.what}.")
    before, after = (vet(rate, one, speeds).verdict for one in (solution, end.solution))
    lost = np.flatnonzero((before == "holds") & (after != "holds"))
    return Day(time, share, course, loads, in_degrees(vetted, loads.x, loads.y), end.temperature, lost, "")


def report_on_vetting(
    vetted: VetOutcome,
    doubt: Settling | None,
    origin: Origin,
    system: System,
    day: DayOptions = _USUAL_DAY,
    *,
    all_zones: bool = False,
) -> Report:
    """Make the report on a vetted prescription.

    Parameters
    ----------
    vetted : VetOutcome
        From `vet_file`.
    doubt : Settling or None
        What would settle doubtful zones, where there are any.
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
    speeds = vetted.vetting.driven
    printed = Printed(speeds, _day(vetted, vetted.rate, speeds, day), origin)
    return vetted_report(vetted, doubt, system, len(vetted.rate) if all_zones else None, printed)


def report_on_rewriting(
    outcome: RewriteOutcome, origin: Origin, system: System, day: DayOptions = _USUAL_DAY, *, all_zones: bool = False
) -> Report:
    """Make the report on a rewritten prescription; parameters and errors as for `report_on_vetting`."""
    done = outcome.done
    speeds = done.speed_low, done.speed_high
    after: Vetting = vet(done.after, outcome.vetted.solution, speeds)
    printed = Printed(speeds, _day(outcome.vetted, done.after, speeds, day), origin)
    return rewritten_report(outcome, system, len(done.after) if all_zones else None, (after, printed))


def _lay_ground(outcome: ReconcileOutcome) -> Ground | None:
    """Lay a log on a grid of cells to be drawn; None where no record covers ground."""

    if not outcome.found.ground.any():
        return None
    grid, marked = laid_ground(outcome)
    if len(outcome.zones):
        outlines = outcome.zones
    else:
        outlines = np.array([] if outcome.boundary is None else [outcome.boundary], dtype=object)
    return Ground(grid, outlines, marked, orifice_series(outcome))


def report_on_reconciling(
    outcome: ReconcileOutcome, origin: Origin, system: System, *, all_zones: bool = False
) -> Report:
    """Make the report on a reconciled log; parameters and errors as for `report_on_vetting`."""
    most = None if all_zones else MOST_ZONES
    return reconciled_report(outcome, system, most, _lay_ground(outcome), origin)


Setter = tuple[Callable[["Report"], str], Callable[["Report", "Paper", datetime.date], bytes]]
"""How a report is set as HTML and as a PDF."""


def write_report(
    report: Report,
    files: ReportFiles,
    system: System,
    date: datetime.date,
    *,
    replace: bool,
    protect: tuple[Path, ...],
    setter: Setter = (as_html, as_pdf),
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
    setter : tuple of callable
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
    out, pdf = Path(files.out), None if files.pdf is None else Path(files.pdf)
    if pdf is not None and pdf.resolve() == out.resolve():
        raise OutputError("HTML and PDF would be one file", where=str(pdf), cure="give them different names")
    drawn = [] if files.figures is None else list(report.figures())
    targets = [out, *filter(None, [pdf]), *(Path(files.figures or "") / f"{figure.name}.png" for figure in drawn)]
    paper: Paper = files.paper or ("letter" if system == "us" else "a4")
    # A folder within another is opened first, so that the outer one is not taken for a new one.
    homes = sorted({target.parent.resolve() for target in targets}, key=lambda path: -len(path.parts))
    with contextlib.ExitStack() as opened:
        folders = {home: opened.enter_context(OutputFolder(home, replace=replace, protect=protect)) for home in homes}
        places = [folders[target.parent.resolve()].stage(target.name) for target in targets]
        contents = [setter[0](report).encode("utf-8")]
        contents += [] if pdf is None else [setter[1](report, paper, date)]
        contents += [figure.png for figure in drawn]
        for place, content in zip(places, contents, strict=True):
            place.write_bytes(content)
    return [str(target) for target in targets]
