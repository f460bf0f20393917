"""How a day came out against its rehearsal: what was to be expected to be off, and what was not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count, verb
from geoflow.base.units import System, number, number_range, show, unit_label
from geoflow.reconciliation.expected import HOW_IT_CAME
from geoflow.report.findings import percent
from geoflow.report.json_numbers import keyed, records
from geoflow.report.model import EVERYWHERE, Block, Paragraph, Section, Table

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["rehearsed_section", "with_rehearsal"]

# Less than a twentieth of an acre is not worth a word [m2].
_NOTHING: Final = 202.0
_AS_IT_WAS, _UNKNOWN = "as rehearsed", "not compared"


def rehearsed_section(outcome: ReconcileOutcome, system: System, most: int | None) -> tuple[Section, ...]:
    """Say zone by zone what was to be expected; nothing without a rehearsal.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    most : int or None
        How many zones the table lists; None for all.
    """
    compared, zones = outcome.rehearsed, outcome.found.zones
    if compared is None or zones is None or outcome.target is None:
        return ()
    other = compared.off - compared.foreseen
    known = int((compared.came != _UNKNOWN).sum())
    unlike = np.flatnonzero((compared.came != _AS_IT_WAS) & (compared.came != _UNKNOWN))
    area = f"{show(compared.off, 'area', system)} are more than 10 % off"
    said = (
        f"By the log {area}: {show(compared.foreseen, 'area', system)} of it was to be expected by the rehearsal "
        f"{compared.name}, {show(max(other, 0.0), 'area', system)} was not. "
        f"{count(known - unlike.size, 'zone')} of {known:,} came out as rehearsed."
    )
    if compared.missed >= _NOTHING:
        bare = show(compared.missed, "area", system)
        foreseen = show(compared.missed_foreseen, "area", system)
        said += f" Under no pass are {bare}: {foreseen} of it was under none in the rehearsal either."
    if left := compared.came.size - known:
        said += f" {count(left, 'zone')} {verb(left, 'is', 'are')} not compared: {HOW_IT_CAME[_UNKNOWN]}."
    blocks: list[Block] = [Paragraph(said)]
    if unlike.size:
        expected = compared.expected
        away = np.abs(zones.rate - expected.mean) / np.maximum(zones.asked, 1e-9)
        away += np.abs(zones.within_10 - expected.within_10)
        away = np.nan_to_num(away) + zones.missed / zones.area
        worst = unlike[np.argsort(-np.nan_to_num(away[unlike]), kind="stable")][:most]
        names = outcome.target.zone_id
        rows = tuple(
            (
                names[at],
                number(float(zones.asked[at]), "nitrogen rate", system),
                number_range(float(expected.low[at]), float(expected.high[at]), "nitrogen rate", system, 1),
                number(float(zones.rate[at]), "nitrogen rate", system, 1),
                f"{100.0 * expected.within_low[at]:.1f} to {percent(float(expected.within_high[at]))}",
                percent(float(zones.within_10[at])),
                HOW_IT_CAME[str(compared.came[at])],
            )
            for at in worst.tolist()
        )
        unit = unit_label("nitrogen rate", system)
        heads = ("zone", f"asked {unit}", "rehearsed", "got", "within 10 % rehearsed", "got", "so it")
        caption = f"{count(unlike.size, 'zone')} that came out otherwise"
        blocks.append(Table(caption, heads, rows, "<>>>>><"))
        if rest := unlike.size - len(rows):
            blocks.append(Paragraph(f"Not listed: {count(rest, 'zone')} nearer to it.", on=EVERYWHERE - {"page"}))
    return (Section("rehearsed", "Against the rehearsal", tuple(blocks)),)


def with_rehearsal(document: dict[str, Any], outcome: ReconcileOutcome) -> dict[str, Any]:
    """Return the JSON of a reconciled log with the comparison under ``rehearsed``, null without one.

    Parameters
    ----------
    document : dict
        Of the log.
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    compared, zones = outcome.rehearsed, outcome.found.zones
    if compared is None or zones is None or outcome.target is None:
        return {**document, "rehearsed": None}
    expected = compared.expected
    other = compared.off - compared.foreseen
    return {
        **document,
        "rehearsed": {
            "rehearsal": compared.name,
            **keyed(off_ac=compared.off, off_expected_ac=compared.foreseen, off_not_expected_ac=other),
            **keyed(missed_ac=compared.missed, missed_expected_ac=compared.missed_foreseen),
            "zones": records(
                zone=outcome.target.row,
                zone_id=list(outcome.target.zone_id),
                expect_lb_n_ac=expected.mean,
                expect_low_lb_n_ac=expected.low,
                expect_high_lb_n_ac=expected.high,
                applied_lb_n_ac=zones.rate,
                expect_within_10=expected.within_10,
                within_10=zones.within_10,
                expect_missed=expected.missed,
                missed_ac=zones.missed,
                came=compared.came.tolist(),
            ),
        },
    }
