"""Writing a vetted prescription: zones with verdicts, map, window and the JSON."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.progress import tell
from geoflow.base.said import said_range
from geoflow.base.units import System, from_si
from geoflow.files.output import OutputFolder, replace_file
from geoflow.layers.write_vector import Driver, write_zones
from geoflow.outcomes import VetOutcome
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.cures import cure_texts
from geoflow.report.json_numbers import document_text
from geoflow.report.layer_styles import VERDICT_STYLE
from geoflow.report.liquid_words import said_liquid
from geoflow.report.maps import Panel, field_map
from geoflow.report.symbology import VERDICT_SYMBOLS
from geoflow.report.vetted import held_text
from geoflow.report.window_panels import PlannedRates, window_panels

__all__ = ["vet_map", "vet_windows", "write_json", "write_vetting", "zone_columns"]

_MOST_LABELS = 80


def zone_columns(outcome: VetOutcome) -> dict[str, np.ndarray[Any, Any]]:
    """Verdict columns for every row of the file as read; empty where a row was left out.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    """

    vetting, solution, kept = outcome.vetting, outcome.solution, outcome.prescription.row
    rows = outcome.prescription.rows_read
    count = len(kept)

    def numbers(values: FloatArray) -> FloatArray:
        column = np.full(rows, np.nan)
        column[kept] = np.round(values, 4)
        return column

    def words(values: TextArray | list[str]) -> np.ndarray[Any, Any]:
        column = np.full(rows, None, dtype=object)
        texts = np.array(values, dtype=object)
        texts[texts == ""] = None
        column[kept] = texts
        return column

    low, high = solution.rate_bounds(solution.certain)
    if low > high:
        low = high = np.nan
    rates = from_si(np.array([low, high]), "nitrogen rate", "lb/acre")
    return {
        "gf_zone": numbers(np.asarray(kept + 1, dtype=np.float64)),
        "gf_verdict": words(vetting.verdict),
        "gf_side": words(vetting.side),
        "gf_limit": words(vetting.limited_by),
        "gf_rate_lb_n_ac": numbers(from_si(outcome.rate, "nitrogen rate", "lb/acre")),
        "gf_area_ac": numbers(from_si(outcome.prescription.area, "area", "acre")),
        "gf_speed_low_mph": numbers(from_si(vetting.speed_low, "speed", "mile/hour")),
        "gf_speed_high_mph": numbers(from_si(vetting.speed_high, "speed", "mile/hour")),
        "gf_rate_low_lb_n_ac": numbers(np.full(count, rates[0])),
        "gf_rate_high_lb_n_ac": numbers(np.full(count, rates[1])),
        "gf_liquid_margin_psi": numbers(from_si(vetting.margin, "pressure", "psi")),
        "gf_cure": words(cure_texts(np.arange(count), outcome.rate, solution, vetting, "us")),
    }


def write_json(path: Path, document: dict[str, Any], *, replace: bool, protect: tuple[Path, ...]) -> None:
    """Write a document whole or not at all.

    Parameters
    ----------
    path : Path
        Where to.
    document : dict
        The JSON.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.
    """

    text = document_text(document)

    def write(target: Path) -> None:
        target.write_text(text, encoding="utf-8")

    replace_file(path, write, replace=replace, protect=protect)


_OUTPUTS: dict[str, tuple[str, Driver]] = {
    "shapefile": ("zones.shp", "ESRI Shapefile"),
    "zipped shapefile": ("zones.shp", "ESRI Shapefile"),
    "geojson": ("zones.geojson", "GeoJSON"),
}


def vet_map(outcome: VetOutcome, system: System) -> Picture:
    """Draw the field as a poster, every zone with its verdict.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    system : str
        ``"us"`` or ``"metric"``.
    """
    prescription, solution, verdict = outcome.prescription, outcome.solution, outcome.vetting.verdict
    plan = (
        f"{solution.bar.name} at {said_range(*solution.plan.speed, 'speed', system)}, liquid "
        f"{said_liquid(solution.plan, system)}"
    )
    return field_map(
        prescription.zones,
        [Panel("", verdict.tolist())],
        VERDICT_SYMBOLS,
        label=prescription.zone_id if len(prescription.row) <= _MOST_LABELS else None,
        system=system,
        heading=Heading(held_text(verdict), f"{prescription.path.name}: {plan}", SHORT_CAUTION),
    )


def vet_windows(outcome: VetOutcome, system: System) -> Picture:
    """Draw the rates the bar can deliver as a poster, with those of the map in it.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    system : str
        ``"us"`` or ``"metric"``.
    """
    solution, vetting = outcome.solution, outcome.vetting
    asked = PlannedRates(outcome.rate, outcome.prescription.area, vetting.verdict, *vetting.driven)
    heading = Heading(f"Rates {solution.bar.name} can deliver", footer=SHORT_CAUTION)
    return window_panels(solution, asked, system, heading)


def write_vetting(
    outcome: VetOutcome,
    folder: Path,
    document: dict[str, Any],
    system: System,
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> tuple[list[str], list[str]]:
    """Write zones with verdicts, maps and the JSON into a folder, all of them or none.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
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

    tell(f"writing {folder}")
    prescription = outcome.prescription
    same_format = _OUTPUTS.get(prescription.file_format)
    notes: list[str] = []
    names = ["zones.gpkg", "map.png", "window.png", "vet.json"] + ([same_format[0]] if same_format else [])
    columns = zone_columns(outcome)
    with OutputFolder(folder, replace=replace, protect=protect) as out:
        out.claim(names)
        write_zones(
            out.stage("zones.gpkg"), prescription.table, columns, driver="GPKG", note=notes.append, style=VERDICT_STYLE
        )
        if same_format:
            write_zones(
                out.stage(same_format[0]), prescription.table, columns, driver=same_format[1], note=notes.append
            )
        out.stage("map.png").write_bytes(vet_map(outcome, system)[0])
        out.stage("window.png").write_bytes(vet_windows(outcome, system)[0])
        out.stage("vet.json").write_text(document_text(document), encoding="utf-8")
    return names, notes
