"""A field's part of the season's data set: one schema whatever the job, so that all parts open as one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.season.catalog import Entry

if TYPE_CHECKING:
    import geopandas

    from geoflow.outcomes import ReconcileOutcome

__all__ = ["ZONE_COLUMNS", "log_zones", "prescription_zones"]

ZONE_COLUMNS: Final[dict[str, str]] = {
    "field_id": "string",
    "job": "string",
    "zone": "Int64",
    "area_ac": "Float64",
    "asked_lb_n_ac": "Float64",
    "after_lb_n_ac": "Float64",
    "applied_lb_n_ac": "Float64",
    "ratio": "Float64",
    "within_10": "Float64",
    "covered_ac": "Float64",
    "missed_ac": "Float64",
    "doubled_ac": "Float64",
    "verdict": "string",
    "verdict_before": "string",
    "side": "string",
    "limited_by": "string",
    "speed_low_mph": "Float64",
    "speed_high_mph": "Float64",
    "liquid_margin_psi": "Float64",
    "reason": "string",
}
"""Columns of the data set with their pandas types; a column a job knows nothing of is empty."""


def _table(entry: Entry, rows: list[dict[str, Any]], shapes: Any, crs: Any) -> geopandas.GeoDataFrame:
    import geopandas
    import pandas

    columns = {
        name: pandas.array([row.get(name) for row in rows], dtype=kind)
        for name, kind in ZONE_COLUMNS.items()
        if name not in {"field_id", "job"}
    }
    same = {"field_id": entry.field, "job": entry.job}
    columns |= {name: pandas.array([text] * len(rows), dtype="string") for name, text in same.items()}
    frame = geopandas.GeoDataFrame(
        {name: columns[name] for name in ZONE_COLUMNS}, geometry=geopandas.GeoSeries(list(shapes), crs=crs)
    )
    return frame.to_crs(4326)


def prescription_zones(entry: Entry, rows: list[dict[str, Any]], shapes: Any, crs: Any) -> geopandas.GeoDataFrame:
    """Give the zones of a vetted or rewritten prescription.

    Parameters
    ----------
    entry : Entry
        The field.
    rows : list of dict
        Some of `ZONE_COLUMNS` for each zone.
    shapes : ndarray of Polygon or MultiPolygon, shape (zones,)
        In the local frame `crs`.
    crs : pyproj.CRS
        The frame.
    """
    return _table(entry, rows, shapes, crs)


def log_zones(
    entry: Entry, outcome: ReconcileOutcome, document: dict[str, Any], row: dict[str, Any]
) -> geopandas.GeoDataFrame:
    """Give the zones of a reconciled log; without a map one row for the whole field, its zone empty."""
    zones = document["zones"]
    if zones:
        rows = [
            {
                **{name: zone[name] for name in ZONE_COLUMNS if name in zone},
                "asked_lb_n_ac": zone["target_lb_n_ac"],
            }
            for zone in zones
        ]
        return _table(entry, rows, outcome.zones, outcome.read.local_crs)
    totals = document["totals"]
    asked, applied = totals["target_mean_lb_n_ac"], totals["ground_mean_lb_n_ac"]
    whole = {name: row[name] for name in ZONE_COLUMNS if name in row}
    whole |= {"asked_lb_n_ac": asked, "applied_lb_n_ac": applied}
    whole["ratio"] = applied / asked if applied is not None and asked else None
    return _table(entry, [whole], np.array([outcome.boundary], dtype=object), outcome.read.local_crs)
