"""Rewriting 100,000 zones against reading and writing them with geopandas, in one run; ends with 1 over a bar.

Run ``python tests/benchmarks/rewrite_speed.py``. Ours reads, checks, vets, rewrites, writes, reads back what it wrote
and writes what was changed and why. Times are of the processor, medians of three turns about; the wall's beside them.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import geopandas
import numpy as np
from vet_speed import BAR, FORMATS, PLAN, clocks, squares, told

from geoflow.options.typed import PlanOptions, RewriteOptions
from geoflow.workflow.rewriting import rewrite_file, write_rewriting
from geoflow.workflow.vetting import vet_file

# What was reached; 2.0 is aimed at.
WHOLE_WAY = {"ESRI Shapefile": 3.4, "GPKG": 4.2, "GeoJSON": 1.9}


def main() -> int:
    failed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for driver, suffix in FORMATS:
            path = folder / f"many{suffix}"
            squares(100_000, path, driver)
            times: list[np.ndarray] = []
            for turn in range(4):
                start = clocks()
                geopandas.read_file(path).to_file(folder / f"plain{turn}{suffix}", driver=driver)
                plain = clocks()
                vetted = vet_file(str(path), PlanOptions(bar=BAR, temperature=PLAN[0], speed=PLAN[1]))
                read = clocks()
                outcome = rewrite_file(vetted, RewriteOptions(policy="hold-total", allow_raise=True))
                done = clocks()
                write_rewriting(outcome, folder / f"{suffix[1:]}{turn}{suffix}", replace=False, protect=())
                times.append(np.diff([start, plain, read, done, clocks()], axis=0))
            base, vet, rewrite, write = np.median(times[1:], axis=0)  # the first turn loads the libraries
            cpu, wall = (vet + rewrite + write) / base
            print(
                f"100,000 zones, {driver}: geopandas read + write {base[0]:.2f} s; read + vet {vet[0]:.2f} s, rewrite "
                f"{rewrite[0]:.2f} s, write and check {write[0]:.2f} s; by the wall {wall:.2f} x"
            )
            failed += told("   the whole way", float(cpu), WHOLE_WAY[driver])
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
