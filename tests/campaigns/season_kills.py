"""Kills workers of a season at random instants, and now and then the season itself; nothing may be lost or doubled.

Run ``python tests/campaigns/season_kills.py [--kills 24] [--fields 24] [--points 1500] [--seed 1]``. A calm season is
run first. Then seasons of the same fields are run until so many workers have been killed (SIGKILL) with work in hand;
in every second one the season's own process is killed too, and the same command run again. After each, every file of
the results has to be, byte for byte, what the calm season wrote, and there may be no other file.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parent.parent))
from season_fields import catalog_rows, make_season, write_catalog

__all__ = ["campaign", "tree"]

JOBS = ("reconcile", "vet", "rewrite")


def tree(folder: Path) -> dict[str, bytes]:
    """Every file under a folder by its path in it, unfinished ones too."""
    return {file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def _start(catalog: Path, out: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "geoflow.cli", "season", str(catalog), "--out", str(out)]
    command += ["--workers", "2", "--retries", "50"]
    return subprocess.Popen(
        command, cwd=catalog.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )


def _workers(season: subprocess.Popen[str]) -> list[psutil.Process]:
    """Worker processes of a season we started ourselves."""
    try:
        children = psutil.Process(season.pid).children(recursive=True)
        return [one for one in children if "spawn_main" in " ".join(one.cmdline())]
    except psutil.NoSuchProcess:
        return []


def _recorded(out: Path) -> int:
    return len(list((out / "records").glob("*.json"))) if (out / "records").is_dir() else 0


def _killed_season(catalog: Path, out: Path, fields: int, draw: random.Random, *, wanted: int, whole: bool) -> int:
    """Run a season to its end, killing as it goes; return how many workers were killed with work in hand."""
    kills, killed_whole = 0, not whole
    while True:
        season = _start(catalog, out)
        begun = _recorded(out)
        while season.poll() is None:
            time.sleep(draw.uniform(0.02, 0.6))
            done = _recorded(out)
            # Before the first field is through the workers may still be starting, with nothing in hand.
            if done <= begun or done >= fields:
                continue
            if not killed_whole and done > fields // 2:
                season.kill()
                killed_whole = True
                break
            workers = _workers(season)
            if workers and kills < wanted:
                draw.choice(workers).kill()
                kills += 1
                begun = done - 1 if draw.random() < 0.5 else done
        said, errors = season.communicate(timeout=600)
        if season.returncode >= 0:
            assert season.returncode == 1, (season.returncode, said, errors)
            return kills


def campaign(folder: Path, *, kills: int, fields: int, points: int, seed: int) -> dict[str, int]:
    """Run the campaign in an empty folder; return what was done.

    Raises
    ------
    AssertionError
        If anything was lost, doubled or changed.
    """
    draw = random.Random(seed)
    make_season(folder, fields, points)
    catalog = write_catalog(folder / "catalog.csv", catalog_rows(fields, JOBS))
    calm = _start(catalog, folder / "calm")
    said, errors = calm.communicate(timeout=3600)
    assert calm.returncode == 1, (said, errors)
    expected = tree(folder / "calm")
    assert sum(name.startswith("zones/") for name in expected) == fields
    told = {"workers_killed": 0, "seasons_killed": 0, "seasons": 0}
    while told["workers_killed"] < kills:
        out = folder / f"run_{told['seasons']}"
        whole = told["seasons"] % 2 == 1
        wanted = min(kills - told["workers_killed"], max(2, fields // 2))
        told["workers_killed"] += _killed_season(catalog, out, fields, draw, wanted=wanted, whole=whole)
        told["seasons"] += 1
        told["seasons_killed"] += whole
        got = tree(out)
        if whole:  # a season that is killed cannot tidy up; its unfinished files are no results
            got = {name: content for name, content in got.items() if not name.startswith(".parts/")}
        assert got.keys() == expected.keys(), sorted(got.keys() ^ expected.keys())
        changed = [
            name
            for name, content in got.items()
            if content.replace(out.name.encode(), b"OUT") != expected[name].replace(b"calm", b"OUT")
        ]
        assert changed == [], changed
        print(
            f"season {told['seasons']}: {told['workers_killed']} workers killed so far, all as it should be", flush=True
        )
    return told


def main() -> None:
    """Run the campaign from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=24)
    parser.add_argument("--fields", type=int, default=24)
    parser.add_argument("--points", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    os.environ["PYTHONPATH"] = str(Path(__file__).parent.parent.parent)
    with tempfile.TemporaryDirectory() as folder:
        print(
            campaign(Path(folder), kills=options.kills, fields=options.fields, points=options.points, seed=options.seed)
        )


if __name__ == "__main__":
    main()
