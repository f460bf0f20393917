"""How long vetting takes, side by side with the plain way, in one run.

Run ``python tests/benchmarks/vet_speed.py``. Three questions, each with the bar it has to stay under:

1. vetting 100,000 zones (all checks, solving, verdicts: what comes on top of reading) against reading and writing them
   with geopandas: 2.0 x; the whole way with its twelve added columns is printed too
2. a whole ``geoflow vet`` of 200 zones against ``python -c "import geopandas, CoolProp.CoolProp"``: 1.6 x
3. ``geoflow --help`` against the same imports: 0.35 x
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import geopandas
import numpy as np
import shapely

FIELDS = Path(__file__).parent.parent.parent / "sample_fields"
BAR = str(FIELDS / "heron.toml")
PLAN = ("38..46 degF", "4.8..5.2 mph")


def squares(count: int, path: Path, driver: str) -> None:
    """A square block of zones of 10 m on a slightly turned, wobbling grid, each with a rate of its own."""
    side = int(np.ceil(np.sqrt(count)))
    draw = np.random.default_rng(7)
    x, y = np.meshgrid(np.arange(side + 1) * 10.0, np.arange(side + 1) * 10.0)
    x, y = x + draw.uniform(-2, 2, x.shape), y + draw.uniform(-2, 2, y.shape)
    ring = [(0, 0), (0, 1), (1, 1), (1, 0), (0, 0)]
    corners = np.stack(
        [np.stack([g[dy : side + dy, dx : side + dx] for g in (x, y)], axis=-1) for dy, dx in ring], axis=2
    ).reshape(-1, 5, 2)[:count]
    frame = geopandas.GeoDataFrame(
        {"lb_n_ac": draw.uniform(60.0, 260.0, count).round(1), "name": [f"z{number}" for number in range(count)]},
        geometry=shapely.polygons(corners + np.array([450000.0, 4670000.0])),
        crs="EPSG:32615",
    )
    frame.to_file(path, driver=driver, engine="pyogrio")


def median_time(command: list[str], rounds: int = 5) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def in_memory(path: Path, folder: Path, driver: str, suffix: str) -> tuple[float, float, dict[str, float]]:
    """Seconds of the plain way and of vetting, read and write included, medians of three turns about."""
    from geoflow.layers.write_vector import write_zones
    from geoflow.options.typed import PlanOptions
    from geoflow.workflow.vet_outputs import zone_columns
    from geoflow.workflow.vetting import vet_file

    plain, ours, parts = [], [], []
    for turn in range(3):
        start = time.perf_counter()
        table = geopandas.read_file(path)
        read = time.perf_counter() - start
        table.to_file(folder / f"plain{turn}{suffix}", driver=driver)
        plain.append(time.perf_counter() - start)
        start = time.perf_counter()
        outcome = vet_file(str(path), PlanOptions(bar=BAR, temperature=PLAN[0], speed=PLAN[1]))
        read_and_vet = time.perf_counter() - start
        write_zones(folder / f"ours{turn}{suffix}", outcome.prescription.table, zone_columns(outcome), driver=driver)
        ours.append(time.perf_counter() - start)
        parts.append(read_and_vet - read)
    return statistics.median(plain), statistics.median(ours), {"vetting alone": statistics.median(parts)}


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for driver, suffix in (("ESRI Shapefile", ".shp"), ("GPKG", ".gpkg"), ("GeoJSON", ".geojson")):
            path = folder / f"many{suffix}"
            squares(100_000, path, driver)
            plain, ours, parts = in_memory(path, folder, driver, suffix)
            shown = ", ".join(f"{part} {seconds:.2f} s = {seconds / plain:.2f} x" for part, seconds in parts.items())
            print(
                f"1. 100,000 zones, {driver}: geopandas read + write {plain:.2f} s; "
                f"read + vet + write {ours:.2f} s ({shown}) = {ours / plain:.2f} x"
            )
        print(f"   peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
        few = folder / "few.shp"
        squares(200, few, "ESRI Shapefile")
        imports = median_time([sys.executable, "-c", "import geopandas, CoolProp.CoolProp"])
        geoflow = [sys.executable, "-m", "geoflow.cli"]
        vet = median_time([*geoflow, "vet", str(few), "--bar", BAR, "--temperature", PLAN[0], "--speed", PLAN[1]])
        print(f"2. geoflow vet, 200 zones: {vet:.2f} s, imports {imports:.2f} s = {vet / imports:.2f} x (limit 1.6)")
        out = [*geoflow, "vet", str(few), "--bar", BAR, "--temperature", PLAN[0], "--speed", PLAN[1], "--replace"]
        full = median_time([*out, "--out", str(folder / "out")])
        print(f"   the same with --out (maps, layers, JSON): {full:.2f} s = {full / imports:.2f} x")
        help_time = median_time([*geoflow, "--help"])
        print(f"3. geoflow --help: {help_time:.3f} s = {help_time / imports:.2f} x (limit 0.35)")


if __name__ == "__main__":
    main()
