"""Splits a made-up season's log of one machine by field, and prints time for each point, the most memory, and counts.

Run ``python tests/benchmarks/split_speed.py [--points 10000000] [--fields 150] [--form csv] [--backwards]``. The log is
written here, a part at a time: passes over each field, one field after the other, every fifth of them touching the one
before it, with a way from field to field. Then the command runs in a process of its own, once for one field's points
and once for all of them.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas
import shapely

DEGREE, LAT, LON = 111_195.0, 41.9, -93.6
APART, LANE, STEP, ROAD = 1500.0, 12.0, 0.9, 200


def corner(number: int, side: float) -> tuple[float, float]:
    """West and south of a field [m]; every fifth touches the one before it."""
    at = number - (number % 5 == 4)
    east, north = (at % 15) * APART, (at // 15) * APART
    return east + (side if number % 5 == 4 else 0.0), north


def in_degrees(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Metres east and north as longitude and latitude, near enough for a made-up place."""
    return LON + x / (DEGREE * np.cos(np.radians(LAT))), LAT + y / DEGREE


def outlines(folder: Path, fields: int, side: float) -> None:
    """Write the outlines of the fields, each of 200 corners."""
    folder.mkdir()
    for number in range(fields):
        west, south = corner(number, side)
        square = shapely.segmentize(shapely.box(west, south, west + side, south + side), side / 50.0)
        ring = np.column_stack(in_degrees(*shapely.get_coordinates(square).T)).round(8).tolist()
        shape = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        text = json.dumps({"type": "FeatureCollection", "features": [shape]})
        (folder / f"field_{number:03d}.geojson").write_text(text, encoding="utf-8")


def positions(number: int, points: int, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Passes north and south over a field, and the way to the next [m]."""
    west, south = corner(number, side)
    in_lane = int(side / STEP)
    lane, along = np.divmod(np.arange(points - ROAD), in_lane)
    y = south + np.where(lane % 2 == 0, along, in_lane - 1 - along) * STEP + STEP / 2.0
    x = west + LANE / 2.0 + lane * LANE
    far = south + side + 200.0
    return np.concatenate([x, np.full(ROAD, x[-1])]), np.concatenate([y, np.full(ROAD, far)])


def write_log(path: Path, fields: int, points: int, side: float, *, backwards: bool = False) -> None:
    """Write the log, field by field; the last first with `backwards`, so that it has to be put in order."""
    head = True
    for number in reversed(range(fields)) if backwards else range(fields):
        lon, lat = in_degrees(*positions(number, points, side))
        clock = np.datetime64("2026-04-01T06:00:00") + number * np.timedelta64(points + 5000, "s")
        rate = 150.0 + np.arange(points) % 40
        rate[-ROAD:] = 0.0
        table = pandas.DataFrame(
            {
                "time": (clock + np.arange(points).astype("timedelta64[s]")).astype(str),
                "longitude": lon.round(8),
                "latitude": lat.round(8),
                "speed (mph)": 4.5,
                "target (lb N/ac)": 170.0,
                "applied (lb N/ac)": rate,
                "width (ft)": 40.0,
                "bar pressure (psi)": 60.0,
            }
        )
        table["time"] += "Z"
        table.to_csv(path, mode="w" if head else "a", header=head, index=False)
        head = False


def as_parquet(path: Path) -> Path:
    """The same log as Parquet."""
    import pyarrow.csv
    import pyarrow.parquet

    target = path.with_suffix(".parquet")
    with pyarrow.csv.open_csv(path) as parts, pyarrow.parquet.ParquetWriter(target, parts.schema) as file:
        for part in parts:
            file.write_batch(part)
    return target


def measured(folder: Path, log: Path, name: str) -> tuple[float, float, dict[str, object]]:
    """Split a log; return its time [s], the most memory of its process [GB] and what it says."""
    command = [sys.executable, "-m", "geoflow.cli", "season", "--make", str(folder / name / "catalog.csv")]
    command += ["--glob", str(log), "--outlines", str(folder / "outlines"), "--json", str(folder / f"{name}.json")]
    code = (
        "import resource, subprocess, sys, time; began = time.perf_counter(); "
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL); "
        "used = resource.getrusage(resource.RUSAGE_CHILDREN); "
        "print(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss, done.returncode)"
    )
    said = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, text=True, check=True)
    seconds, busy, most, returned = map(float, said.stdout.split())
    assert returned in (0, 1), said.stderr
    print(f"{name}: {seconds:,.1f} s ({busy:,.1f} s of one core), at most {most / 1024**2:.2f} GB", flush=True)
    return busy, most / 1024**2, json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))


def main() -> None:
    """Measure from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=10_000_000)
    parser.add_argument("--fields", type=int, default=150)
    parser.add_argument("--form", choices=("csv", "parquet"), default="csv")
    parser.add_argument("--backwards", action="store_true", help="fields stand in the file the last first")
    options = parser.parse_args()
    each = options.points // options.fields
    side = float(np.ceil(np.sqrt((each - ROAD) * STEP * LANE) / LANE) * LANE)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        outlines(folder / "outlines", options.fields, side)
        began = time.perf_counter()
        for name, fields in (("one", 1), ("all", options.fields)):
            write_log(folder / f"{name}.csv", fields, each, side, backwards=options.backwards)
        print(f"written in {time.perf_counter() - began:,.0f} s: {(folder / 'all.csv').stat().st_size / 1e9:.2f} GB")
        for name, fields in (("one", 1), ("all", options.fields)):
            log = folder / f"{name}.csv"
            log = as_parquet(log) if options.form == "parquet" else log
            busy, _, said = measured(folder, log, name)
            inside, outside = said["records_in_fields"], said["records_in_no_field"]
            assert (inside, outside) == (fields * (each - ROAD), fields * ROAD), (inside, outside)
            assert said["fields"] == fields
            print(f"  {1e6 * busy / (fields * each):.2f} us a point; {inside:,} in fields, {outside:,} in none")


if __name__ == "__main__":
    main()
