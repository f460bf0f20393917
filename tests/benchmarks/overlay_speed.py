"""Strips of a log laid on zones, against the plain way in geopandas, in one run.

Run ``python tests/benchmarks/overlay_speed.py [POINTS ...]`` (default 50000 200000 1000000), on 200 and
5,000 zones each.
The bars: at least 10 x faster at 200,000 points, time per point not growing, peak memory under 1.5 GB at 1,000,000.
Every measurement runs in a process of its own, so that its peak memory is its own. Both ways start from the same arrays
of longitude, latitude, heading and step. The plain way is left out above 200,000 points.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import resource
import time

import geopandas
import numpy as np
import pandas
import pyproj
import shapely

from geoflow.asapplied import AppliedLog
from geoflow.geometry import local_frame
from geoflow.swaths import ground_rates, overlay, strips

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


def ours(points: int, count: int) -> dict[str, float]:
    longitude, latitude, heading, run = drive(points)
    zones = zones_of(points, count)
    rate = 0.01 + 0.001 * np.sin(np.arange(points) / 50)
    start = time.perf_counter()
    x, y = pyproj.Transformer.from_crs(4326, local_frame(LONGITUDE, LATITUDE), always_xy=True).transform(
        longitude, latitude
    )
    blank, none = np.full(points, np.nan), np.zeros(points, dtype=np.int64)
    log = AppliedLog(
        row=np.arange(points), time=blank, x=x, y=y, heading=heading, speed=blank, step=np.full(points, STEP),
        section=none, offset=np.zeros(points), width=np.full(points, WIDTH), run=run, on=np.ones(points, dtype=bool),
        applied=rate, target=blank, flow=blank, pump_pressure=blank, bar_pressure=blank, temperature=blank,
    )  # fmt: skip
    quads, ground = strips(log)
    on_ground = ground_rates(log, quads, ground)
    laid = time.perf_counter()
    found = overlay(quads[ground], on_ground[ground], zones)
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


def plain(points: int, count: int) -> dict[str, float]:
    longitude, latitude, heading, _ = drive(points)
    frame = local_frame(LONGITUDE, LATITUDE)
    zones = geopandas.GeoDataFrame(
        {"zone": range(len(zones_of(points, count)))}, geometry=zones_of(points, count), crs=frame
    )
    rate = 0.01 + 0.001 * np.sin(np.arange(points) / 50)
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
    result = {"ours": ours, "plain": plain}[way](points, count)
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
    options = parser.parse_args()
    for points in options.points:
        for count in options.zones:
            mine = alone("ours", points, count)
            print(
                f"{points:,} points x {count:,} zones: ours {mine['seconds']:.2f} s "
                f"({mine['strips']:.2f} s of it strips), "
                f"{mine['seconds'] / points * 1e6:.1f} us a point, peak {mine['peak']:.2f} GB, "
                f"estimated error {mine['error']:.0e}, worst zone {mine['zone_error']:.0e}",
                flush=True,
            )
            if points > PLAIN_LIMIT:
                continue
            base = alone("plain", points, count)
            print(
                f"    plain {base['seconds']:.1f} s (overlay and groupby {base['overlay']:.1f}, "
                f"union {base['union']:.1f}, "
                f"double coverage {base['twice']:.1f}), peak {base['peak']:.2f} GB: "
                f"{base['seconds'] / mine['seconds']:.0f} x "
                f"as long ({(base['overlay'] + base['union']) / mine['seconds']:.0f} x without double coverage)\n"
                f"    ours / plain - 1: covered {mine['covered'] / base['covered'] - 1:+.1e}, "
                f"nitrogen in zones {mine['applied'] / base['applied'] - 1:+.1e}",
                flush=True,
            )


if __name__ == "__main__":
    main()
