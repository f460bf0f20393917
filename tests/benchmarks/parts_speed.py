"""How long single parts take, each against the time a person would notice; ends with 1 where one takes longer.

Run ``python tests/benchmarks/parts_speed.py``. The bars:

1. passes over 5,000 zones and their short pieces: 1 s
2. decoding 100,000 records of a task-data time log: 1 s
3. drawing a map of 100,000 zones: 4 s of processor time
4. reading a log of 160,000 records costs at most 3 x as much per record as one of 20,000
5. laying 160,000 strips on 100 zones costs at most 2 x as much per strip as 40,000
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("MPLBACKEND", "Agg")
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
from log_files import north_run, write_csv
from test_figures import NAMES, draw
from test_figures import grid as map_grid
from test_passes import grid as pass_grid
from test_passes import turned
from test_swaths import grid as swath_grid
from test_swaths import log_of
from test_taskdata_logs import decode, header, run

from geoflow.bar.equipment import Controller
from geoflow.ground.passes import lay_passes, short_pieces
from geoflow.ground.swaths import overlay, strips
from geoflow.log_files.read_log import read_log


def took(what: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    begun = clock()
    what()
    return clock() - begun


def passes() -> float:
    zones = turned(pass_grid(71, 71, 20.0), 0.3)

    def lay() -> None:
        laid = lay_passes(zones, 0.3, 7.1)
        short_pieces(laid, np.arange(zones.size) % 7 + 1.0, 2.0, Controller(0.8, 1.5))

    return took(lay)


def records() -> float:
    data = run([[(0, 1000), (1, 2000)], []]) * 50_000
    head = header([("0007", "DET1"), ("0006", "DET1")])
    return took(lambda: decode(head, data))


def picture() -> float:
    zones = map_grid(317, 2.5)
    verdict = np.array(NAMES)[np.random.default_rng(1).integers(0, 4, len(zones))]
    with tempfile.TemporaryDirectory() as folder:
        return took(lambda: draw(Path(folder) / "map.png", zones, verdict), time.process_time)


def log() -> float:
    each = []
    with tempfile.TemporaryDirectory() as folder:
        for count in (1_000, 20_000, 160_000):  # the first loads the libraries
            path = write_csv(Path(folder) / f"{count}.csv", north_run(count, step=0.1))
            each.append(took(lambda path=path: read_log(path)) / count)  # type: ignore[misc]
    return each[2] / each[1]


def ground() -> float:
    each = []
    for count in (40_000, 160_000):
        k = np.arange(count)
        quads, _ = strips(log_of(18.0 * (k // 400) + 9.0, 2.2 * (k % 400) + 2.2, 0.0, 2.2, 18.1, run=k // 400))
        zones = swath_grid(10, 10, 88.0 * count / 40_000)
        each.append(took(lambda q=quads, z=zones: overlay(q, np.ones(len(q)), z)) / count)  # type: ignore[misc]
    return each[1] / each[0]


def main() -> int:
    failed = 0
    for part, most, unit in ((passes, 1, "s"), (records, 1, "s"), (picture, 4, "s"), (log, 3, "x"), (ground, 2, "x")):
        found = part()
        failed += found > most
        print(f"{part.__name__}: {found:.2f} {unit}, at most {most} {unit}{': TOO LONG' if found > most else ''}")
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
