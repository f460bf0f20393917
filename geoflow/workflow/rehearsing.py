"""Rehearsing a field day: what was said of it, driven, and written down with the log it would leave."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import RangeError, UsageError
from geoflow.base.progress import tell
from geoflow.base.ranges import parse_range
from geoflow.base.schema import REHEARSED_COLUMNS
from geoflow.base.units import System, from_si, parse
from geoflow.files.output import OutputFolder
from geoflow.layers.ground_rasters import lay_grid, mark_grid
from geoflow.layers.package_tables import dress_layer
from geoflow.layers.write_vector import write_zones
from geoflow.options.typed import DayOptions, RehearseOptions
from geoflow.outcomes import PlanOutcome
from geoflow.rehearsal.outcome import RehearseOutcome
from geoflow.rehearsal.rehearsal import Rehearsal, rehearse
from geoflow.rehearsal.route import Driving
from geoflow.rehearsal.setup import DisplaySettings, Setup, Unknown
from geoflow.rehearsal.switching import Switching
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.layer_styles import RATIO_STYLE, VERDICT_STYLE
from geoflow.report.rehearsed import expected_map, rehearsed_answer
from geoflow.workflow.day import first_pass
from geoflow.workflow.plan_outputs import plan_columns
from geoflow.workflow.rehearsed_zones import REHEARSAL

if TYPE_CHECKING:
    from geoflow.ground.applied_log import AppliedLog

__all__ = ["expected_columns", "rehearsal_map", "rehearse_field", "write_rehearsal"]


_DAYS, _SEED, _MOST_DAYS = 20, 1, 200
_MOST_ROUNDS: Final = 6
# Where the bar file does not say: common practice, no source. Where it does, a quarter either way: judgement.
_DELAY: Final = (0.5, 1.5)
_TIME_CONSTANT: Final = (1.0, 3.0)
_QUARTER: Final = 0.25
_BLOCK: Final = 100_000
_LONGEST, _MOST_PASSES = 2e6, 20_000  # [s] of driving, which is memory


def _measure(text: str | None, kind: str, otherwise: float, where: str, *, least: float = 0.0) -> float:
    """A length or time that was said [m, s]."""
    value = otherwise if text is None else parse(text, kind, where=where)
    if not value >= least:
        like = {"length": '"30 ft"', "time": '"0.5 s"'}[kind]
        raise UsageError(f"'{text}' is below zero", where=where, cure=f"give it like {like}")
    return value


def _whole(value: int | None, otherwise: int, ends: tuple[int, int], where: str) -> int:
    """A whole number that was said."""
    number = otherwise if value is None else value
    if not ends[0] <= number <= ends[1]:
        raise UsageError(f"{number} is not from {ends[0]} to {ends[1]}", where=where, cure="give a whole number there")
    return number


def _times(text: str | None, stated: float | None, usual: tuple[float, float], where: str) -> tuple[float, float]:
    """A range of times that was said, or the bar file's with a quarter either way, or what is usual [s]."""
    if text is not None:
        low, high = parse_range(text, "time", where=where)
        if low < 0.0:
            raise UsageError(f"'{text}' is below zero", where=where, cure='give it like "0.5 s"')
        return low, high
    return usual if stated is None else (stated * (1.0 - _QUARTER), stated * (1.0 + _QUARTER))


def _setup(plan: PlanOutcome, day: DayOptions, options: RehearseOptions) -> Setup:
    vetted, loads = plan.vetted, plan.day.loads
    controller = vetted.solution.bar.controller
    stated = (None, None) if controller is None else (controller.delay, controller.time_constant)
    radius = _measure(options.turn_radius, "length", 9.144, "--turn-radius")
    turn_time = None if options.turn_time is None else _measure(options.turn_time, "time", 0.0, "--turn-time")
    swap = _measure(options.tank_change, "time", 900.0, "--tank-change")
    rounds = _whole(options.headlands, 1, (0, _MOST_ROUNDS), "--headlands")
    late = [
        _measure(text, "time", 0.3, where)
        for text, where in ((options.opens_late, "--opens-late"), (options.shuts_late, "--shuts-late"))
    ]
    return Setup(
        zones=vetted.prescription.zones,
        rate=vetted.rate,
        slow=plan.speeds[0],
        fast=plan.speeds[1],
        solution=vetted.solution,
        course=first_pass(vetted, plan.day.heading, day.start),
        unknown=Unknown(
            _times(options.delay, stated[0], _DELAY, "--delay"),
            _times(options.time_constant, stated[1], _TIME_CONSTANT, "--time-constant"),
        ),
        driving=Driving(rounds, options.headlands_last, radius, turn_time, swap),
        switching=Switching(*late),
        display=DisplaySettings(
            _measure(options.antenna, "length", 0.0, "--antenna", least=-np.inf),
            _measure(options.look_ahead, "time", 0.0, "--look-ahead"),
        ),
        full_load=np.inf if loads is None else loads.full_load,
    )


def _refuse_too_long(plan: PlanOutcome) -> None:
    """Refuse a map that no bar drives in a season; what is rehearsed is written second by second."""
    vetted = plan.vetted
    low_x, low_y, high_x, high_y = shapely.total_bounds(vetted.prescription.zones)
    width = vetted.solution.bar.width
    passes = np.hypot(high_x - low_x, high_y - low_y) / width
    driven = float((vetted.prescription.area / (width * plan.speeds[0])).sum())
    if driven > _LONGEST or passes > _MOST_PASSES:
        raise UsageError(
            f"the map takes about {driven / 3600.0:,.0f} hours of driving in {passes:,.0f} passes or so, more than is "
            "rehearsed",
            where=str(vetted.prescription.path),
            cure="rehearse one field at a time; if it is no larger than a field, correct its coordinate system",
        )


def rehearse_field(plan: PlanOutcome, day: DayOptions, options: RehearseOptions) -> RehearseOutcome:
    """Drive a planned field before the day.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    day : DayOptions
        Where pass 1 starts.
    options : RehearseOptions
        How it is driven, and what is not known.

    Raises
    ------
    UsageError, QuantityError
        If an option makes no sense, or the map asks for nothing.
    RangeError
        If no section ever opens.
    """
    tell("driving the field")
    if not (plan.vetted.rate > 0.0).any():
        raise UsageError(
            "every zone asks for zero: there is nothing to rehearse",
            where=str(plan.vetted.prescription.path),
            cure="give the map with its rates, or another --rate-column",
        )
    _refuse_too_long(plan)
    days = _whole(options.draws, _DAYS, (1, _MOST_DAYS), "--draws")
    seed = _whole(options.seed, _SEED, (0, 2**31 - 1), "--seed")
    done = rehearse(_setup(plan, day, options), days=days, seed=seed)
    if done is None:
        raise RangeError(
            "no section of the bar ever comes over ground of which half its width asks for ammonia",
            where="--heading",
            cure="choose another heading; the zones may be narrower than half a section",
        )
    return RehearseOutcome(plan, done, seed)


def _pounds(rate: FloatArray, digits: int = 2) -> FloatArray:
    return np.round(np.asarray(from_si(rate, "nitrogen rate", "lb/acre")), digits)


def _log_columns(log: AppliedLog, outcome: RehearseOutcome) -> dict[str, FloatArray]:
    """The log in the columns that `geoflow reconcile` knows by their names."""
    import pyproj

    vetted = outcome.plan.vetted
    to_degrees = pyproj.Transformer.from_crs(vetted.prescription.local_crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(log.x, log.y)
    air = vetted.solution.bar.air_pressure
    pump, bar = (np.round(from_si(one - air, "pressure", "psi"), 2) for one in (log.pump_pressure, log.bar_pressure))
    return {
        "time (s)": np.round(log.time, 1),
        "longitude": np.round(longitude, 8),
        "latitude": np.round(latitude, 8),
        "heading (deg)": np.round(np.degrees(log.heading), 3),
        "speed (mph)": np.round(from_si(log.speed, "speed", "mile/hour"), 3),
        "step (ft)": np.round(from_si(log.step, "length", "ft"), 4),
        "section": log.section + 1,
        "width (ft)": np.round(from_si(log.width, "length", "ft"), 4),
        "on": log.on.astype(np.int64),
        "target (lb N/ac)": _pounds(log.target, 3),
        "applied (lb N/ac)": _pounds(log.applied, 3),
        "flow (lb NH3/min)": np.round(from_si(log.flow, "ammonia flow", "lb/minute"), 3),
        "pump pressure (psi)": pump,
        "bar pressure (psi)": bar,
        "temperature (degF)": np.round(from_si(log.temperature, "temperature", "degF"), 2),
    }


def expected_columns(outcome: RehearseOutcome) -> dict[str, np.ndarray[Any, Any]]:
    """What to expect of each zone, for every row of the file as read.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    """
    prescription, zones = outcome.plan.vetted.prescription, outcome.rehearsal.zones
    rates = {"mean": zones.mean, "low": zones.low, "high": zones.high}
    shares = {"within_10": zones.within_10, "uneven": zones.uneven, "short": zones.short}
    ours = {f"gf_expect_{name}_lb_n_ac": _pounds(rate) for name, rate in rates.items()}
    ours |= {f"gf_expect_{name}": np.round(share, 4) for name, share in shares.items()}
    columns = dict(plan_columns(outcome.plan))
    for name, values in ours.items():
        columns[name] = np.full(prescription.rows_read, np.nan)
        columns[name][prescription.row] = values
    return columns


def _write_strips(path: Path, outcome: RehearseOutcome) -> None:
    """Write the strips of the log with what they get, in WGS 84."""
    import geopandas
    import pyogrio

    done = outcome.rehearsal
    at, rates = np.flatnonzero(done.strips.ground), done.strip_rates
    low, high = np.percentile(rates, (5.0, 95.0), axis=0)
    target = _target_below(done)
    for first in range(0, at.size, _BLOCK):
        some = slice(first, first + _BLOCK)
        rows = at[some]
        expected = rates[:, some].mean(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(target[some] > 0.0, expected / target[some], np.nan)
        frame = geopandas.GeoDataFrame(
            {
                "log_row": done.log.row[rows],
                "section": done.log.section[rows] + 1,
                "asked_lb_n_ac": _pounds(target[some]),
                "expect_lb_n_ac": _pounds(expected),
                "low_lb_n_ac": _pounds(low[some]),
                "high_lb_n_ac": _pounds(high[some]),
                "ratio": np.round(ratio, 4),
                "uneven_share_of_days": np.round(done.strip_uneven[some], 3),
            },
            geometry=done.strips.shapes(rows),
            crs=outcome.plan.vetted.prescription.local_crs,
        ).to_crs(4326)
        pyogrio.write_dataframe(frame, path, layer="strips", driver="GPKG", append=first > 0)
    dress_layer(path, "strips", RATIO_STYLE, REHEARSED_COLUMNS)


def _target_below(done: Rehearsal) -> FloatArray:
    """What the map asks for under each strip, mean by area [kg/m2]; NaN outside all zones."""
    covered = done.overlay
    inside = covered.zone >= 0
    strip, area = covered.strip[inside], covered.area[inside]
    size = done.strip_rates.shape[1]
    ground = np.bincount(strip, area, size)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.bincount(strip, area * done.setup.rate[covered.zone[inside]], size) / ground)


def rehearsal_map(outcome: RehearseOutcome, system: System) -> Picture:
    """Draw what is to be expected over what is asked, as a poster.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    done = outcome.rehearsal
    rates = np.stack([done.strip_rates.mean(axis=0), _target_below(done)])
    grid = lay_grid(done.strips.quads, rates, done.setup.zones, done.setup.rate, None)
    prescription, bar = outcome.plan.vetted.prescription, outcome.plan.vetted.solution.bar
    heading = Heading(
        f"To expect over target: {prescription.path.name} with {bar.name}",
        rehearsed_answer(outcome, system),
        SHORT_CAUTION,
    )
    return expected_map(outcome, grid, mark_grid(grid, done.strips.quads[done.strip_uneven > 0.5]), system, heading)


def write_rehearsal(
    outcome: RehearseOutcome,
    folder: Path,
    document: dict[str, Any],
    system: System,
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> tuple[list[str], list[str]]:
    """Write log, map, zones, strips and JSON into a folder, all of them or none.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    folder : Path
        Where to.
    document : dict
        The JSON.
    system : str
        ``"us"`` or ``"metric"``.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Returns
    -------
    names, notes : list of str
        Files written, and one sentence for each thing a format could not hold.

    Raises
    ------
    OutputError
        If something is there already and `replace` is not set, or the folder cannot be written.
    """
    import pandas

    tell(f"writing {folder}")
    names, notes = ["log.csv", "zones.gpkg", "strips.gpkg", "map.png", REHEARSAL], list[str]()
    vetted = outcome.plan.vetted
    with OutputFolder(folder, replace=replace, protect=(*protect, vetted.prescription.path)) as out:
        out.claim(names)
        columns = _log_columns(outcome.rehearsal.log, outcome)
        pandas.DataFrame(columns).to_csv(out.stage("log.csv"), index=False, lineterminator="\n")
        table = vetted.prescription.table
        write_zones(
            out.stage("zones.gpkg"),
            table,
            expected_columns(outcome),
            driver="GPKG",
            note=notes.append,
            style=VERDICT_STYLE,
        )
        _write_strips(out.stage("strips.gpkg"), outcome)
        out.stage("map.png").write_bytes(rehearsal_map(outcome, system)[0])
        out.stage(REHEARSAL).write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        if vetted.inputs is not None:
            vetted.inputs.refuse_changes()
    return names, notes
