"""A field's part of the season's data set: one schema whatever the job, so that all parts open as one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.season.catalog import Entry

if TYPE_CHECKING:
    import geopandas

__all__ = ["ZONE_COLUMNS", "zone_table"]

_DIGITS: Final = 6

ZONE_COLUMNS: Final[dict[str, str]] = {
    "field_id": "string",
    "job": "string",
    "zone": "Int64",
    "zone_id": "string",
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


def zone_table(entry: Entry, columns: Mapping[str, Any], shapes: Any, crs: Any) -> geopandas.GeoDataFrame:
    """Give a field's zones as a part of the data set.

    Parameters
    ----------
    entry : Entry
        The field.
    columns : mapping of str to sequence, shape (zones,)
        Some of `ZONE_COLUMNS`; others are left out. NaN, None and empty texts say that there is nothing.
    shapes : ndarray of Polygon or MultiPolygon, shape (zones,)
        In the local frame `crs`.
    crs : pyproj.CRS
        The frame.
    """
    import geopandas
    import pandas

    def column(name: str, kind: str) -> Any:
        same = {"field_id": entry.field, "job": entry.job}.get(name)
        values = columns.get(name, [same] * len(shapes))
        if kind == "Float64":
            values = np.round(np.array(values, dtype=np.float64), _DIGITS)
        elif kind == "string":
            values = [value or None for value in values]
        return pandas.array(values, dtype=kind)

    frame = geopandas.GeoDataFrame(
        {name: column(name, kind) for name, kind in ZONE_COLUMNS.items()},
        geometry=geopandas.GeoSeries(list(shapes), crs=crs),
    )
    return frame.to_crs(4326)
