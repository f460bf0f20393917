"""Reading a prescription, rewriting it for the bar, and writing it back with only the rate changed."""

from __future__ import annotations

import contextlib
import csv
import io
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from geoflow.base.counted import count
from geoflow.base.errors import OutputError, UsageError
from geoflow.base.progress import tell
from geoflow.base.rate_units import RateUnit, rate_unit
from geoflow.base.rates import UnitRates, as_nitrogen_rate, from_nitrogen_rate
from geoflow.base.units import ACRE, POUND
from geoflow.decide.costs import Prices
from geoflow.decide.costs import money as spent_and_earned
from geoflow.decide.rewrite import POLICIES, Rules, nitrogen_unplaced, rewrite, share_rates
from geoflow.files.output import OutputFolder
from geoflow.ground.passes import lay_passes, next_along, short_pieces
from geoflow.isoxml.deliver import Delivery
from geoflow.options.typed import RewriteOptions
from geoflow.outcomes import RewriteOutcome, VetOutcome
from geoflow.prescription_patch.new_file import NewForm, write_prescription
from geoflow.prescription_patch.new_taskdata import becomes_task_data, write_task_prescription
from geoflow.prescription_patch.patch import can_patch, changes_of, rate_decimals, write_rewritten
from geoflow.prescription_patch.patch_taskdata import patch_task_data
from geoflow.report.layer_styles import rate_style
from geoflow.report.rewriting import SIDE_COLUMNS, side_rows
from geoflow.workflow.day import course_of, parse_share

__all__ = ["parse_prices", "rewrite_file", "write_rewriting"]

_FINEST_DECIMALS = 3
# The tolerance that a rate counts as reached with everywhere else.
_MOST_RAISE = 0.10


def _given_rates(text: str, vetted: VetOutcome, where: str, cure: str) -> tuple[list[float], RateUnit]:
    """Read numbers with commas between them and a rate unit behind; without one they count in the prescription's."""
    numbers = text.strip()
    at = next((place for place, letter in enumerate(numbers) if letter.isalpha()), len(numbers))
    own = vetted.prescription.rate_unit
    unit = rate_unit(numbers[at:], where=where) if at and numbers[at:] else own
    try:
        values = [float(part) for part in numbers[:at].split(",")]
    except ValueError:
        values = []
    if not values or not all(0.0 < value < math.inf for value in values):
        raise UsageError(f"'{text}' is no rate", where=where, cure=cure)
    return values, unit


def _max_rate(text: str | None, vetted: VetOutcome) -> float:
    """Read --max-rate [kg/m2]; infinity where none is given."""
    if text is None:
        return math.inf
    cure = 'give it like "180 lb N/ac"'
    values, unit = _given_rates(text, vetted, "--max-rate", cure)
    if len(values) > 1:
        raise UsageError(f"'{text}' is no rate", where="--max-rate", cure=cure)
    bar = vetted.solution.bar
    return float(as_nitrogen_rate(values[0], unit, bar.nitrogen_fraction, vetted.counted_density))


def _values(options: RewriteOptions, vetted: VetOutcome, decimals: int) -> list[float]:
    """Read --round or --presets: the step, or the rates, in the file's own unit; nothing where neither is given."""
    if options.round is not None and options.presets is not None:
        raise UsageError(
            "--round and --presets each say which rates there are",
            where="--round, --presets",
            cure="give one of them",
        )
    text, where = (options.round, "--round") if options.presets is None else (options.presets, "--presets")
    if text is None:
        return []
    cure = 'give it like "5 lb N/ac"' if where == "--round" else 'give them like "85,100,115"'
    values, unit = _given_rates(text, vetted, where, cure)
    own = vetted.prescription.rate_unit
    if unit != own:
        raise UsageError(
            f"the file's rates are in {own.text}, and these are in {unit.text}",
            where=where,
            cure=f"give what the controller reads in {own.text}",
        )
    if where == "--round" and len(values) > 1:
        raise UsageError(f"'{text}' is no rate", where=where, cure=cure)
    if any(abs(round(value, decimals) - value) > 1e-9 * value for value in values):
        raise UsageError(
            f"the rate column cannot hold '{text}': it has {count(decimals, 'decimal')}",
            where=where,
            cure="give fewer decimals, or export the prescription with more",
        )
    return sorted(set(values))


def parse_prices(options: RewriteOptions) -> Prices | None:
    """Read the user's prices: money per pound of nitrogen, ``b,c`` of the yield response, money per unit of crop.

    The response is yield per acre = b N + c N^2 with N in lb/ac.

    Parameters
    ----------
    options : RewriteOptions
        With the three texts.

    Raises
    ------
    UsageError
        If a text is no number, or a response comes without a crop price or the other way round.
    """
    nitrogen, response, crop = options.nitrogen_price, options.yield_response, options.crop_price
    if nitrogen is None and response is None and crop is None:
        return None
    if (response is None) != (crop is None):
        raise UsageError(
            "a yield response and a crop price go together",
            where="--yield-response, --crop-price",
            cure='give both, for example --yield-response "0.9,-0.0022" --crop-price 4.20',
        )

    def numbers(text: str, option: str, wanted: int) -> list[float]:
        try:
            values = [float(part) for part in text.split(",")]
        except ValueError:
            values = []
        if len(values) != wanted or not all(map(math.isfinite, values)):
            raise UsageError(f"'{text}' is not {count(wanted, 'number')}", where=option, cure="write plain numbers")
        return values

    price = 0.0 if nitrogen is None else numbers(nitrogen, "--nitrogen-price", 1)[0] / POUND
    if response is None or crop is None:
        return Prices(price)
    linear, square = numbers(response, "--yield-response", 2)
    # Yield per acre over pounds per acre becomes yield per square metre over kilograms per square metre.
    (crop_price,) = numbers(crop, "--crop-price", 1)
    per_acre = ACRE / POUND
    return Prices(price, (linear / ACRE * per_acre, square / ACRE * per_acre**2), crop_price)


def _rules(options: RewriteOptions, vetted: VetOutcome, unit_rate: float, decimals: int) -> Rules:
    """Say what may be changed and how; `unit_rate` is one of the file's unit [kg/m2]."""
    policy = options.policy
    if policy not in POLICIES:
        raise UsageError(f"there is no policy '{policy}'", where="--policy", cure=f"one of {', '.join(POLICIES)}")
    if options.most_raise is not None and not options.allow_raise:
        raise UsageError(
            "--most-raise limits raises, and none is allowed",
            where="--most-raise",
            cure="add --allow-raise, or leave it out",
        )
    usual = _MOST_RAISE if policy == "hold-total" else math.inf
    most = usual if options.most_raise is None else parse_share(options.most_raise, usual, where="--most-raise")
    given, cap = _values(options, vetted, decimals), _max_rate(options.max_rate, vetted)
    step = unit_rate * 10.0**-decimals
    listed: tuple[float, ...] = ()
    if options.presets is not None:
        listed = tuple(value * unit_rate for value in given)
    elif given:
        step = given[0] * unit_rate
    if cap < (listed[0] if listed else step):
        raise UsageError(
            "no rate the file or the controller has lies at or below --max-rate",
            where="--max-rate",
            cure="give a higher one",
        )
    return Rules(policy, options.allow_raise, cap, not options.leave_doubtful, step, most, bool(given), listed)


def _share_needed(vetted: VetOutcome, rules: Rules) -> float | None:
    """Least share, in steps of 5 %, by which rates may be raised so that the field keeps its nitrogen."""
    area = vetted.prescription.area
    nearly = 1e-4 * float(vetted.rate @ area)
    for share in np.arange(math.floor(rules.most_raise / 0.05 + 1e-9) + 1, 21) * 0.05:
        raised = replace(rules, most_raise=float(share), only_values=False)
        if abs(nitrogen_unplaced(vetted.rate, area, vetted.solution, raised)) <= nearly:
            return float(share)
    return None


def rewrite_file(vetted: VetOutcome, options: RewriteOptions) -> RewriteOutcome:
    """Rewrite a vetted prescription.

    Parameters
    ----------
    vetted : VetOutcome
        From `vet_file`.
    options : RewriteOptions
        What to keep, and what may be done.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """
    prices = parse_prices(options)
    prescription, solution = vetted.prescription, vetted.solution
    bar, area = solution.bar, prescription.area
    density = vetted.counted_density
    unit_rate = float(as_nitrogen_rate(1.0, prescription.rate_unit, bar.nitrogen_fraction, density))
    held = rate_decimals(prescription)
    decimals = _FINEST_DECIMALS if held is None else min(held, _FINEST_DECIMALS)
    rules = _rules(options, vetted, unit_rate, decimals)
    tell(f"rewriting {len(area):,} zones")
    done = rewrite(vetted.rate, area, solution, rules)
    heading, pieces = None, None
    if bar.controller is not None:
        heading = course_of(options, prescription.zones)
        passes = lay_passes(prescription.zones, heading, solution.window.width)
        speed = 0.5 * (done.speed_low + done.speed_high)
        pieces = short_pieces(passes, done.after, speed, bar.controller)
        if options.merge_short:
            short = pieces.too_short(done.after)
            done = share_rates(done, area, np.where(short, next_along(passes, len(area)), -1), solution, rules)
            pieces = short_pieces(passes, done.after, speed, bar.controller)
    elif options.merge_short or options.heading is not None:
        raise UsageError(
            "the bar file has no [controller], so there is no telling how fast a rate is reached",
            where="--merge-short, --heading",
            cure='add [controller] with delay = "0.8 s" and time_constant = "1.5 s"',
        )
    written = np.where(
        done.rate_changed,
        np.round(from_nitrogen_rate(done.after, prescription.rate_unit, bar.nitrogen_fraction, density), decimals),
        prescription.rate,
    )
    money = None if prices is None else spent_and_earned(done, area, prices)
    outcome = RewriteOutcome(vetted, done, rules, written, heading, pieces, money)
    if outcome.short_of_nitrogen and rules.allow_raise and rules.policy == "hold-total":
        outcome = replace(outcome, share_needed=_share_needed(vetted, rules))
    return outcome


@contextlib.contextmanager
def _standing(folder: Path) -> Iterator[None]:
    """Make a folder for two outputs in it, and take it away again if there are none."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    with contextlib.suppress(OSError):  # who writes into it says better what is wrong
        folder.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        with contextlib.suppress(OSError):
            for path in missing:
                path.rmdir()
        raise


def write_rewriting(
    outcome: RewriteOutcome, target: Path, *, replace: bool, protect: tuple[Path, ...]
) -> tuple[Path, Path, tuple[str, ...]]:
    """Write the prescription with its new rates, and beside it what was changed and why.

    In the input's own format its bytes are patched; in another one the zones are written anew, the rate column under
    the same name and in the same unit.

    Parameters
    ----------
    outcome : RewriteOutcome
        What the workflow gave.
    target : Path
        Where to.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Returns
    -------
    target, side : Path
        The prescription and the side file.
    notes : tuple of str
        What another format does not hold, or does to the rates.

    Raises
    ------
    OutputError
        If either exists and `replace` is not set, or would be written over an input.
    """

    tell(f"writing {target}")
    prescription, done = outcome.vetted.prescription, outcome.done
    side = target.with_name(target.stem + "_changes.csv")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(SIDE_COLUMNS)
    writer.writerows(side_rows(prescription, done))

    if side.exists() and not replace:
        raise OutputError("the side file exists already", where=str(side), cure="choose another name, or say --replace")

    def look_again() -> None:
        if outcome.vetted.inputs is not None:
            outcome.vetted.inputs.refuse_changes()

    guarded = (*protect, prescription.path)
    notes: tuple[str, ...] = ()
    # Both or neither: what the writers below write joins this folder.
    with _standing(target.parent), OutputFolder(target.parent, replace=replace, protect=guarded) as out:
        out.stage(side.name).write_text(text.getvalue(), encoding="utf-8")
        if can_patch(prescription, target):
            write_rewritten(
                prescription,
                outcome.written_rate,
                done.rate_changed,
                target,
                replace=replace,
                protect=guarded,
                watched=outcome.vetted.inputs is not None and prescription.path in outcome.vetted.inputs.given,
            )
        elif becomes_task_data(prescription, target):
            # A folder of its own is in place before the side file, so the inputs are looked at again before that.
            folder = target.parent if target.suffix.casefold() == ".xml" else target
            to = Delivery(folder, replace, guarded, lambda _: look_again())
            target = folder
            if prescription.file_format == "task data":
                notes = patch_task_data(
                    prescription, changes_of(prescription, outcome.written_rate, done.rate_changed), to
                )
            else:
                written = write_task_prescription(prescription, outcome.written_rate, to, unit=prescription.rate_unit)
                notes = (*written.notes, *written.warnings())
        else:
            rates, column = UnitRates(outcome.written_rate, prescription.rate_unit), prescription.rate_column
            form = NewForm(column, style=rate_style)
            written = write_prescription(prescription, rates, target, form=form, replace=replace, protect=guarded)
            notes = (*written.notes, *written.warnings())
        look_again()
    return target, side, notes
