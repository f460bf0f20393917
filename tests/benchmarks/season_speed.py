"""A season of logs on one worker and on two: parallel efficiency, overhead per field, memory, and what scales how.

Run ``python tests/benchmarks/season_speed.py`` (200 fields of 50,000 points; about 15 minutes and 2 GB of disk) on a
machine that does nothing else; ``--fields 12 --points 5000`` tries it. The aims: on two cores a parallel efficiency of
at least 0.8, and an overhead per field under 10 % of the field's own time. The field's own time is what the workflow
takes that the single command runs; all else is overhead: fetching and hashing inputs, Parquet, JSON, syncing to disk,
scheduling, waiting. The last lines reckon a season of 10,000 fields on 100 workers from the parts measured.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))
from season_fields import catalog_rows, make_season, write_catalog

from geoflow.season import running
from geoflow.season.catalog import Entry, read_catalog
from geoflow.season.cluster import clients
from geoflow.season.field import Done
from geoflow.season.running import MARK, run_season
from geoflow.season.store import Store
from geoflow.season.summary import read_records, season_document, write_summary

MANY, CREW, EMPTY = 10_000, 100, 1000


def peak() -> float:
    """Most memory this process ever had [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def spin(_: int) -> float:
    """Seconds that a fixed piece of counting takes."""
    began = time.perf_counter()
    sum(range(60_000_000))
    return time.perf_counter() - began


def ceiling() -> float:
    """Parallel efficiency of plain counting on this machine, now: what no program can pass."""
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(spin, range(2), chunksize=1)
        alone = pool.apply(spin, (0,))
        return alone / max(pool.map(spin, range(2), chunksize=1))


def nothing(task: Any) -> Done:
    """A field that costs nothing: what is left is Dask and the loop that feeds it."""
    return Done(task.entry.field, "fine", False, 0.0, 0.0)


def run(entries: tuple[Entry, ...], out: Path, workers: int) -> dict[str, float]:
    """Run a season; times in seconds, memory in MB."""
    store = Store(str(out), "benchmark")
    began = time.perf_counter()
    with clients(workers, None) as client:
        ready = time.perf_counter()
        early: list[float] = []

        def watch(progress: running.Progress) -> None:
            if not early and progress.done >= max(2 * workers, len(entries) // 10):
                early.extend(client.run(peak).values())

        progress = run_season(entries, store, client=client, tell=watch)
        wall = time.perf_counter() - ready
        late = max(client.run(peak).values())
    assert progress.failed == 0 and progress.done == len(entries), progress
    return {
        "start": ready - began,
        "wall": wall,
        "own": progress.own,
        "busy": progress.busy,
        "early": max(early, default=late),
        "late": late,
        "kept": progress.kept,
    }


def scheduling(entries: tuple[Entry, ...], out: Path) -> float:
    """Seconds a field costs in scheduler and feeding loop alone, with as many under way as CREW workers have."""
    real, running.work = running.work, nothing
    usual, running.AHEAD = running.AHEAD, running.AHEAD * CREW // 2
    try:
        with clients(2, None) as client:
            few = tuple(Entry(f"{number}", "reconcile", entries[0].values) for number in range(EMPTY))
            run_season(few[:50], Store(str(out), "benchmark"), client=client)
            began = time.perf_counter()
            run_season(few, Store(str(out), "benchmark"), client=client)
            return (time.perf_counter() - began) / EMPTY
    finally:
        running.work, running.AHEAD = real, usual


def summing(entries: tuple[Entry, ...], out: Path, folder: Path) -> tuple[float, float]:
    """Seconds to read one record, and to make the summary of MANY."""
    store = Store(str(out), "benchmark")
    began = time.perf_counter()
    records = read_records(store, entries, {})
    each = (time.perf_counter() - began) / len(entries)
    many = [{**records[number % len(records)], "field": f"{number:05d}"} for number in range(MANY)]
    began = time.perf_counter()
    document = season_document(many, "catalog.csv", "out", orphans=0, deaths=0)
    write_summary(Store(str(folder / "many"), "benchmark"), document, "us")
    return each, time.perf_counter() - began


def size(folder: Path) -> float:
    """Megabytes under a folder."""
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file()) / 1e6


def main() -> None:
    """Measure, and reckon from it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=200)
    parser.add_argument("--points", type=int, default=50_000)
    parser.add_argument("--distinct", type=int, default=21, help="logs made; the rest are copies of them")
    parser.add_argument("--folder", help="where to work (default a temporary folder)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as made:
        folder = Path(made)
        make_season(folder, options.fields, options.points, distinct=options.distinct)
        catalog = write_catalog(folder / "catalog.csv", catalog_rows(options.fields))
        entries = read_catalog(str(catalog), {}, made)
        megabytes = (size(folder / "logs") + size(folder / "maps")) / options.fields
        print(f"{options.fields} fields of {options.points:,} points, {megabytes:.1f} MB of input each", flush=True)

        print(f"parallel efficiency of plain counting on this machine, before: {ceiling():.2f}", flush=True)
        found = {}
        for workers in (1, 2):
            one = found[workers] = run(entries, folder / f"out_{workers}", workers)
            apart = (one["busy"] - one["own"]) / one["own"]
            over = (one["wall"] * workers - one["own"]) / one["own"]
            print(
                f"{workers} worker(s): {one['wall']:.1f} s after {one['start']:.1f} s of start-up; own time "
                f"{one['own'] / options.fields:.3f} s a field; overhead {100 * over:.1f} % ({100 * apart:.1f} % in the "
                f"worker); memory of a worker at most {one['early']:.0f} MB after a tenth, {one['late']:.0f} MB at the "
                f"end",
                flush=True,
            )
        efficiency = found[1]["wall"] / (2 * found[2]["wall"])
        slower = found[2]["own"] / found[1]["own"]
        print(
            f"parallel efficiency on two: {efficiency:.2f} (aim 0.80); a field's own time is {slower:.2f} x as long "
            "beside another"
        )
        print(f"parallel efficiency of plain counting on this machine, after: {ceiling():.2f}")
        again = run(entries, folder / "out_2", 2)
        assert again["kept"] == options.fields
        print(
            f"run again with all results there: {1000 * again['wall'] / options.fields:.0f} ms a field on two workers"
        )
        each = scheduling(entries, folder / "out_none")
        record, summary = summing(entries, folder / "out_1", folder)
        written = size(folder / "out_1") / options.fields
        print(
            f"scheduling {1000 * each:.1f} ms a field; a record read in {1000 * record:.2f} ms; the summary of "
            f"{MANY:,} fields in {summary:.1f} s; {written:.2f} MB written a field ({MARK} and summary apart)"
        )

        own = statistics.mean((found[1]["busy"], found[2]["busy"])) / options.fields
        work, feed = MANY * own / CREW, MANY * each
        print(f"\n{MANY:,} such fields on {CREW} workers, reckoned from these parts:")
        print(f"  work {work:.0f} s ({own:.2f} s a field in the worker), and one field more at the end: {own:.1f} s")
        print(f"  feeding {feed:.0f} s of one core in scheduler and loop: {100 * feed / work:.0f} % of the time it has")
        print(f"  binds at about {own / each:,.0f} workers, where fields end as fast as they can be handed out")
        print(
            f"  reading {CREW * megabytes / own:,.0f} MB/s from the storage, writing {CREW * written / own:,.1f} MB/s"
        )
        print(f"  records {MANY * record:.0f} s (local disk) and summary {summary:.0f} s at the end, on one core")
        print(f"  in all about {(max(work, feed) + own + MANY * record + summary + found[1]['start']) / 60:.1f} min")


if __name__ == "__main__":
    main()
