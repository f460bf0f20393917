"""Reading logs and a bar, learning the bar's orifices, and writing the bar file with what was learned in it."""

from __future__ import annotations

import datetime
import hashlib
import math
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geoflow.bar.bar_file import read_bar, read_bar_text
from geoflow.bar.equipment import Bar
from geoflow.bar.learned import LearnedLog
from geoflow.bar.learned_table import with_learned
from geoflow.base.errors import BarError, LogError
from geoflow.base.progress import tell
from geoflow.base.subject import called
from geoflow.decide.vet import Plan, solve
from geoflow.diagnosis.findings import known_temperature
from geoflow.diagnosis.learned_bar import LearnOutcome, NewLog, learn_kind
from geoflow.diagnosis.steady_cells import CAUSES, LogCells, gather_cells
from geoflow.files.inputs import watching
from geoflow.files.output import OutputFolder, replace_file
from geoflow.layers.memory import content_in_memory
from geoflow.options.typed import Given, LearnOptions, LogOptions
from geoflow.physics.ammonia import saturation
from geoflow.reconciliation.balance import gaps, logged_ammonia, mass_balance
from geoflow.workflow.reconciling import parse_tickets, read_log_with

if TYPE_CHECKING:
    from geoflow.log_files.read_log import ReadLog

__all__ = ["learn_files", "learn_logs", "learned_text", "write_figures", "write_learned"]

_AS_IT_SAYS = LogOptions()
_NEEDED = ("flow", "bar_pressure", "temperature")


def _refuse_incomplete(read: ReadLog) -> None:
    """Raise LogError where a log lacks what there is to learn from."""
    log = read.log
    known = {name: bool(np.isfinite(getattr(log, name)).any()) for name in _NEEDED}
    known["temperature"] = bool(known_temperature(log).any())
    missing = [name for name in _NEEDED if not known[name]]
    if missing:
        raise LogError(
            f"the log holds no {' and no '.join(missing)}, and there is nothing to learn without",
            where=str(read.path),
            cure="name the columns with --column, for example --column bar_pressure=Pressure:psi; the liquid's "
            "temperature may be a tank gauge's, logged with it",
        )


def _refuse_open_feeds(bar: Bar) -> None:
    """Raise BarError where the loss between gauge and orifices is known as a range only: it would be learned as Cd."""
    unsure = [section.name for section in bar.sections if section.feed is not None and section.feed.ranges]
    if unsure:
        raise BarError(
            f"the feed of section {', '.join(unsure)} is known as a range only, and its loss would be learned as the "
            "orifice's own",
            where="[[sections]]: feed",
            cure="measure length, bore and fittings of the feed and write them into the bar file, each as one value",
        )


def _ticket_ratio(reads: Sequence[ReadLog], loads: tuple[float, ...], bar: Bar, ratios: Sequence[float]) -> float:
    """Weight on the tickets over the true weight that the flow column of all logs makes [-]."""
    fraction = bar.nitrogen_fraction
    metered, bridged = 0.0, 0.0
    for read, flow_over_rate in zip(reads, ratios, strict=True):
        log, dense = read.log, 1.0
        if bar.meter.reference_temperature is not None:
            usual = float(np.median(log.temperature[known_temperature(log)]))
            dense = float(saturation(usual).liquid_density / saturation(bar.meter.reference_temperature).liquid_density)
        metered += logged_ammonia(log, fraction) * flow_over_rate * dense
        bridged += float(gaps(log).nitrogen.sum()) / fraction * flow_over_rate * dense
    balance = mass_balance(
        metered,
        sum(loads),
        bridged=bridged,
        nitrogen_fraction=fraction,
        pulses_per_volume=None,
        temperature=None,
        reference_temperature=None,
    )
    return balance.meter_factor


def _believed_ratio(
    bar: Bar, reads: Sequence[ReadLog], held: Sequence[LogCells], loads: tuple[float, ...]
) -> float | None:
    """Weight on the tickets over what the logs say [-]; None without tickets."""
    if not loads:
        return None
    ratio = _ticket_ratio(reads, loads, bar, [one.flow_over_rate for one in held])
    if abs(math.log(ratio)) > math.log(2.0):
        raise LogError(
            f"the scale tickets say {ratio:.2f} times what the logs say, which no meter does",
            where=_named(reads),
            cure="give the tickets of these logs and no others, and check the rate unit",
        )
    return ratio


def _named(reads: Sequence[ReadLog]) -> str:
    return ", ".join(str(read.path) for read in reads)


def _new_log(name: str, cells: LogCells, sha256: str, date: str, ratio: float | None) -> NewLog:
    standing = cells.standing
    over, warmth = (None, None) if standing is None else (standing.over, standing.temperature)
    about = LearnedLog(name[-80:], sha256, date, 0, 0, over, warmth, ratio)
    # A transmitter that cannot be right tells nothing.
    return NewLog(about, cells if cells.strange is None else replace(cells, kinds={}))


def _nothing_learned(reads: Sequence[ReadLog], held: Sequence[LogCells]) -> LogError:
    out = {words: sum(one.left_out[name] for one in held) for name, words in CAUSES.items()}
    told = "; ".join(f"{words}: {some:,}" for words, some in out.items() if some)
    return LogError(
        f"nothing was learned: too few steady moments with liquid. Moments left out: {told or 'none'}",
        where=_named(reads),
        cure="give a log with some passes at steady rates, well above the vapour pressure; sections with different "
        "orifices have to run apart for a while",
    )


def learn_logs(
    bar: Bar, reads: Sequence[ReadLog], prints: Sequence[str], loads: tuple[float, ...] = (), date: str = ""
) -> LearnOutcome:
    """Learn from logs that are read.

    Parameters
    ----------
    bar : Bar
        With what it learned before.
    reads : sequence of ReadLog
        Oldest first.
    prints : sequence of str
        SHA-256 of each.
    loads : tuple of float
        Scale tickets over all of these logs [kg].
    date : str
        Of today, as 2026-11-28.

    Raises
    ------
    LogError
        If a log lacks flow, bar pressure or temperature, or there is nothing to learn in all of them.
    BarError
        If a feed line is known as a range only.
    """
    _refuse_open_feeds(bar)
    held = []
    for read in reads:
        _refuse_incomplete(read)
        tell(f"gathering the steady moments of {read.path.name}")
        held.append(gather_cells(read.log, bar))
    # One weighing, though it is of several logs.
    ratios = [_believed_ratio(bar, reads, held, loads), *[None] * (len(reads) - 1)]
    names = [read.path.name for read in reads]
    new = list(map(_new_log, names, held, prints, [date] * len(reads), ratios))
    tell("learning the orifices")
    used = dict.fromkeys(section.orifice for section in bar.sections)
    found = {name: learn_kind(bar, bar.orifices[name], new, date) for name in used}
    kinds = {name: one for name, one in found.items() if one is not None}
    if not kinds:
        raise _nothing_learned(reads, held)
    orifices = {name: replace(bar.orifices[name], learned=one.learned) for name, one in kinds.items()}
    better = replace(bar, orifices={**bar.orifices, **orifices})
    coldest, warmest = zip(*(one.learned.temperature for one in kinds.values()), strict=True)
    plan = Plan((min(coldest), max(warmest)), bar.limits.speed, tuple(range(len(bar.sections))))
    known = {one.sha256 for name in used for one in getattr(bar.orifices[name].learned, "logs", ())}
    return LearnOutcome(
        better,
        solve(bar, plan),
        solve(better, plan),
        kinds,
        tuple(name for name in used if name not in kinds),
        tuple(held),
        tuple(names),
        tuple(name for name, sha256 in zip(names, prints, strict=True) if sha256 in known),
    )


def learn_files(log_files: Sequence[Given], options: LearnOptions, log: LogOptions = _AS_IT_SAYS) -> LearnOutcome:
    """Read a bar and its logs, and learn.

    Parameters
    ----------
    log_files : sequence of str, GeoDataFrame or DataFrame
        As-applied logs, oldest first.
    options : LearnOptions
        Bar and scale tickets.
    log : LogOptions
        How the logs are read.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood, or where there is nothing to learn.
    """
    with watching(*log_files, options.bar, log.columns_file):
        bar = read_bar(options.bar)
        loads = parse_tickets(options.ticket, bar.nitrogen_fraction)
        reads = [read_log_with(name, log, bar, None, bar.nitrogen_fraction) for name in log_files]
        prints = [_print_of(log) for log in log_files]
        if len(set(prints)) < len(prints):
            twice = next(name for name, one in zip(log_files, prints, strict=True) if prints.count(one) > 1)
            raise LogError("the same log is given twice", where=called(twice), cure="name every log once")
        return learn_logs(bar, reads, prints, loads, datetime.date.today().isoformat())


def _print_of(log: Given) -> str:
    if not isinstance(log, str | os.PathLike):
        return hashlib.sha256(content_in_memory(log)).hexdigest()
    digest, path = hashlib.sha256(), Path(log)
    files = [path] if path.is_file() else sorted(one for one in path.rglob("*") if one.is_file())
    for one in files:
        digest.update(one.read_bytes())
    return digest.hexdigest()


def learned_text(outcome: LearnOutcome, bar_file: str, out: str) -> str:
    """Put what was learned into the bar file it rests on; everything else in it stays as it was typed.

    Parameters
    ----------
    outcome : LearnOutcome
        From `learn_files`.
    bar_file, out : str
        The bar file, and what the new one is called in errors.

    Raises
    ------
    BarError
        If the bar file is written so that no table can be put below it.
    """
    before = Path(bar_file).read_text(encoding="utf-8-sig")
    learned = {name: kind.learned for name, kind in outcome.kinds.items()}
    content = with_learned(before, learned, outcome.bar.air_pressure)
    try:
        read_bar_text(content.encode(), out)
    except BarError as problem:
        raise BarError(
            "what was learned cannot be put into this bar file as it is written",
            where=bar_file,
            cure="open every orifice as a table of its own, [orifices.NAME], with one key to a line",
        ) from problem
    return content


def write_learned(
    outcome: LearnOutcome, bar_file: str, out: str, *, replace_existing: bool, protect: tuple[Path, ...]
) -> None:
    """Write the bar file with what was learned in it; everything else in it stays as it was typed.

    Parameters
    ----------
    outcome : LearnOutcome
        From `learn_files`.
    bar_file, out : str
        The bar file it rests on, and where the new one goes.
    replace_existing : bool
        Whether an output that is there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Raises
    ------
    BarError
        If the bar file is written so that no table can be put below it.
    OutputError
        If it may not or cannot be written.
    """
    content = learned_text(outcome, bar_file, out)

    def write(path: Path) -> None:
        path.write_text(content, encoding="utf-8")

    replace_file(Path(out), write, replace=replace_existing, protect=protect)


def write_figures(
    figures: dict[str, bytes], folder: Path, *, replace_existing: bool, protect: tuple[Path, ...]
) -> None:
    """Write pictures into a folder, all or none.

    Parameters
    ----------
    figures : dict of str to bytes
        Name without ending to PNG.
    folder : Path
        Made where it is not there.
    replace_existing : bool
        Whether pictures that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.
    """
    with OutputFolder(folder, replace=replace_existing, protect=protect) as staged:
        for name, png in figures.items():
            staged.stage(f"{name}.png").write_bytes(png)
