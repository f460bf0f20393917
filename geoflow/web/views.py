"""What the page is told: outcomes as plain JSON, every number already in the reader's words and units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import IntArray, TextArray
from geoflow.base.rate_units import RATE_UNITS, RateUnit
from geoflow.base.rates import as_nitrogen_rate
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.base.terms import TERMS
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.rewrite import POLICIES
from geoflow.report.cautions import CAUTIONS, SHORT_CAUTION
from geoflow.report.cures import cure_texts
from geoflow.report.flat_outlines import flat_outlines
from geoflow.report.gauges import manifold_texts
from geoflow.report.layout import within
from geoflow.report.map_layers import LAYERS
from geoflow.report.reading import left_out_warning, reading_list
from geoflow.report.symbology import VERDICT_SYMBOLS
from geoflow.report.vetted import verdict_answer
from geoflow.report.window import limit_list, plan_warnings, window_table
from geoflow.report.zones import margin_text
from geoflow.web.bar_form import form_description
from geoflow.web.layer_views import symbol_view
from geoflow.web.wording import page_words
from geoflow.web.zone_speed import speed_to_use
from geoflow.workflow.choices import Choices, spans

if TYPE_CHECKING:
    from geoflow.decide.beyond import Beyond
    from geoflow.decide.vet import Solution
    from geoflow.outcomes import VetOutcome
    from geoflow.prescription_files.read_prescription import Prescription
    from geoflow.web.tasks import KeptMap

__all__ = ["answer_view", "beginning", "choices_view", "field_view", "notes_view", "zone_view", "zones_view"]

# More corners than this are thinned for the screen; areas and verdicts are of the outlines as read.
_MOST_CORNERS: Final = 300_000
_MOST_ATTRIBUTES: Final = 24
_LONGEST_ATTRIBUTE: Final = 200
_LISTED: Final = 50
_POLICY_WORDS: Final = {
    "hold-speed": "Keep the speed: lower rates the bar cannot reach",
    "hold-rate": "Keep the rate: give zones a speed of their own, lower only what no allowed speed reaches",
    "hold-total": "Keep the field's nitrogen: lower rates, then move the difference onto zones with room",
}
_LETTERS: Final = {name: verdict.letter for name, verdict in VERDICTS.items()}
_RANK: Final = {name: rank for rank, name in enumerate(("fails", "doubtful", "holds", "off"))}


def beginning() -> dict[str, Any]:
    """Everything the page needs before a file is loaded."""
    return {
        "verdicts": [{"name": name, **symbol_view(symbol)} for name, symbol in VERDICT_SYMBOLS.items()],
        "units": {
            system: {kind: unit_label(kind, system) for kind in ("temperature", "speed", "nitrogen rate", "area")}
            for system in ("us", "metric")
        },
        "rateUnits": [unit.text for unit in RATE_UNITS],
        "terms": [{"name": term.name, "meaning": term.meaning, "shown": [term.name, *term.shown]} for term in TERMS],
        "policies": [{"name": name, "words": _POLICY_WORDS[name]} for name in POLICIES],
        "layers": [{"name": name, "title": title} for name, title in LAYERS.items() if name != "speed"],
        "cautions": CAUTIONS,
        "caution": SHORT_CAUTION,
        "form": form_description(),
    }


def _geometry(prescription: Prescription) -> dict[str, Any]:
    """Outlines in decimetres, flat: corners, corners per ring, rings per part, parts per zone; and label places."""
    import shapely

    zones = prescription.zones
    thinned = int(shapely.get_num_coordinates(zones).sum()) > _MOST_CORNERS
    low_x, low_y, high_x, high_y = shapely.total_bounds(zones)
    if thinned:
        zones = shapely.simplify(zones, max(high_x - low_x, high_y - low_y) / 8000.0)
    flat = flat_outlines(zones)
    return {
        "corners": np.rint(flat.corners * 10.0).astype(np.int64).ravel().tolist(),
        **flat.counts,
        "labels": np.rint(flat.middles * 10.0).astype(np.int64).ravel().tolist(),
        "room": np.round(flat.room, 1).tolist(),
        "bounds": [low_x, low_y, high_x, high_y],
        "thinned": thinned,
    }


def field_view(kept: KeptMap) -> dict[str, Any]:
    """Shapes, sent once per reading, and what was read.

    Parameters
    ----------
    kept : KeptMap
        What was read.
    """
    prescription, bar = kept.read.prescription, kept.read.bar
    return {
        "geometry": _geometry(prescription),
        "numbers": prescription.zone_id,
        "file": prescription.path.name,
        "column": prescription.rate_column,
        "unit": prescription.rate_unit.text,
        **choices_view(Choices(spans(kept.attributes))),
        "sections": [section.name for section in bar.sections],
    }


def notes_view(kept: KeptMap, system: System) -> dict[str, Any]:
    """What was read, in words.

    Parameters
    ----------
    kept : KeptMap
        What was read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return {"facts": [page_words(text, "prescription") for text in reading_list(kept.read.prescription, system).texts]}


def choices_view(choices: Choices) -> dict[str, Any]:
    """What may be chosen of a file that leaves a question, each with what it would mean.

    Parameters
    ----------
    choices : Choices
        What was listed.
    """
    return {"layers": choices.layers, "columns": [_column_view(*column) for column in choices.columns]}


def _column_view(name: str, low: float, high: float) -> dict[str, Any]:
    """A column with the span of its numbers, and what that span would be in each unit as a rate of nitrogen."""
    if not math.isfinite(low):
        return {"name": name, "span": "", "means": {}}

    def span(system: System, unit: RateUnit) -> str:
        if unit.basis == "ammonia volume":
            return ""  # that depends on the bar and on where volumes are counted
        ends = (
            number(float(as_nitrogen_rate(end, unit, NITROGEN_FRACTION)), "nitrogen rate", system)
            for end in (low, high)
        )
        return f"{' to '.join(ends)} {unit_label('nitrogen rate', system)}"

    return {
        "name": name,
        "span": f"{low:.6g} to {high:.6g}",
        "means": {system: {unit.text: span(system, unit) for unit in RATE_UNITS} for system in ("us", "metric")},
    }


def answer_view(
    prescription: Prescription,
    solution: Solution,
    verdict: TextArray,
    system: System,
    of: str,
    beyond: tuple[Beyond, ...] = (),
    *,
    exact: bool,
) -> dict[str, Any]:
    """Verdicts as one letter per zone, counts, the answer in words, and what it is an answer to.

    Parameters
    ----------
    prescription : Prescription
        As read.
    solution : Solution
        The solved bar.
    verdict : ndarray of str, shape (zones,)
        Keys of `schema.VERDICTS`.
    system : str
        ``"us"`` or ``"metric"``.
    of : str
        What it is an answer to.
    beyond : tuple of Beyond
        What was looked at beside the whole bar and the planned liquid.
    exact : bool
        Whether it is solved in full.
    """
    area = prescription.area
    warnings = [*plan_warnings(solution), *left_out_warning(prescription)]
    chosen = {name: verdict == name for name in VERDICTS}
    return {
        "exact": exact,
        "of": of,
        "verdicts": "".join(_LETTERS[name] for name in verdict.tolist()),
        "answer": verdict_answer(area, verdict, system, warned=bool(solution.warnings()), beyond=beyond),
        "warnings": [warning.text for warning in warnings],
        "counts": [
            {
                "name": name,
                "zones": f"{int(flags.sum()):,}",
                "area": show(float(area[flags].sum()), "area", system),
            }
            for name, flags in chosen.items()
        ],
        "window": window_table(solution, system).rows,
        "limits": limit_list(solution).texts,
    }


def _order(outcome: VetOutcome, shown: str) -> IntArray:
    """Places of the zones of one verdict (or all), worst first, then largest first."""
    verdict, area = outcome.vetting.verdict, outcome.prescription.area
    rank = np.array([_RANK[name] for name in verdict.tolist()], dtype=np.int64)
    order = np.lexsort((-area, rank))
    return order if shown not in VERDICTS else order[verdict[order] == shown]


def zones_view(outcome: VetOutcome, shown: str, start: int, system: System) -> dict[str, Any]:
    """Fifty zones of the list.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    shown : str
        A verdict, or ``"all"``.
    start : int
        Place in the list.
    system : str
        ``"us"`` or ``"metric"``.
    """
    order = _order(outcome, shown)
    start = max(0, min(start, max(len(order) - 1, 0) // _LISTED * _LISTED))
    rate, area = outcome.rate, outcome.prescription.area
    units = unit_label("nitrogen rate", system), unit_label("area", system)
    names = outcome.prescription.zone_id
    return {
        "start": start,
        "total": len(order),
        "step": _LISTED,
        "zones": [
            {
                "at": int(at),
                "letter": _LETTERS[str(outcome.vetting.verdict[at])],
                "words": f"zone {names[at]}: {outcome.vetting.verdict[at]}, "
                f"{number(float(rate[at]), 'nitrogen rate', system)} {units[0]}, "
                f"{number(float(area[at]), 'area', system)} {units[1]}",
            }
            for at in order[start : start + _LISTED].tolist()
        ],
    }


def _attributes(table: Any, row: int) -> list[list[str]]:
    pairs = zip(table.columns, table.iloc[row].tolist(), strict=True)
    return [
        [str(name)[:_LONGEST_ATTRIBUTE], "" if value is None else str(value)[:_LONGEST_ATTRIBUTE]]
        for name, value in list(pairs)[:_MOST_ATTRIBUTES]
    ]


def zone_view(outcome: VetOutcome, table: Any, at: int, system: System) -> dict[str, Any]:
    """Everything about one zone; its attributes, a row of the table as read, as plain text.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    table : DataFrame
        Attributes as read.
    at : int
        Place of the zone.
    system : str
        ``"us"`` or ``"metric"``.
    """
    prescription, solution, vetting = outcome.prescription, outcome.solution, outcome.vetting
    verdict, limit = str(vetting.verdict[at]), str(vetting.limited_by[at])
    rows = [
        ["Rate", show(float(outcome.rate[at]), "nitrogen rate", system)],
        ["Area", show(float(prescription.area[at]), "area", system)],
    ]
    if verdict != "off":
        margin = float(vetting.margin[at])
        speeds = within(float(vetting.speed_low[at]), float(vetting.speed_high[at]), "speed", system)
        boils = f"it {margin_text(at, vetting, system)}" if margin < 0.0 else _finite(margin, system)
        rows += [["This rate holds at", speeds], ["Least liquid margin over the plan", boils]]
        rows += [
            ["Manifold gauge at this rate", manifold_texts(np.array([at]), outcome.rate, solution, vetting, system)[0]]
        ]
    cure = cure_texts(np.array([at]), outcome.rate, solution, vetting, system)[0]
    return {
        "at": at,
        "title": f"Zone {prescription.zone_id[at]}",
        "letter": _LETTERS[verdict],
        "verdict": verdict,
        "meaning": VERDICTS[verdict].meaning,
        "rows": rows,
        "limit": f"{limit} (flow too {vetting.side[at]}). {LIMITS[limit].meaning}" if limit else "",
        "cure": cure[:1].upper() + cure[1:],
        "speed": speed_to_use(outcome, at, system),
        "attributes": _attributes(table, int(prescription.row[at])),
    }


def _finite(margin: float, system: System) -> str:
    return show(margin, "pressure", system, 0) if math.isfinite(margin) else "not known"
