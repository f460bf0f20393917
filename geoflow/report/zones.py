"""Zones in tables: counted by verdict, and one by one, the worst first."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.counted import count
from geoflow.base.schema import VERDICTS
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.vet import Solution, Vetting
from geoflow.report.cures import cure_texts
from geoflow.report.layout import span, verdicts_text
from geoflow.report.model import EVERYWHERE, PRINTED, SCREEN, Block, Paragraph, Section, Table
from geoflow.report.odds import odds_cell

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["MARGIN_WORDS", "margin_text", "trouble_order", "verdict_table", "zones_section"]

MARGIN_WORDS: Final = (
    "Margin: least pressure above the vapour pressure over the plan, at the worse end of what is not known."
)


def trouble_order(solution: Solution, vetting: Vetting, area: FloatArray, odds: FloatArray | None = None) -> list[int]:
    """Zones by verdict, in one by their odds and by how far they are from the certain window, larger ones first.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    vetting : Vetting
        The verdicts.
    area, odds : ndarray, shape (zones,)
        [m2], and of holding, where they are to count.
    """
    chance = np.zeros(len(area)) if odds is None else np.nan_to_num(odds)
    rank = {"fails": 0, "doubtful": 1, "holds": 2, "off": 3}
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = np.minimum(vetting.flow_low / solution.certain.low, solution.certain.high / vetting.flow_high)
    spare = np.nan_to_num(np.round(spare, 6), nan=0.0)
    order = sorted(range(len(area)), key=lambda at: (rank[str(vetting.verdict[at])], chance[at], spare[at], -area[at]))
    return [index for index in order if vetting.verdict[index] != "off"]


def margin_text(index: int, vetting: Vetting, system: System) -> str:
    """Say a zone's least liquid margin, at the worse end of what is not known; a word where it is below zero.

    Parameters
    ----------
    index : int
        Place of the zone.
    vetting : Vetting
        The verdicts.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if not vetting.margin[index] < 0.0:
        return number(float(vetting.margin[index]), "pressure", system, 0)
    sure = vetting.verdict[index] == "fails" and vetting.expected_margin[index, 1] < 0.0
    return "boils" if sure else "may boil"


def verdict_table(rate: FloatArray, prescription: Prescription, verdict: TextArray, system: System) -> Table:
    """Zones, area and nitrogen by verdict, and what each verdict means.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    prescription : Prescription
        As read.
    verdict : ndarray of str, shape (zones,)
        Keys of `schema.VERDICTS`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    rows = []
    for name, known in VERDICTS.items():
        chosen = verdict == name
        rows.append(
            (
                f"{known.letter} {name}",
                f"{int(chosen.sum()):,}",
                number(float(prescription.area[chosen].sum()), "area", system),
                number(float((rate * prescription.area)[chosen].sum()), "mass", system),
                known.meaning,
            )
        )
    rows.append(
        (
            "all",
            f"{len(rate):,}",
            number(float(prescription.area.sum()), "area", system),
            number(float((rate * prescription.area).sum()), "mass", system),
            "",
        )
    )
    heads = ("verdict", "zones", unit_label("area", system), unit_label("mass", system) + " N", "meaning")
    return Table("Zones by verdict", heads, tuple(rows), "<>>><", (1.4, 0.8, 1.0, 1.2, 5.6))


def _verdict_cells(index: int, vetting: Vetting, odds: FloatArray, system: System) -> tuple[str, str, str, str]:
    """Verdict, limit, speeds it holds at and least margin of one zone."""
    limit, name = str(vetting.limited_by[index]), str(vetting.verdict[index])
    slow, fast = float(vetting.speed_low[index]), float(vetting.speed_high[index])
    return (
        f"{VERDICTS[name].letter} {name}" + (f" {odds_cell(float(odds[index]))}" if name == "doubtful" else ""),
        f"{limit} (flow too {vetting.side[index]})" if limit else "",
        "" if name == "off" else span(slow, fast, "speed", system),
        "" if np.isnan(vetting.margin[index]) else margin_text(index, vetting, system),
    )


def zones_section(outcome: VetOutcome, system: System, most: int, *, title: str = "Zones, worst first") -> Section:
    """Every zone up to a limit, by trouble; beyond it the worst, and a count of the rest.

    Parameters
    ----------
    outcome : VetOutcome
        The zones and their verdicts.
    system : str
        ``"us"`` or ``"metric"``.
    most : int
        How many zones to list.
    title : str
        Of the part.
    """
    prescription, rate, solution, vetting = outcome.prescription, outcome.rate, outcome.solution, outcome.vetting
    order = trouble_order(solution, vetting, prescription.area, outcome.odds)
    off = np.flatnonzero(vetting.verdict == "off").tolist()
    shown, rest = (order + off)[:most], (order + off)[most:]
    cures = cure_texts(np.array(shown, dtype=np.int64), rate, solution, vetting, system) if shown else []
    names = prescription.zone_id
    rows = tuple(
        (
            names[index],
            number(float(rate[index]), "nitrogen rate", system),
            number(float(prescription.area[index]), "area", system),
            *_verdict_cells(index, vetting, outcome.odds, system),
            cure,
        )
        for index, cure in zip(shown, cures, strict=True)
    )
    heads = (
        "zone",
        unit_label("nitrogen rate", system),
        unit_label("area", system),
        "verdict",
        "limit",
        f"holds at {unit_label('speed', system)}",
        f"least margin {unit_label('pressure', system)}",
        "what would make it hold",
    )
    every = count(len(order) + len(off), "zone")
    caption = f"The first {len(shown):,} of {every}" if rest else "The one zone" if len(shown) == 1 else f"All {every}"
    table = Table(caption, heads, rows, "<>><<<><", (0.65, 0.8, 0.75, 1.15, 1.35, 1.1, 0.85, 3.35))
    if any(row[4] or row[7] for row in rows):
        # At the terminal the cures stand above, told once for all zones that share one.
        blocks: list[Block] = [replace(table, on=PRINTED), table.columns(range(7), on=SCREEN)]
    else:
        blocks = [table.columns((0, 1, 2, 3, 5, 6), widths=(1.0, 1.2, 1.0, 1.5, 1.6, 1.4))]
    if rest:
        verdict = vetting.verdict[rest]
        left = verdicts_text(verdict, every=False)
        said = (
            f"Not listed: {count(len(rest), 'zone')} further from trouble ({left}; "
            f"{show(float(prescription.area[rest].sum()), 'area', system)})."
        )
        options = "--all-zones lists every one; the map layer that 'geoflow vet --out' writes holds them all."
        blocks.append(Paragraph(f"{said} {options}", on=EVERYWHERE - {"page"}))
        blocks.append(Paragraph(said, on=frozenset(("page",))))
    odd = "A doubtful zone has its odds of holding beside it. " if "doubtful" in vetting.verdict[shown] else ""
    blocks.append(
        Paragraph(
            f"{odd}{MARGIN_WORDS} A rate is that of nitrogen; a raise is the agronomist's decision.",
            "note",
        )
    )
    return Section("zones", title, tuple(blocks))
