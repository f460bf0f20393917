"""Strips of a log laid on zones, and the whole comparison, against the plain way in geopandas, in one run.

Run ``python tests/benchmarks/overlay_speed.py [POINTS ...]`` (default 50000 200000 1000000), on 200 and
5,000 zones each.
The bars: at least 10 x faster at 200,000 points, time per point not growing, peak memory under 1.5 GB at 1,000,000.
Every measurement runs in a process of its own, so that its peak memory is its own. All ways start from the same arrays
of longitude, latitude, heading and step: `overlay` lays strips on zones, `reconcile` does that and agreement, lag,
shifts and causes; the plain way does to_crs, rectangles, overlay with the zones and groupby, then a union for the
ground covered, then an sjoin of the rectangles with themselves for ground covered twice. Above 200,000 points the plain
way is left out unless --plain-limit says otherwise. With --command the whole command runs too: a CSV of the points and
a GeoPackage of the zones in, text and all output files out.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import math
import multiprocessing
import os
import resource
import tempfile
import time
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pyproj
import shapely

from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.geometry import local_frame
from geoflow.ground.laid_strips import lay_strips
from geoflow.ground.swaths import ground_rates, overlay
from geoflow.reconciliation.field import TargetMap, reconcile

LONGITUDE, LATITUDE, HEADING = -93.6, 42.0, math.radians(13.0)
WIDTH, STEP, PER_PASS = 18.288, 2.2, 400
PLAIN_LIMIT = 200_000


def drive(points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Longitude, latitude, heading and run of passes to and fro on a turned field, weaving a little."""
    number, along = np.divmod(np.arange(points), PER_PASS)
    up = number % 2 == 0
    y = np.where(up, along + 1, PER_PASS - along - 1) * STEP
    x = (number + 0.5) * WIDTH * 0.99 + 0.3 * np.sin(along / 40 + number)
    heading = np.where(up, 0.0, np.pi) + 0.0034 * np.cos(along / 40 + number) + HEADING
    x, y = turned(np.column_stack([x, y])).T
    longitude, latitude = pyproj.Transformer.from_crs(local_frame(LONGITUDE, LATITUDE), 4326, always_xy=True).transform(
        x, y
    )
    return longitude, latitude, heading, number


def turned(points: np.ndarray) -> np.ndarray:
    sin, cos = math.sin(HEADING), math.cos(HEADING)
    return points @ np.array([[cos, -sin], [sin, cos]])


def zones_of(points: int, count: int) -> np.ndarray:
    """About `count` cells over the field, in the local frame."""
    across, along = points / PER_PASS * WIDTH * 0.99, PER_PASS * STEP
    columns = max(1, round(math.sqrt(count * across / along)))
    rows = max(1, round(count / columns))
    x, y = np.meshgrid(np.arange(columns) * across / columns, np.arange(rows) * along / rows)
    boxes = shapely.box(x.ravel(), y.ravel(), x.ravel() + across / columns, y.ravel() + along / rows)
    return np.asarray(shapely.transform(boxes, turned))


def log_of(points: int) -> tuple[AppliedLog, np.ndarray]:
    """Return the log, one record a second, half a minute between passes; targets in stretches of 40 records."""
    longitude, latitude, heading, run = drive(points)
    target = np.repeat(np.random.default_rng(1).choice([0.015, 0.0165, 0.018], points // 40 + 1), 40)[:points]
    x, y = pyproj.Transformer.from_crs(4326, local_frame(LONGITUDE, LATITUDE), always_xy=True).transform(
        longitude, latitude
    )
    blank, none = np.full(points, np.nan), np.zeros(points, dtype=np.int64)
    log = AppliedLog(
        row=np.arange(points), time=np.arange(points) + 30.0 * run, x=x, y=y, heading=heading,
        speed=np.full(points, STEP), step=np.full(points, STEP), section=none, offset=np.zeros(points),
        width=np.full(points, WIDTH), run=run, on=np.ones(points, dtype=bool),
        applied=target * (1.0 + 0.03 * np.sin(np.arange(points) / 50)), target=target, flow=blank, pump_pressure=blank,
        bar_pressure=blank, temperature=blank,
    )  # fmt: skip
    return log, heading


def ours(points: int, count: int) -> dict[str, float]:
    zones = zones_of(points, count)
    start = time.perf_counter()
    log, _ = log_of(points)
    laid_out = lay_strips(log)
    on_ground = ground_rates(log, laid_out.area)
    laid = time.perf_counter()
    found = overlay(laid_out.quads, on_ground[laid_out.ground], zones)
    end = time.perf_counter()
    return {
        "seconds": end - start,
        "strips": laid - start,
        "covered": found.covered,
        "doubled": found.doubled,
        "applied": found.zone_applied.sum(),
        "error": found.error_estimate,
        "zone_error": found.zone_error.max(),
    }


def whole(points: int, count: int) -> dict[str, float]:
    zones = zones_of(points, count)
    asked = TargetMap(zones, np.random.default_rng(2).choice([0.015, 0.0165, 0.018], len(zones)))
    start = time.perf_counter()
    log, _ = log_of(points)
    found = reconcile(log, asked, response_time=5.3)
    return {"seconds": time.perf_counter() - start, "within": found.agreement.within_10}


def command(points: int, count: int) -> dict[str, float]:
    from geoflow import cli

    longitude, latitude, heading, _ = drive(points)
    log, _ = log_of(points)
    with tempfile.TemporaryDirectory() as folder:
        stamps = (np.datetime64("2026-04-13T06:00", "ms") + log.time.astype("timedelta64[s]")).astype(str)
        pandas.DataFrame(
            {
                "time": stamps, "lon": np.round(longitude, 8), "lat": np.round(latitude, 8), "on": 1,
                "heading (deg)": np.round(np.degrees(heading) % 360.0, 2), "applied (kg N/ha)": log.applied * 1e4,
                "target (kg N/ha)": log.target * 1e4,
            }
        ).to_csv(Path(folder) / "log.csv", index=False)  # fmt: skip
        zones = zones_of(points, count)
        geopandas.GeoDataFrame(
            {"kg_n_ha": np.random.default_rng(2).choice([150.0, 165.0, 180.0], len(zones))},
            geometry=zones, crs=local_frame(LONGITUDE, LATITUDE),
        ).to_file(Path(folder) / "rx.gpkg")  # fmt: skip
        wanted = ["reconcile", f"{folder}/log.csv", "--target", f"{folder}/rx.gpkg", "--width", f"{WIDTH} m"]
        start = time.perf_counter()
        with contextlib.redirect_stdout(io.StringIO()):
            code = cli.main([*wanted, "--out", f"{folder}/out"])
        assert code in {0, 1}
        return {"seconds": time.perf_counter() - start}


def plain(points: int, count: int) -> dict[str, float]:
    longitude, latitude, heading, _ = drive(points)
    rate = log_of(points)[0].applied
    frame = local_frame(LONGITUDE, LATITUDE)
    zones = geopandas.GeoDataFrame(
        {"zone": range(len(zones_of(points, count)))}, geometry=zones_of(points, count), crs=frame
    )
    start = time.perf_counter()
    dots = geopandas.GeoSeries(geopandas.points_from_xy(longitude, latitude), crs=4326).to_crs(frame)
    centre = np.column_stack([dots.x, dots.y])
    forward = np.column_stack([np.sin(heading), np.cos(heading)])
    right = np.column_stack([np.cos(heading), -np.sin(heading)]) * WIDTH / 2
    rear = centre - STEP * forward
    corners = np.stack([rear - right, rear + right, centre + right, centre - right], axis=1)
    records = geopandas.GeoDataFrame({"rate": rate}, geometry=shapely.polygons(corners), crs=frame)
    pieces = geopandas.overlay(records, zones, how="intersection", keep_geom_type=True)
    pieces["nitrogen"] = pieces.geometry.area * pieces["rate"]
    by_zone = pieces.groupby("zone")["nitrogen"].sum()
    laid = time.perf_counter()
    union = records.geometry.union_all()
    covered = union.area
    united = time.perf_counter()
    pairs = records.sjoin(records, predicate="intersects")
    pairs = pairs[pairs.index < pairs["index_right"]]
    both = shapely.intersection(records.geometry.values[pairs.index], records.geometry.values[pairs["index_right"]])
    doubled = geopandas.GeoSeries(both[shapely.area(both) > 1e-9]).union_all().area
    end = time.perf_counter()
    assert isinstance(by_zone, pandas.Series)
    return {
        "seconds": end - start,
        "overlay": laid - start,
        "union": united - laid,
        "twice": end - united,
        "covered": covered,
        "doubled": doubled,
        "applied": float(by_zone.sum()),
    }


def measured(connection: object, way: str, points: int, count: int) -> None:
    result = {"ours": ours, "whole": whole, "command": command, "plain": plain}[way](points, count)
    result["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    connection.send(result)  # type: ignore[attr-defined]


def alone(way: str, points: int, count: int) -> dict[str, float]:
    """Run one measurement in a fresh process; peak memory in GB."""
    context = multiprocessing.get_context("spawn")
    near, far = context.Pipe()
    process = context.Process(target=measured, args=(far, way, points, count))
    process.start()
    far.close()
    result: dict[str, float] = near.recv()
    process.join()
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("points", nargs="*", type=int, default=[50_000, 200_000, 1_000_000])
    parser.add_argument("--zones", nargs="*", type=int, default=[200, 5_000])
    parser.add_argument("--plain-limit", type=int, default=PLAIN_LIMIT)
    parser.add_argument("--command", action="store_true")
    options = parser.parse_args()
    for points in options.points:
        for count in options.zones:
            mine, more = alone("ours", points, count), alone("whole", points, count)
            print(
                f"{points:,} points x {count:,} zones (load {os.getloadavg()[0]:.1f}):\n"
                f"    overlay   {mine['seconds']:.2f} s ({mine['strips']:.2f} s of it strips), "
                f"{mine['seconds'] / points * 1e6:.1f} us a point, peak {mine['peak']:.2f} GB, "
                f"estimated error {mine['error']:.0e}, worst zone {mine['zone_error']:.0e}\n"
                f"    reconcile {more['seconds']:.2f} s, {more['seconds'] / points * 1e6:.1f} us a point, "
                f"peak {more['peak']:.2f} GB",
                flush=True,
            )
            if options.command:
                every = alone("command", points, count)
                print(
                    f"    command   {every['seconds']:.2f} s, {every['seconds'] / points * 1e6:.1f} us a point, "
                    f"peak {every['peak']:.2f} GB",
                    flush=True,
                )
            if points > options.plain_limit:
                print("    plain     left out", flush=True)
                continue
            base = alone("plain", points, count)
            print(
                f"    plain     {base['seconds']:.1f} s (overlay and groupby {base['overlay']:.1f}, "
                f"union {base['union']:.1f}, double coverage {base['twice']:.1f}), peak {base['peak']:.2f} GB"
            )
            for name, one in (("overlay", mine), ("reconcile", more)):
                steps = (base["overlay"], base["overlay"] + base["union"], base["seconds"])
                words = " / ".join(f"{step / one['seconds']:.1f}" for step in steps)
                print(f"    plain over {name}: {words} x (to groupby / with union / with double coverage)")
            print(
                f"    ours / plain - 1: covered {mine['covered'] / base['covered'] - 1:+.1e}, "
                f"nitrogen in zones {mine['applied'] / base['applied'] - 1:+.1e}",
                flush=True,
            )


if __name__ == "__main__":
    main()
