"""Makes the as-applied log of the sample scenario: the Heron bar on Lantern Flat, a day that never was.

Run ``python sample_fields/make_log.py`` to write ``lantern_flat_log.csv`` beside this script anew. What the log holds
is put in on purpose: the rate follows its target with the bar's dead time and time constant, one gap and one overlap
between passes, a row that plugs halfway, and a meter that counts 3 % too much. The bar pressure is the model's own.
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pyproj
import shapely

from geoflow.bar.bar_file import read_bar
from geoflow.base.units import to_si
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.physics.ammonia import saturation

HERE = Path(__file__).parent
FINE, EVERY = 10, 2  # steps a second, seconds between records
OVERCOUNT, PLUGGED_AT, SEED = 1.03, 0.55, 20261
START = "2026-04-21T13:05:00"


def follow(wanted: np.ndarray, delay: float, time_constant: float) -> np.ndarray:
    """Dead time, then a first-order response, at the fine step."""
    late = np.concatenate([np.full(round(delay * FINE), wanted[0]), wanted])[: wanted.size]
    share, now, out = 1.0 - np.exp(-1.0 / (FINE * time_constant)), 0.0, np.empty_like(late)
    for at, value in enumerate(late):
        now += share * (value - now)
        out[at] = now
    return out


def drive(field: geopandas.GeoDataFrame, width: float) -> pandas.DataFrame:
    """Passes east and west over the field at 5 mph, slower where they begin and end; metres and seconds, fine steps."""
    ground = shapely.union_all(field.geometry).buffer(0.01)
    west, south, east, north = ground.bounds
    parts, clock, y = [], 0.0, south + 0.5 * width
    number = 0
    while y < north:
        inside = shapely.get_parts(shapely.intersection(ground, shapely.LineString([(west, y), (east, y)])))
        if len(inside):
            left, right = (min(line.bounds[0] for line in inside), max(line.bounds[2] for line in inside))
            length = right - left
            seconds = np.arange(1, int(length / 1.2) * FINE) / FINE
            slow = np.interp(seconds, [0.0, 6.0], [0.75, 1.0])
            way = np.cumsum(slow * 2.2352) / FINE
            seconds, way, slow = seconds[way < length], way[way < length], slow[way < length]
            x = left + way if number % 2 == 0 else right - way
            on = shapely.contains_xy(ground, x, y)
            heading = 90.0 if number % 2 == 0 else 270.0
            parts.append(
                pandas.DataFrame(
                    {"time": clock + seconds, "x": x, "y": y, "heading": heading, "speed": slow * 2.2352, "on": on}
                )
            )
            clock += float(seconds[-1]) + 25.0
        number += 1
        # The guess row: once too far over, once not far enough.
        y += width + {12: 0.9, 20: -1.2}.get(number, 0.0)
    return pandas.concat(parts, ignore_index=True)


def make(folder: Path) -> None:
    """Write the log into a folder that holds the field and the bar."""
    bar = read_bar(folder / "heron.toml")
    field = geopandas.read_file(folder / "lantern_flat.shp", engine="pyogrio")
    field = field.to_crs(pyproj.CRS.from_proj4("+proj=laea +lat_0=42.2 +lon_0=-93.3 +datum=WGS84 +units=m"))
    rows = drive(field, bar.width)
    zone = geopandas.sjoin(
        geopandas.GeoDataFrame(geometry=shapely.points(rows["x"], rows["y"]), crs=field.crs), field, how="left"
    )
    asked = zone[~zone.index.duplicated()]["lb_n_ac"].ffill().bfill().to_numpy()
    target = np.where(rows["on"], asked, 0.0)
    si = to_si(target, "nitrogen rate", "lb/acre")
    begins = np.diff(rows["heading"], prepend=np.nan) != 0.0
    number = np.cumsum(begins)
    wanted = si * rows["speed"].to_numpy() * bar.width / bar.nitrogen_fraction
    assert bar.controller is not None
    counted = np.concatenate(
        [
            follow(wanted[number == one], bar.controller.delay, bar.controller.time_constant)
            for one in range(1, number.max() + 1)
        ]
    )
    done = rows["time"].to_numpy() / rows["time"].max()
    kelvin = to_si(38.0 + 8.0 * done, "temperature", "degF")
    flow = counted / OVERCOUNT
    # A plugged row leaves fifteen to pass the same flow: the pressure of that flow times 16/15.
    seen = flow * np.where(done > PLUGGED_AT, bar.rows / (bar.rows - 1), 1.0)
    grid = np.linspace(kelvin.min(), kelvin.max(), 33)
    sections = tuple(range(len(bar.sections)))
    nodes = np.linspace(bar.air_pressure, bar.air_pressure + 200 * 6894.757, 400)
    circuit = Circuit(bar, sections, (central_cases(bar, sections)[1],), grid)
    flows = circuit.state(nodes.reshape(1, 1, -1)).flow[0]
    pressure = np.empty(len(rows))
    nearest = np.abs(kelvin[:, None] - grid[None, :]).argmin(axis=1)
    for at in range(grid.size):
        own = nearest == at
        pressure[own] = np.interp(seen[own], flows[at], nodes)
    draw = np.random.default_rng(SEED)
    rest = saturation(kelvin).pressure
    pressure = np.where(rows["on"] & (flow > 0.05), np.maximum(pressure, rest), rest)

    pick = np.arange(EVERY * FINE - 1, len(rows), EVERY * FINE)
    lon, lat = pyproj.Transformer.from_crs(field.crs, 4326, always_xy=True).transform(rows["x"], rows["y"])
    time = np.datetime64(START, "ms") + (rows["time"].to_numpy()[pick] * 1000.0).round().astype("timedelta64[ms]")
    rate = counted * bar.nitrogen_fraction / (rows["speed"].to_numpy() * bar.width)
    shown = rate[pick] / to_si(1.0, "nitrogen rate", "lb/acre") * (1.0 + draw.normal(0.0, 0.008, pick.size))
    psi = (pressure[pick] - bar.air_pressure) / 6894.757293168 + draw.normal(0.0, 0.2, pick.size)
    on = rows["on"].to_numpy()[pick]
    log = pandas.DataFrame(
        {
            "time": [f"{moment}Z" for moment in time.astype(str)],
            "longitude": np.round(lon[pick], 8),
            "latitude": np.round(lat[pick], 8),
            "heading (deg)": rows["heading"].to_numpy()[pick],
            "speed (mph)": np.round(rows["speed"].to_numpy()[pick] / 0.44704, 2),
            "on": on.astype(int),
            "target (lb N/ac)": target[pick],
            "applied (lb N/ac)": np.where(on, np.round(shown, 1), 0.0),
            "flow (lb NH3/min)": np.round(np.where(on, counted[pick] * 60.0 / 0.45359237, 0.0), 1),
            "bar pressure (psi)": np.round(psi, 1),
            "temperature (degF)": np.round(38.0 + 8.0 * done[pick], 1),
        }
    )
    log.to_csv(folder / "lantern_flat_log.csv", index=False, lineterminator="\n")
    shown_mass = float((flow * on_mask(rows)).sum() / FINE / 0.45359237)
    print(f"ammonia that went out: {shown_mass:,.0f} lb")


def on_mask(rows: pandas.DataFrame) -> np.ndarray:
    return rows["on"].to_numpy().astype(float)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
