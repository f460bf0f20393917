"""A field card with its map as one HTML file for a phone: zones in longitude and latitude, and what each may get."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import UsageError
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.base.units import FOOT, System, number, show, unit_label
from geoflow.decide.vet import Vetting, vet
from geoflow.field_card.html import as_card_html
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.cures import cure_texts
from geoflow.report.flat_outlines import flat_outlines
from geoflow.report.gauges import manifold_texts
from geoflow.report.layout import within
from geoflow.report.symbology import VERDICT_SYMBOLS
from geoflow.report.zones import margin_text, trouble_order

if TYPE_CHECKING:
    from geoflow.field_card.outcome import CardOutcome
    from geoflow.prescription_files.read_prescription import Prescription
    from geoflow.report.model import Report

__all__ = ["as_phone_html", "phone_map", "sheet_policy"]

_MOST_CORNERS: Final = 40_000
# How far an outline may be moved for the phone [m]: a fix of a phone is good for some meters.
_MOVED: Final = (0.5, 1.0, 2.0, 4.0, 8.0)
_STEP: Final = 1e-6  # [degree], about 0.1 m


def _outlines(prescription: Prescription, system: System) -> dict[str, Any]:
    """Corners as steps from the one before, in millionths of a degree of longitude and latitude (WGS 84)."""
    import pyproj
    import shapely

    zones, had = prescription.zones, int(shapely.get_num_coordinates(prescription.zones).sum())
    moved = 0.0
    for moved in _MOVED if had > _MOST_CORNERS else ():
        zones = shapely.simplify(prescription.zones, moved)
        if int(shapely.get_num_coordinates(zones).sum()) <= _MOST_CORNERS:
            break
    flat = flat_outlines(zones)
    corners = flat.corners
    degrees = pyproj.Transformer.from_crs(prescription.local_crs, "EPSG:4326", always_xy=True)
    west, south = (float(end) for end in np.round(np.min(np.column_stack(degrees.transform(*corners.T)), axis=0), 6))

    def steps(points: FloatArray) -> list[int]:
        whole = np.rint((np.column_stack(degrees.transform(*points.T)) - [west, south]) / _STEP).astype(np.int64)
        return np.diff(whole, axis=0, prepend=[[0, 0]]).ravel().tolist()

    kept = len(corners)
    far = f"{moved / FOOT:.0f} ft" if system == "us" else f"{moved:g} m"
    thinned = f"Outlines are drawn with {kept:,} of {had:,} corners, moved by no more than {far}." if moved else ""
    return {
        "origin": [west, south],
        "corners": steps(corners),
        "labels": steps(flat.middles),
        **flat.counts,
        "room": np.round(flat.room, 0).astype(int).tolist(),
        "thinned": thinned,
    }


def _kinds(first: IntArray, rate: FloatArray, outcome: CardOutcome, vetting: Vetting, system: System) -> list[Any]:
    """What is said of every zone of one rate, for some zones with one rate each."""
    solution = outcome.solution
    asked = first[vetting.verdict[first] != "off"]
    gauges = dict(zip(asked.tolist(), manifold_texts(asked, rate, solution, vetting, system), strict=True))
    cures = cure_texts(first, rate, solution, vetting, system)
    return [
        _kind(at, rate, vetting, system, gauges.get(at, ""), cure)
        for at, cure in zip(first.tolist(), cures, strict=True)
    ]


def _kind(at: int, rate: FloatArray, vetting: Vetting, system: System, gauge: str, cure: str) -> dict[str, Any]:
    verdict, limit = str(vetting.verdict[at]), str(vetting.limited_by[at])
    rows = [["Rate asked", show(float(rate[at]), "nitrogen rate", system)]]
    if verdict != "off":
        speeds = within(float(vetting.speed_low[at]), float(vetting.speed_high[at]), "speed", system)
        rows.append(["Speed that holds it", speeds])
        margin = margin_text(at, vetting, system)
        short = not vetting.margin[at] >= 0.0
        rows.append(["Least liquid margin", margin if short else f"{margin} {unit_label('pressure', system)}"])
        rows.append(["Manifold gauge", gauge])
    return {
        "letter": VERDICTS[verdict].letter,
        "rows": rows,
        "limit": f"{limit} (flow too {vetting.side[at]}). {LIMITS[limit].meaning}" if limit else "",
        "cure": cure[:1].upper() + cure[1:],
    }


def phone_map(outcome: CardOutcome, system: System) -> dict[str, Any]:
    """Give the map of a card for the phone's own script: outlines, and what each zone says when it is tapped.

    Parameters
    ----------
    outcome : CardOutcome
        Of a map.
    system : str
        ``"us"`` or ``"metric"``.

    Raises
    ------
    UsageError
        If the card is of plain rates.
    """
    prescription = outcome.prescription
    if prescription is None:
        raise UsageError(
            "plain rates have no map to put on a phone",
            where="--phone",
            cure="give a prescription in place of --rates, or leave --phone out: the card itself opens on a phone too",
        )
    solution, rate = outcome.solution, outcome.zone_rate
    vetting = vet(rate, solution)
    _, first, back = np.unique(rate, return_index=True, return_inverse=True)
    area = prescription.area
    order = trouble_order(solution, vetting, area)
    return {
        **_outlines(prescription, system),
        "names": list(prescription.zone_id),
        "kind": back.ravel().tolist(),
        "kinds": _kinds(first, rate, outcome, vetting, system),
        "area": [number(float(one), "area", system) for one in area],
        "areaUnit": unit_label("area", system),
        "order": [*order, *sorted(set(range(len(area))) - set(order))],
        "lengths": {"us": ["ft", FOOT], "metric": ["m", 1.0]}[system],
        "styles": {
            VERDICTS[name].letter: {
                "word": symbol.word,
                "meaning": symbol.meaning,
                "fill": symbol.fill,
                "hatch": symbol.hatch[:1],
                "hatchColour": symbol.hatch_colour,
            }
            for name, symbol in VERDICT_SYMBOLS.items()
        },
    }


def _part(name: str) -> str:
    return files("geoflow.field_card").joinpath(name).read_text(encoding="utf-8")


def _script_policy() -> str:
    digest = base64.b64encode(hashlib.sha256(_part("phone.js").encode()).digest()).decode()
    return f"script-src 'sha256-{digest}'"


def sheet_policy() -> str:
    """Return the content policy that a sheet is served with: its own script and style, and not one request."""
    return (
        f"default-src 'none'; style-src 'unsafe-inline'; {_script_policy()}; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )


def as_phone_html(report: Report, outcome: CardOutcome, system: System) -> str:
    """Set a card with its map as HTML; its content policy lets its own script run, and forbids every request.

    Parameters
    ----------
    report : Report
        From `field_card.sheet`.
    outcome : CardOutcome
        Of a map.
    system : str
        ``"us"`` or ``"metric"``.

    Raises
    ------
    UsageError
        If the card is of plain rates.
    """
    data = json.dumps(phone_map(outcome, system), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    script = _part("phone.js")
    phone = {
        "style": _part("phone.css"),
        "script": script,
        "policy": _script_policy(),
        # Nothing in the data can end the element that holds them.
        "data": data.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"),
        "caution": SHORT_CAUTION,
    }
    return as_card_html(report, phone)
