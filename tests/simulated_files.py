"""The simulator's logs as files a machine could have written, with its map, its field and its bar file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas
import numpy as np
import pandas
import shapely
from bars import PSI
from log_files import degrees
from simulator import Field, Truth, simulate

from geoflow.ground.applied_log import AppliedLog

__all__ = ["BAR", "ROW", "Files", "bar_text", "in_degrees", "table_of", "write"]

AIR, POUND, ROW = 101325.0, 0.45359237, 30 * 0.0254
START = np.datetime64("2026-04-13T14:05:07", "ms")

# The bar of `simulator.sound_bar`, as a file.
BAR = """\
name = "test bar"
row_spacing = "30 in"

[[sections]]
name = "left"
rows = 8
orifice = "only"

[[sections]]
name = "right"
rows = 8
orifice = "only"

[orifices.only]
diameter = "0.070 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.0
flash_weight = 0.0

[row_hose]
back_pressure = "6.5 psi"

[suction]
head = "0.3 m"
length = "12 ft"
bore = "1.5 in"
fittings_k = 8.0

[pump]
max_flow = "45 gpm"
max_rise = "110 psi"

[meter]
pulses_per_gallon = 700
min_flow = "2 gpm"
max_flow = "60 gpm"

[control_valve]
cv = 30

[limits]
max_pressure = "200 psi"
liquid_margin = "5 psi"
speed = "3.5..7.5 mph"

[controller]
delay = "0.8 s"
time_constant = "1.5 s"
"""


class Files:
    """What `write` wrote: paths, and the truth they hold.

    Attributes
    ----------
    log, target, boundary, bar : Path
        The files.
    truth : Truth
        Of the simulator.
    applied : AppliedLog
        The simulator's own log, its positions those of the sections' centres.
    width : float
        Of the bar [m].
    """

    def __init__(self, folder: Path, truth: Truth, applied: AppliedLog, width: float, suffix: str) -> None:
        self.log, self.target = folder / f"log.{suffix}", folder / "rx.geojson"
        self.boundary, self.bar = folder / "field.gpkg", folder / "bar.toml"
        self.truth, self.applied, self.width = truth, applied, width

    @property
    def usual(self) -> list[str]:
        """Arguments of the command: log, map, boundary and bar."""
        return [
            *("reconcile", str(self.log), "--target", str(self.target), "--bar", str(self.bar)),
            *("--boundary", str(self.boundary)),
        ]


def bar_text(changes: Mapping[str, str]) -> str:
    """Return the bar file with lines put in below table heads, as ``{"[meter]": 'reference_temperature = ...'}``."""
    text = BAR
    for head, line in changes.items():
        assert head in text, head
        text = text.replace(f"{head}\n", f"{head}\n{line}\n")
    return text


def in_degrees(shapes: object) -> geopandas.GeoSeries:
    """Shapes in metres about the made-up place, on longitude and latitude."""
    moved = shapely.transform(
        np.asarray(shapes, dtype=object), lambda points: np.column_stack(degrees(points[:, 0], points[:, 1]))
    )
    return geopandas.GeoSeries(moved, crs=4326)


def table_of(log: AppliedLog, *, stamped: bool = True) -> pandas.DataFrame:
    """One row per section and second; the position is the bar's centre, as one antenna would give it."""
    stands = log.speed == 0.0
    first = np.flatnonzero(~stands)[0]
    # The simulator leaves the standing machine at no place; it stands where it starts.
    x = np.where(stands, (log.x - log.offset * np.cos(log.heading))[first], log.x - log.offset * np.cos(log.heading))
    y = np.where(stands, 0.0, log.y + log.offset * np.sin(log.heading))
    lon, lat = degrees(x, y)
    table = {
        "time": [f"{START + round(at * 1000.0)}Z" for at in log.time],
        "longitude": np.round(lon, 9),
        "latitude": np.round(lat, 9),
        "heading (deg)": np.degrees(log.heading),
        "speed (m/s)": log.speed,
        "step (m)": log.step,
        "section": log.section + 1,
        "on": log.on.astype(int),
        "applied (kg N/ha)": log.applied * 1e4,
        "target (kg N/ha)": log.target * 1e4,
        "flow (lb NH3/min)": log.flow * 60.0 / POUND,
        "pump pressure (psi)": (log.pump_pressure - AIR) / PSI,
        "bar pressure (psi)": (log.bar_pressure - AIR) / PSI,
        "temperature (K)": log.temperature,
    }
    if not stamped:
        del table["time"]
    return pandas.DataFrame(table)


def zones_of(log: AppliedLog, what: Field, width: float) -> geopandas.GeoDataFrame:
    """One zone for each pass and stretch of one rate, as the simulator laid them."""
    shapes, rates = [], []
    for number in range(len(what.offsets)):
        mine = log.on & (log.run == number + 1) & (log.section == log.section.max())
        along = log.y[mine] if what.radius is None or number < len(what.offsets) - 1 else np.cumsum(log.step[mine])
        block = np.minimum(np.floor(along / what.zone_length), np.ceil(what.length / what.zone_length) - 1)
        for one in range(int(np.ceil(what.length / what.zone_length))):
            inside = mine.nonzero()[0][block == one]
            # Records see the rate at their position; the middle one is in the stretch for certain.
            rates.append(round(float(np.median(log.target[inside])) * 1e4, 6))
            low, high = one * what.zone_length, min((one + 1) * what.zone_length, what.length)
            shapes.append(shapely.box(number * width, low, (number + 1) * width, high))
    return geopandas.GeoDataFrame({"kg_n_ha": rates}, geometry=in_degrees(shapes), crs=4326)


def write(folder: Path, what: Field, *, suffix: str = "csv", bar: Mapping[str, str] | None = None) -> Files:
    """Simulate, and write log (by suffix), map, boundary and bar file into a folder."""
    log, truth = simulate(what)
    width = sum(section.rows for section in what.bar.sections) * ROW
    files = Files(folder, truth, log, width, suffix)
    table = table_of(log)
    if suffix == "csv":
        table.to_csv(files.log, index=False)
    elif suffix == "parquet":
        table.to_parquet(files.log)
    else:
        points = geopandas.points_from_xy(table["longitude"], table["latitude"])
        geopandas.GeoDataFrame(table.drop(columns=["longitude", "latitude"]), geometry=points, crs=4326).to_file(
            files.log, driver="GPKG"
        )
    zones_of(log, what, width).to_file(files.target, driver="GeoJSON", COORDINATE_PRECISION=12)
    field = shapely.box(0.0, 0.0, len(what.offsets) * width, what.length)
    geopandas.GeoDataFrame(geometry=in_degrees([field]), crs=4326).to_file(files.boundary, driver="GPKG")
    files.bar.write_text(bar_text(bar or {}), encoding="utf-8")
    return files
