"""Rewriting 100,000 zones against reading and writing them with geopandas, in one run; it has to stay under 2.0 x.

Run ``python tests/benchmarks/rewrite_speed.py``. Ours reads, checks, vets, rewrites, writes and
reads back what it wrote.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import geopandas
from vet_speed import BAR, PLAN, squares

from geoflow.options.typed import PlanOptions, RewriteOptions
from geoflow.workflow.rewriting import rewrite_file, write_rewriting
from geoflow.workflow.vetting import vet_file


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for driver, suffix in (("ESRI Shapefile", ".shp"), ("GPKG", ".gpkg"), ("GeoJSON", ".geojson")):
            path = folder / f"many{suffix}"
            squares(100_000, path, driver)
            plain, ours, alone = [], [], []
            for turn in range(3):
                start = time.perf_counter()
                geopandas.read_file(path).to_file(folder / f"plain{turn}{suffix}", driver=driver)
                plain.append(time.perf_counter() - start)
                start = time.perf_counter()
                vetted = vet_file(str(path), PlanOptions(bar=BAR, temperature=PLAN[0], speed=PLAN[1]))
                read = time.perf_counter()
                outcome = rewrite_file(vetted, RewriteOptions(policy="hold-total", allow_raise=True))
                alone.append(time.perf_counter() - read)
                write_rewriting(outcome, folder / f"{suffix[1:]}{turn}{suffix}", replace=False, protect=())
                ours.append(time.perf_counter() - start)
            base, whole, core = (statistics.median(times) for times in (plain, ours, alone))
            print(
                f"100,000 zones, {driver}: geopandas read + write {base:.2f} s; rewriting alone {core:.2f} s = "
                f"{core / base:.2f} x (limit 2.0); read + vet + rewrite + write + read back {whole:.2f} s = "
                f"{whole / base:.2f} x"
            )


if __name__ == "__main__":
    main()
