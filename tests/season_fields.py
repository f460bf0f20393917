"""Makes a season for tests and benchmarks: bars, one of them worn, target maps and logs with known truth."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pyproj

from geoflow.bar.bar_file import read_bar
from geoflow.base.units import to_si
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit

__all__ = ["BARS", "WORN", "catalog_rows", "make_season", "write_catalog"]

HERON = Path(__file__).parent.parent / "sample_fields" / "heron.toml"
BARS, WORN, AREA = ("Teal", "Plover", "Avocet"), "Avocet", 1.15
DEGF, MPH, STEP, PER_PASS, BLOCKS = 42.0, 4.5, 2.01168, 200, 6
LON, LAT, APART = -93.6, 41.9, 0.03


def _pressures(bar_file: Path) -> tuple[np.ndarray, np.ndarray, float]:
    """Flow of the whole bar [kg/s] by pressure after the control valve [psi gauge], and the bar's width [m]."""
    bar = read_bar(bar_file)
    sections = tuple(range(len(bar.sections)))
    nodes = np.linspace(bar.air_pressure + 5e5, bar.air_pressure + 200 * 6894.757, 300)
    kelvin = np.array([float(to_si(DEGF, "temperature", "degF"))])
    flow = Circuit(bar, sections, (central_cases(bar, sections)[1],), kelvin).state(nodes.reshape(1, 1, -1)).flow[0, 0]
    return flow, (nodes - bar.air_pressure) / 6894.757293168, bar.width


def _field(folder: Path, number: int, points: int, curve: tuple[np.ndarray, np.ndarray, float], area: float) -> None:
    """Write a target map and a log: passes north and south, the rate two seconds behind its target."""
    draw = np.random.default_rng(1000 + number)
    flows, psi, width = curve
    lane, along = np.divmod(np.arange(points), PER_PASS)
    up = lane % 2 == 0
    lanes = int(lane.max()) + 1
    length = PER_PASS * STEP
    y = np.where(up, along + 1, PER_PASS - along - 1) * STEP
    x = (lane + 0.5) * width
    rates = draw.choice([160.0, 180.0, 200.0], size=(lanes, BLOCKS))
    block = np.minimum((y / length * BLOCKS).astype(int), BLOCKS - 1)
    # A map cell spans ten passes; the log asks what the map does.
    group = lane // 10
    target = rates[group, block]
    applied = np.where(along < 2, target, target[np.maximum(np.arange(points) - 2, 0)])
    si = to_si(applied, "nitrogen rate", "lb/acre")
    flow = np.asarray(si) * to_si(MPH, "speed", "mile/hour") * width / 0.82
    pressure = np.interp(flow / area, flows, psi) + draw.normal(0.0, 0.2, points)
    centre = (LON + APART * (number % 20), LAT + APART * (number // 20))
    frame = pyproj.CRS.from_proj4(f"+proj=laea +lat_0={centre[1]} +lon_0={centre[0]} +datum=WGS84 +units=m")
    onward = pyproj.Transformer.from_crs(frame, 4326, always_xy=True)
    lon, lat = onward.transform(x, y)
    clock = np.datetime64("2026-04-20T08:00:00") + (np.arange(points) + 25 * lane).astype("timedelta64[s]")
    name = f"field_{number:04d}"
    with (folder / "logs" / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(
            [
                *("time", "longitude", "latitude", "heading (deg)", "speed (mph)", "target (lb N/ac)"),
                *("applied (lb N/ac)", "flow (lb NH3/min)", "bar pressure (psi)", "temperature (degF)"),
            ]
        )
        writer.writerows(
            zip(
                [f"{moment}Z" for moment in clock.astype(str)],
                np.round(lon, 8).tolist(),
                np.round(lat, 8).tolist(),
                np.where(up, 0.0, 180.0).tolist(),
                [MPH] * points,
                target.tolist(),
                np.round(applied * (1 + draw.normal(0, 0.01, points)), 1).tolist(),
                np.round(flow * 60 / 0.45359237, 2).tolist(),
                np.round(pressure, 1).tolist(),
                [DEGF] * points,
                strict=True,
            )
        )
    zones = []
    for column in range(0, lanes, 10):
        for row in range(BLOCKS):
            west, east = column * width, min(column + 10, lanes) * width
            south, north = row * length / BLOCKS, (row + 1) * length / BLOCKS
            ring = [(west, south), (east, south), (east, north), (west, north), (west, south)]
            corners = [list(map(float, onward.transform(*point))) for point in ring]
            zones.append(
                {
                    "type": "Feature",
                    "properties": {"rate": float(rates[column // 10, row])},
                    "geometry": {"type": "Polygon", "coordinates": [corners]},
                }
            )
    text = json.dumps({"type": "FeatureCollection", "features": zones})
    (folder / "maps" / f"{name}.geojson").write_text(text, encoding="utf-8")


def make_season(folder: Path, fields: int, points: int, *, distinct: int | None = None) -> Path:
    """Write bars, maps and logs of a season; field n is done with bar n of three, of which `WORN` is worn by 15 %.

    With `distinct`, only so many logs are made and the others are copies of them.
    """
    for name in ("logs", "maps", "bars"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    text = HERON.read_text(encoding="utf-8")
    for name in BARS:
        (folder / "bars" / f"{name}.toml").write_text(text.replace('"Heron"', f'"{name}"'), encoding="utf-8")
    curve = _pressures(folder / "bars" / f"{BARS[0]}.toml")
    made = fields if distinct is None else min(fields, len(BARS) * max(1, distinct // len(BARS)))
    for number in range(fields):
        if number < made:
            _field(folder, number, points, curve, AREA if BARS[number % len(BARS)] == WORN else 1.0)
            continue
        for kind, ending in (("logs", "csv"), ("maps", "geojson")):
            source = folder / kind / f"field_{number % made:04d}.{ending}"
            shutil.copyfile(source, folder / kind / f"field_{number:04d}.{ending}")
    return folder


def catalog_rows(fields: int, jobs: tuple[str, ...] = ("reconcile",)) -> list[dict[str, str]]:
    """Rows of a catalog of such a season, the jobs in turn."""
    rows = []
    for number in range(fields):
        name, job = f"field_{number:04d}", jobs[number % len(jobs)]
        row = {"field": name, "job": job, "bar": f"bars/{BARS[number % len(BARS)]}.toml"}
        if job == "reconcile":
            row |= {"log": f"logs/{name}.csv", "target": f"maps/{name}.geojson", "target_rate_unit": "lb N/ac"}
        else:
            row |= {"prescription": f"maps/{name}.geojson", "rate_unit": "lb N/ac", "rate_column": "rate"}
            row |= {"temperature": "38..46 degF", "speed": "4.5 mph"}
            row |= {"policy": "hold-speed"} if job == "rewrite" else {}
        rows.append(row)
    return rows


def write_catalog(path: Path, rows: list[dict[str, str]]) -> Path:
    """Write rows as a CSV, whatever columns they have."""
    head = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, head, lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path
