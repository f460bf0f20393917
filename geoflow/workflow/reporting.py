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
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import OutputError, RangeError, UsageError
from geoflow.base.units import System, parse
from geoflow.decide.day import field_efficiency, work_hours
from geoflow.decide.loads import end_of_tank_window, tank_loads
from geoflow.decide.vet import Vetting, vet
from geoflow.files.inputs import InputSnapshot, files_of
from geoflow.files.output import OutputFolder
from geoflow.ground.passes import field_heading, lay_passes
from geoflow.outcomes import ReconcileOutcome, RewriteOutcome, VetOutcome
from geoflow.report.basis import InputFile, Origin, left_out_keys
from geoflow.report.changes import rewritten_report
from geoflow.report.day import Day
from geoflow.report.html import as_html
from geoflow.report.pdf import as_pdf
from geoflow.report.reconciled import Ground, reconciled_report
from geoflow.report.vetted import MOST_ZONES, vetted_report
from geoflow.workflow.planning import in_degrees, parse_share
from geoflow.workflow.reconcile_outputs import laid_ground, orifice_series

if TYPE_CHECKING:
    from geoflow.decide.settling import Settling
    from geoflow.files.inputs import InputSnapshot
    from geoflow.report.basis import InputFile, Origin
    from geoflow.report.day import Day
    from geoflow.report.model import Report
    from geoflow.report.pdf import Paper
    from geoflow.report.reconciled import Ground

__all__ = [
    "Sources",
    "parse_date",
    "report_on_reconciling",
    "report_on_rewriting",
    "report_on_vetting",
    "write_report",
]

_BLOCK: Final = 1 << 20


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


def _origin(sources: Sources, bar_file: str | None, asked: Sequence[tuple[str, str]], date: datetime.date) -> Origin:

    content: dict[str, object] = {}
    if bar_file is not None:
        content = tomllib.loads(Path(bar_file).read_bytes().decode("utf-8-sig"))
    return Origin(sources.unchanged(), tuple(asked), left_out_keys(content), __version__, date)


def _day(
    vetted: VetOutcome,
    rate: FloatArray,
    speeds: tuple[FloatArray, FloatArray],
    heading: str | None,
    heel: str | None,
    efficiency: str | None,
) -> Day:
    """Hours and loads of zones at their speeds."""

    prescription, solution = vetted.prescription, vetted.solution
    bar, width = solution.bar, solution.window.width
    share = parse_share(efficiency, "--efficiency", field_efficiency(solution.window.rows))
    left = parse_share(heel, "--heel", 0.05)
    asked = rate > 0.0
    middle = 0.5 * (speeds[0] + speeds[1])
    time = work_hours(prescription.area[asked], middle[asked], width, share)
    nowhere, none = np.zeros((0, 2)), np.zeros(0, dtype=np.int64)
    course = field_heading(prescription.zones) if heading is None else parse(heading, "angle", where="--heading")
    if bar.tank is None:
        why = "The bar file names no [tank], so loads are not counted."
        return Day(time, share, course, None, nowhere, None, none, why)
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
    sources: Sources,
    bar_file: str,
    asked: Sequence[tuple[str, str]],
    date: datetime.date,
    system: System,
    *,
    heading: str | None = None,
    heel: str | None = None,
    efficiency: str | None = None,
    all_zones: bool = False,
) -> Report:
    """Make the report on a vetted prescription.

    Parameters
    ----------
    vetted : VetOutcome
        From `vet_file`.
    doubt : Settling or None
        What would settle doubtful zones, where there are any.
    sources : Sources
        Fingerprinted before that.
    bar_file : str
        The bar file.
    asked : sequence of (str, str)
        Options as typed, for the report.
    date : date
        Of the report.
    system : str
        ``"us"`` or ``"metric"``.
    heading, heel, efficiency : str or None
        As typed.
    all_zones : bool
        List every zone.

    Raises
    ------
    UsageError
        If an option makes no sense, or an input changed meanwhile.
    """

    speeds = vetted.vetting.driven
    day = _day(vetted, vetted.rate, speeds, heading, heel, efficiency)
    most = len(vetted.rate) if all_zones else MOST_ZONES
    return vetted_report(vetted, speeds, day, doubt, _origin(sources, bar_file, asked, date), system, most)


def report_on_rewriting(
    outcome: RewriteOutcome,
    sources: Sources,
    bar_file: str,
    asked: Sequence[tuple[str, str]],
    date: datetime.date,
    system: System,
    *,
    heading: str | None = None,
    heel: str | None = None,
    efficiency: str | None = None,
    all_zones: bool = False,
) -> Report:
    """Make the report on a rewritten prescription; parameters and errors as for `report_on_vetting`."""

    done = outcome.done
    speeds = done.speed_low, done.speed_high
    after: Vetting = vet(done.after, outcome.vetted.solution, speeds)
    day = _day(outcome.vetted, done.after, speeds, heading, heel, efficiency)
    most = len(done.after) if all_zones else MOST_ZONES
    return rewritten_report(outcome, after, day, _origin(sources, bar_file, asked, date), system, most)


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
    outcome: ReconcileOutcome,
    sources: Sources,
    bar_file: str | None,
    asked: Sequence[tuple[str, str]],
    date: datetime.date,
    system: System,
    *,
    all_zones: bool = False,
) -> Report:
    """Make the report on a reconciled log; parameters and errors as for `report_on_vetting`."""

    most = len(outcome.zones) if all_zones else MOST_ZONES
    origin = _origin(sources, bar_file, asked, date)
    return reconciled_report(outcome, _lay_ground(outcome), origin, system, most)


def write_report(
    report: Report,
    out: Path,
    pdf: Path | None,
    figures: Path | None,
    paper: Paper,
    date: datetime.date,
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> list[str]:
    """Write the HTML, and the PDF and the figures where they are asked for.

    All files appear, whole, or none does.

    Returns
    -------
    list of str
        What was written.

    Raises
    ------
    OutputError
        If a file exists and `replace` is not set, two outputs are one, or one would be written over an input.
    """

    if pdf is not None and pdf.resolve() == out.resolve():
        raise OutputError("HTML and PDF would be one file", where=str(pdf), cure="give them different names")
    pictures = [] if figures is None else list(report.pictures())
    targets = [out, *filter(None, [pdf]), *(Path(figures or "") / f"{picture.name}.png" for picture in pictures)]
    # A folder within another is opened first, so that the outer one is not taken for a new one.
    homes = sorted({target.parent.resolve() for target in targets}, key=lambda path: -len(path.parts))
    with contextlib.ExitStack() as opened:
        folders = {home: opened.enter_context(OutputFolder(home, replace=replace, protect=protect)) for home in homes}
        places = [folders[target.parent.resolve()].stage(target.name) for target in targets]
        contents = [as_html(report).encode("utf-8")]
        contents += [] if pdf is None else [as_pdf(report, paper, date)]
        contents += [picture.png for picture in pictures]
        for place, content in zip(places, contents, strict=True):
            place.write_bytes(content)
    return [str(target) for target in targets]
