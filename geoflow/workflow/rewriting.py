"""Reading a prescription, rewriting it for the bar, and writing it back with only the rate changed."""

from __future__ import annotations

import contextlib
import csv
import io
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from geoflow.base.errors import OutputError, UsageError
from geoflow.base.progress import tell
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import UnitRates, as_nitrogen_rate, from_nitrogen_rate
from geoflow.base.units import ACRE, POUND
from geoflow.decide.costs import Prices
from geoflow.decide.costs import money as spent_and_earned
from geoflow.decide.rewrite import POLICIES, Rules, rewrite, share_rates
from geoflow.files.output import OutputFolder
from geoflow.ground.passes import Passes, lay_passes, short_pieces
from geoflow.isoxml.deliver import Delivery
from geoflow.options.typed import RewriteOptions
from geoflow.outcomes import RewriteOutcome, VetOutcome
from geoflow.prescription_patch.new_file import write_prescription
from geoflow.prescription_patch.new_taskdata import becomes_task_data, write_task_prescription
from geoflow.prescription_patch.patch import can_patch, changes_of, rate_decimals, write_rewritten
from geoflow.prescription_patch.patch_taskdata import patch_task_data
from geoflow.report.rewriting import SIDE_COLUMNS, side_rows
from geoflow.workflow.day import course_of

__all__ = ["parse_prices", "rewrite_file", "write_rewriting"]

_FINEST_DECIMALS = 3


def _max_rate(text: str | None, vetted: VetOutcome) -> float:
    """Read --max-rate: a number with a rate unit, or a bare number in the prescription's unit."""
    if text is None:
        return math.inf
    words = text.strip().split(maxsplit=1)
    unit = vetted.prescription.rate_unit if len(words) == 1 else rate_unit(words[1], where="--max-rate")
    try:
        value = float(words[0])
    except (ValueError, IndexError):
        value = math.nan
    if not value > 0.0 or math.isinf(value):
        raise UsageError(f"'{text}' is no rate", where="--max-rate", cure='give it like "180 lb N/ac"')
    bar = vetted.solution.bar
    return float(as_nitrogen_rate(value, unit, bar.nitrogen_fraction, vetted.counted_density))


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

    def numbers(text: str, option: str, count: int) -> list[float]:
        try:
            values = [float(part) for part in text.split(",")]
        except ValueError:
            values = []
        if len(values) != count or not all(map(math.isfinite, values)):
            raise UsageError(
                f"'{text}' is not {count} number{'s' if count > 1 else ''}", where=option, cure="write plain numbers"
            )
        return values

    price = 0.0 if nitrogen is None else numbers(nitrogen, "--nitrogen-price", 1)[0] / POUND
    if response is None or crop is None:
        return Prices(price)
    linear, square = numbers(response, "--yield-response", 2)
    # Yield per acre over pounds per acre becomes yield per square metre over kilograms per square metre.
    (crop_price,) = numbers(crop, "--crop-price", 1)
    per_acre = ACRE / POUND
    return Prices(price, (linear / ACRE * per_acre, square / ACRE * per_acre**2), crop_price)


def _partners(passes: Passes, short: np.ndarray[Any, Any], zones: int) -> np.ndarray[Any, Any]:
    """For each short zone the neighbour that most often stands next to it along the passes; -1 otherwise."""
    beside = passes.number[1:] == passes.number[:-1]
    first, second = passes.zone[:-1][beside], passes.zone[1:][beside]
    pairs = np.concatenate([np.column_stack([first, second]), np.column_stack([second, first])])
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    partner = np.full(zones, -1, dtype=np.int64)
    if not len(pairs):
        return partner
    found, count = np.unique(pairs, axis=0, return_counts=True)
    order = np.lexsort((count, found[:, 0]))
    partner[found[order, 0]] = found[order, 1]
    return np.where(short, partner, -1)


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
    policy, prices = options.policy, parse_prices(options)
    if policy not in POLICIES:
        raise UsageError(f"there is no policy '{policy}'", where="--policy", cure=f"one of {', '.join(POLICIES)}")
    prescription, solution = vetted.prescription, vetted.solution
    bar, area = solution.bar, prescription.area
    density = vetted.counted_density
    unit_rate = float(as_nitrogen_rate(1.0, prescription.rate_unit, bar.nitrogen_fraction, density))
    held = rate_decimals(prescription)
    decimals = _FINEST_DECIMALS if held is None else min(held, _FINEST_DECIMALS)
    rules = Rules(
        policy,
        options.allow_raise,
        _max_rate(options.max_rate, vetted),
        not options.leave_doubtful,
        unit_rate * 10.0**-decimals,
    )
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
            done = share_rates(done, area, _partners(passes, short, len(area)), solution, rules)
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
    return RewriteOutcome(vetted, done, policy, written, heading, pieces, money)


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
                prescription, outcome.written_rate, done.rate_changed, target, replace=replace, protect=guarded
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
            written = write_prescription(prescription, rates, target, column=column, replace=replace, protect=guarded)
            notes = (*written.notes, *written.warnings())
        look_again()
    return target, side, notes
