"""Writing what came of a reconciled log: zones, rasters, layers, pictures and the JSON, all of them or none."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.memory import give_back
from geoflow.base.progress import tell
from geoflow.base.schema import GROUND_COLUMNS
from geoflow.base.units import System, from_si, parse
from geoflow.files.output import OutputFolder
from geoflow.layers.ground_rasters import GroundGrid, write_raster
from geoflow.layers.package_tables import dress_layer
from geoflow.layers.quad_layer import quad_wkb, write_shapes
from geoflow.log_files.read_log import save_mapping
from geoflow.outcomes import ReconcileOutcome
from geoflow.reconciliation.causes import WORDS
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.findings import finding_place, finding_text
from geoflow.report.ground_figures import (
    ORIFICE_WORDS,
    RATES_WORDS,
    SPREAD_WORDS,
    orifice_figure,
)
from geoflow.report.json_numbers import document_text
from geoflow.report.layer_styles import FINDING_STYLE, RATIO_STYLE
from geoflow.report.reconciled import Ground, ground_map, rates_chart, spread_chart
from geoflow.report.reconciled_words import answer
from geoflow.report.reconciling import ZONE_COLUMNS
from geoflow.report.symbology import PASSES
from geoflow.workflow.laid_ground import laid_ground, orifice_series

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["ground_poster", "strip_columns", "write_columns", "write_reconciliation"]

# Strips written at once.
_BLOCK: Final = 100_000


def write_columns(outcome: ReconcileOutcome, path: Path, *, replace: bool, protect: tuple[Path, ...]) -> None:
    """Save the column roles that were used, for the next log of the same machine.

    Parameters
    ----------
    outcome : ReconcileOutcome
        What the workflow gave.
    path : Path
        Where to.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.
    """

    save_mapping(path, outcome.read.columns, replace=replace, protect=protect)


def _pounds(rate: FloatArray) -> FloatArray:
    return np.round(np.asarray(from_si(rate, "nitrogen rate", "lb/acre")), 3)


def strip_columns(outcome: ReconcileOutcome) -> dict[str, np.ndarray[Any, Any]]:
    """Say of every record that covers ground what was applied there, asked, and why it is off.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    found, log = outcome.found, outcome.found.log
    at = np.flatnonzero(found.ground)
    cause = np.zeros(log.row.size, dtype=np.int8)
    # A strip in several zones shows the cause of its largest piece.
    order = np.argsort(found.piece_area, kind="stable")
    cause[found.strip[order]] = found.piece_cause[order]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(log.target > 0.0, found.rate / log.target, np.nan)
    return {
        "log_row": log.row[at],
        "time_s": np.round(log.time[at], 3),
        "section": log.section[at],
        "applied_lb_n_ac": _pounds(found.rate[at]),
        "target_lb_n_ac": _pounds(log.target[at]),
        "ratio": np.round(ratio[at], 4),
        "cause": np.array(WORDS, dtype=object)[cause[at]],
    }


def _write_rasters(out: OutputFolder, grid: GroundGrid, crs: Any) -> None:
    """Write what lay on the ground as GeoTIFFs."""
    applied = np.asarray(from_si(grid.applied, "nitrogen rate", "lb/acre"))
    write_raster(out.stage("applied.tif"), applied, grid, crs, what="nitrogen applied", unit="lb N/ac")
    write_raster(out.stage("ratio.tif"), grid.ratio, grid, crs, what="applied over target", unit="1")
    passes = np.where(grid.field | (grid.passes > 0.0), grid.passes, np.nan)
    write_raster(out.stage("passes.tif"), passes, grid, crs, what="passes", unit="1", colours=PASSES)


def _write_layers(path: Path, outcome: ReconcileOutcome, rows: list[dict[str, Any]]) -> None:
    """Write strips, zones with a row for each, and findings in WGS 84."""
    import geopandas
    import pyogrio
    import shapely

    crs = outcome.read.local_crs
    _write_strips(path, outcome)
    if rows:
        zones = geopandas.GeoDataFrame(rows, geometry=list(outcome.zones), crs=crs).to_crs(4326)
        zones = _with_own_columns(zones, outcome.target)
        pyogrio.write_dataframe(zones, path, layer="zones", driver="GPKG", append=True)
    placed = [(one, finding_place(one, outcome)) for one in outcome.judged]
    known = [(one, place) for one, place in placed if place is not None]
    if known:
        findings = geopandas.GeoDataFrame(
            {
                "kind": [one.kind for one, _ in known],
                "text": [finding_text(one, outcome, "us") for one, _ in known],
                "confidence": [one.confidence for one, _ in known],
            },
            geometry=[shapely.Point(place) for _, place in known],
            crs=4326,
        )
        pyogrio.write_dataframe(findings, path, layer="findings", driver="GPKG", append=True)
    styles = {"strips": RATIO_STYLE, "zones": RATIO_STYLE, "findings": FINDING_STYLE}
    for layer in ("strips", *(["zones"] if rows else []), *(["findings"] if known else [])):
        dress_layer(path, layer, styles[layer], GROUND_COLUMNS)


def _write_strips(path: Path, outcome: ReconcileOutcome) -> None:
    """Write the strips, a block of them at a time."""
    import pyproj
    import shapely

    found, columns = outcome.found, strip_columns(outcome)
    at, onward = np.flatnonzero(found.ground), pyproj.Transformer.from_crs(outcome.read.local_crs, 4326, always_xy=True)

    def to_degrees(points: FloatArray) -> FloatArray:
        return np.column_stack(onward.transform(*points.T))

    for first in range(0, at.size, _BLOCK):
        some = slice(first, first + _BLOCK)
        if found.strips.drawn is None:
            corners = found.strips.quads[some]
            shapes = quad_wkb(to_degrees(corners.reshape(-1, 2)).reshape(corners.shape))
        else:
            shapes = shapely.to_wkb(shapely.transform(found.strips.shapes(at[some]), to_degrees))
        held = {name: values[some] for name, values in columns.items()}
        write_shapes(path, "strips", shapes, held, "EPSG:4326", append=first > 0)


def _with_own_columns(zones: Any, target: Prescription | None) -> Any:
    """Put the columns of the target map itself before ours; one that is called like ours gets ``_map`` behind it."""
    if target is None:
        return zones
    same = [target.zone_id_column] if str(target.zone_id_column).casefold() == "zone_id" else []
    own = target.table.drop(columns=[target.table.geometry.name, *same]).iloc[target.row].reset_index(drop=True)
    ours = {str(name).casefold() for name in (*zones.columns, "fid", "geom")}
    own.columns = [f"{name}_map" if str(name).casefold() in ours else str(name) for name in own.columns]
    own = own.loc[:, ~own.columns.str.casefold().duplicated()]
    return zones.__class__(own.join(zones), geometry="geometry", crs=zones.crs)


def _numbered(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Count the zones as people do, from 1."""
    return [{**row, "zone": row["zone"] + 1} for row in rows]


def _write_zones(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ZONE_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def ground_poster(outcome: ReconcileOutcome, ground: Ground, system: System) -> Picture:
    """Draw what was applied over what was asked, as a poster.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    ground : Ground
        From `laid_ground`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    heading = Heading(f"Applied over target: {outcome.read.path.name}", answer(outcome, system), SHORT_CAUTION)
    return ground_map(outcome, ground, system, heading)


def _cell_size(cell: str | None) -> float | None:
    """Side of a cell [m], where it is said."""
    size = None if cell is None else parse(cell, "length", where="--cell")
    if size is not None and not size > 0.0:
        raise UsageError(f"'{cell}' is no size of a cell", where="--cell", cure='give it like "3 ft"')
    return size


def write_reconciliation(
    outcome: ReconcileOutcome,
    folder: Path,
    document: dict[str, Any],
    system: System,
    *,
    cell: str | None = None,
    replace: bool,
    protect: tuple[Path, ...],
) -> list[str]:
    """Write everything into a folder; return the names of the files.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    folder : Path
        Where to.
    document : dict
        The JSON.
    system : str
        ``"us"`` or ``"metric"``.
    cell : str, optional
        Side of the rasters' cells, with unit; fine enough for the field without it.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Raises
    ------
    OutputError
        If something is there already and `replace` is not set, or the folder cannot be written.
    """
    found, crs = outcome.found, outcome.read.local_crs
    if not found.ground.any():
        raise UsageError(
            "no record of the log covers ground, so there is nothing to write", where="--out", cure="leave --out out"
        )
    series, name = orifice_series(outcome), outcome.read.path.name
    names = ["applied.tif", "ratio.tif", "passes.tif", "reconcile.gpkg", "reconcile.json", "map.png", "causes.png"]
    names += ["zones.csv"] if found.zones is not None else []
    names += ["rates.png"] if found.agreement.area > 0.0 else []
    names += ["orifices.png"] if series is not None and series.place.size else []
    tell(f"writing {folder}")
    give_back()
    with OutputFolder(folder, replace=replace, protect=protect) as out:
        out.claim(names)
        ground = laid_ground(outcome, series, _cell_size(cell))
        _write_rasters(out, ground.grid, crs)
        give_back()
        rows = _numbered(document["zones"])
        _write_layers(out.stage("reconcile.gpkg"), outcome, rows)
        out.stage("reconcile.json").write_text(document_text(document), encoding="utf-8")
        if found.zones is not None:
            _write_zones(out.stage("zones.csv"), rows)
        give_back()
        out.stage("map.png").write_bytes(ground_poster(outcome, ground, system)[0])
        give_back()
        heading = Heading(f"How the ground came out, and why: {name}", footer=SPREAD_WORDS)
        out.stage("causes.png").write_bytes(spread_chart(outcome, system, heading)[0])
        give_back()
        heading = Heading(f"Rates asked and given: {name}", footer=RATES_WORDS)
        rates = rates_chart(outcome, system, heading)
        if rates is not None:
            out.stage("rates.png").write_bytes(rates[0])
        if "orifices.png" in names and series is not None:
            heading = Heading(f"Effective orifice area: {name}", footer=ORIFICE_WORDS)
            out.stage("orifices.png").write_bytes(orifice_figure(series, heading)[0])
    return sorted(names)
