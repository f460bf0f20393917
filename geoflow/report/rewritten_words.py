"""What a rewriting did to the nitrogen, in words: raises, a total kept or not, zones off the controller's values."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.rewrite import Rewriting
from geoflow.report.layout import zone_names
from geoflow.report.model import Block, Paragraph

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geoflow.outcomes import RewriteOutcome

__all__ = ["off_values_blocks", "raised_blocks", "total_blocks"]

_MOST_RAISES: Final = 40


def raised_blocks(done: Rewriting, area: FloatArray, names: Sequence[str], system: System) -> list[Block]:
    """Name the zones whose rate was raised.

    Parameters
    ----------
    done : Rewriting
        The new rates.
    area : ndarray, shape (zones,)
        [m2]
    names : list of str
        What people call the zones.
    system : str
        ``"us"`` or ``"metric"``.
    """
    raised = np.flatnonzero(done.raised)
    if not raised.size:
        return []
    shown = ", ".join(
        f"{names[index]} ({number(float(done.before[index]), 'nitrogen rate', system)} to "
        f"{number(float(done.after[index]), 'nitrogen rate', system)})"
        for index in raised[:_MOST_RAISES].tolist()
    )
    more = "" if raised.size <= _MOST_RAISES else f" and {raised.size - _MOST_RAISES:,} more"
    return [
        Paragraph(
            f"RAISED above the prescription, {count(raised.size, 'zone')} "
            f"({show(float(area[raised].sum()), 'area', system)}) in {unit_label('nitrogen rate', system)}: "
            f"{shown}{more}. Check every one against the agronomist's ceiling, the label and local nitrogen rules "
            "before anything is applied.",
            "warning",
        )
    ]


def total_blocks(outcome: RewriteOutcome, system: System) -> list[Block]:
    """Say what became of the field's nitrogen where it was to be kept.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    done, rules = outcome.done, outcome.rules
    if rules.policy != "hold-total":
        return []
    off = f"{show(abs(done.unplaced), 'mass', system)} {'short of' if done.unplaced > 0 else 'over'}"
    lost = f"The field's nitrogen could NOT be kept: it comes out {off} what was prescribed"
    if not rules.allow_raise:
        said = (
            "Without --allow-raise hold-total is hold-speed and cannot differ from it: rates may only be lowered, so "
            "what one zone loses no other may get."
        )
        return [Paragraph(f"{said} {lost}.", "warning") if outcome.short_of_nitrogen else Paragraph(said)]
    limit = "" if math.isinf(rules.most_raise) else f" by more than {100.0 * rules.most_raise:g} % (--most-raise)"
    if outcome.short_of_nitrogen:
        why = f"no zone that holds has room for it{f' without a change{limit}' if limit else ''}"
        share = outcome.share_needed
        enough = "" if share is None else f' --most-raise "{100.0 * share:.0f} %" would place it all.'
        return [Paragraph(f"{lost}, because {why}.{enough}", "warning")]
    moved = int((done.raised & (np.char.find(done.reason, "moved") >= 0)).sum())
    if not moved or rules.only_values:
        return []
    none = f"; none was raised{limit}" if limit else ""
    return [
        Paragraph(
            f"What was taken stands on {count(moved, 'zone')}, the fewest that have room{none}. No rate passes one "
            "that was prescribed higher, and zones of one rate keep one rate but for the last step of the column."
        )
    ]


def off_values_blocks(outcome: RewriteOutcome, names: Sequence[str], system: System) -> list[Block]:
    """Name the zones whose rate is none of the controller's values.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    names : list of str
        What people call the zones.
    system : str
        ``"us"`` or ``"metric"``.
    """
    off = np.flatnonzero(outcome.done.off_values)
    if not off.size:
        return []
    some, area = zone_names([names[at] for at in off.tolist()]), float(outcome.vetted.prescription.area[off].sum())
    return [
        Paragraph(
            f"NOT on the values of --round or --presets: {some} ({show(area, 'area', system)}), left as prescribed. "
            "None that each may be given certainly holds there; the list of changes says why.",
            "warning",
        )
    ]
