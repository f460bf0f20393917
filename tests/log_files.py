"""Writes as-applied logs for tests: rows placed by metres on a made-up field, in any dialect or format."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pyproj

# A made-up place: metres are laid out in an equal-area frame there, as the reader's own frame would.
LON, LAT = -93.5, 42.0
FRAME = pyproj.CRS.from_proj4(f"+proj=laea +lat_0={LAT} +lon_0={LON} +datum=WGS84 +units=m")


def degrees(x: Sequence[float], y: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude of metres east and north of the place, along the geodesic (pyproj.Geod).

    The inverse of the equal-area projection in PROJ would be off by 0.7 mm at its very centre.
    """
    east, north = np.asarray(x, float), np.asarray(y, float)
    lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(
        np.full(east.shape, LON), np.full(east.shape, LAT), np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    )
    return np.asarray(lon), np.asarray(lat)


def stamps(seconds: Sequence[float], start: str = "2026-04-13T14:05:07", zone: str = "Z") -> list[str]:
    """ISO 8601 times, in whole seconds."""
    return [f"{np.datetime64(start, 's') + np.timedelta64(round(s), 's')}{zone}" for s in seconds]


def north_run(count: int, *, step: float = 2.0, x: float = 0.0) -> dict[str, list[object]]:
    """Columns of a straight run north: a record a second."""
    lon, lat = degrees([x] * count, [step * at for at in range(count)])
    return {
        "Time": list(stamps(range(count))),
        "Longitude": [f"{value:.10f}" for value in lon],
        "Latitude": [f"{value:.10f}" for value in lat],
        "Applied Rate (lb N/ac)": [150.0] * count,
        "Target Rate (lb N/ac)": [160.0] * count,
        "Swath Width (ft)": [60.0] * count,
    }


def write_csv(
    path: Path, columns: Mapping[str, Sequence[object]], *, mark: str = ",", comma: bool = False, bom: bool = False,
    head: str = "",
) -> Path:  # fmt: skip
    """Write columns as they are; with `comma` every decimal point of a number becomes a comma."""

    def cell(value: object) -> str:
        text = "" if value is None else str(value)
        if comma and text.replace(".", "", 1).lstrip("-").isdigit():
            text = text.replace(".", ",")
        return f'"{text}"' if mark in text else text

    rows = [mark.join(cell(name) for name in columns)]
    rows += [mark.join(cell(value) for value in row) for row in zip(*columns.values(), strict=True)]
    path.write_bytes((b"\xef\xbb\xbf" if bom else b"") + (head + "\n".join(rows) + "\n").encode())
    return path
