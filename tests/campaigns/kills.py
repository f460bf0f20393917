"""Kills runs at every step and at random instants of writing, and looks at what stands there afterwards.

Run it whole: .venv/bin/python tests/campaigns/kills.py --seed 1 --random 200
"""

from __future__ import annotations

import argparse
import errno
import logging
import os
import random
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

from geoflow.base.errors import InputError, OutputError
from geoflow.files.inputs import watching
from geoflow.files.output import OutputFolder, replace_file

SIZE = 200_000
MINE = "somebody's own"
Files = dict[str, str]


def content(letter: str) -> str:
    return letter * SIZE


def tree(folder: Path) -> Files:
    return {p.name: p.read_text() for p in sorted(folder.iterdir()) if p.is_file()} if folder.is_dir() else {}


class Scenario:
    """An output, how it is written, and whether it is put in place in one stroke or in two steps.

    names : files of the output; ``others`` stand beside it; ``stale`` go when it is written. Of a ``fresh`` one not
    even the folder is there before, of a ``new`` one no file.
    """

    def __init__(
        self, name: str, names: list[str], *, others: tuple[str, ...] = (), stale: tuple[str, ...] = (),
        in_one_stroke: bool = True, fresh: bool = False, new: bool = False,
    ) -> None:  # fmt: skip
        self.name, self.names, self.others, self.stale = name, names, others, stale
        self.in_one_stroke, self.fresh, self.new = in_one_stroke, fresh, new

    def lay(self, folder: Path) -> None:
        """Put the old output there; a fresh one has none."""
        if self.fresh:
            return
        folder.mkdir()
        for name in () if self.new else (*self.names, *self.stale):
            (folder / name).write_text(content("a"))
        for name in self.others:
            (folder / name).write_text(MINE)

    def write(self, folder: Path, letter: str) -> None:
        def put(path: Path) -> None:
            path.write_text(content(letter))

        if len(self.names) == 1:
            replace_file(folder / self.names[0], put, replace=True, protect=())
            return
        with OutputFolder(folder, replace=True, protect=()) as out:
            for name in self.names[:-1]:
                put(out.stage(name))
            # The last joins from within, as the side file of a rewriting does.
            replace_file(folder / self.names[-1], put, replace=True, protect=())

    def state(self, folder: Path, letter: str) -> Files:
        """What there is when the output of a letter is there whole; of a fresh folder 'a' is nothing."""
        if self.fresh and letter == "a":
            return {}
        if self.new and letter == "a":
            return dict.fromkeys(self.others, MINE)
        kept = self.stale if letter == "a" else ()
        return {name: content(letter) for name in (*self.names, *kept)} | dict.fromkeys(self.others, MINE)


FAMILY = ["z.cpg", "z.dbf", "z.prj", "z.shp", "z.shx"]
SCENARIOS = [
    Scenario("one file", ["one.geojson"], others=("mine.txt",)),
    Scenario("new folder", ["a.json", "b.png", "c.gpkg"], fresh=True),
    Scenario("own folder", ["a.json", "b.png", "c.gpkg"], in_one_stroke=False),
    Scenario("new among others", ["rx.geojson", "rx_changes.csv"], others=("mine.txt",), in_one_stroke=False, new=True),
    Scenario("among others", ["rx.geojson", "rx_changes.csv"], others=("mine.txt", "photo.png"), in_one_stroke=False),
    Scenario("shapefile", FAMILY, others=("mine.txt",), stale=("z.qix",), in_one_stroke=False),
]


class WrongError(AssertionError):
    """An output that is neither old nor new."""


def names_and_letters(files: Files) -> str:
    return ", ".join(f"{name}:{text[:1]}x{len(text)}" for name, text in files.items())


def check_at_once(scenario: Scenario, folder: Path, *, again: bool = False) -> None:
    """Look right after the kill, before any other run; `again` where more than one run was killed."""
    found = tree(folder)
    whole = [scenario.state(folder, letter) for letter in "ab"]
    if scenario.in_one_stroke and not (again and scenario.fresh):  # then it is there, and replaced
        if found not in whole:
            raise WrongError(f"{scenario.name}: {names_and_letters(found)}")
        return
    if any(found.get(name) != MINE for name in scenario.others):
        raise WrongError(f"{scenario.name}: somebody's own file is not as it was")
    if not any(found.items() <= state.items() for state in whole):
        raise WrongError(f"{scenario.name}: of both, or in part: {names_and_letters(found)}")
    if "z.shp" in found and found not in whole:
        raise WrongError(f"{scenario.name}: a shapefile that can be read is not whole: {names_and_letters(found)}")


def everything(folder: Path) -> dict[str, bytes | None]:
    return {str(p): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*"))}


def check_reading(scenario: Scenario, folder: Path) -> None:
    """Read each file of the output as the next run would: nothing changes, and what is out of its place is said."""
    before, found = everything(folder.parent), tree(folder)
    lying = {p.name for p in folder.glob(".geoflow-*/ready/*")}
    for name in scenario.names:
        try:
            with watching(folder / name):
                said = False
        except InputError:
            said = True
        if said != (name in lying and name not in found):
            raise WrongError(f"{scenario.name}: {name} was refused without need, or not refused")
    if everything(folder.parent) != before:
        raise WrongError(f"{scenario.name}: reading changed something")


def check_after_next_run(scenario: Scenario, folder: Path) -> str:
    """Let the next run, which writes, find what is left; give the letter of what stands then."""
    check_reading(scenario, folder)
    try:
        with OutputFolder(folder, replace=True, protect=()):
            raise ZeroDivisionError
    except ZeroDivisionError:
        pass
    found = tree(folder)
    for letter in "ab":
        if found == scenario.state(folder, letter):
            break
    else:
        raise WrongError(f"{scenario.name}, next run: {names_and_letters(found)}")
    if hidden := [*folder.parent.glob(".geoflow-*"), *folder.glob(".geoflow-*")]:
        raise WrongError(f"{scenario.name}: left behind {hidden}")
    return letter


def forked(work: Callable[[], None], *, kill_at: int | None = None, kill_after: float | None = None) -> bool:
    """Do work in a child that is killed at a step of its dealings with files, or after a time; whether it got done.

    The steps are Python's audit events: each is just before a system call, and so just after the one before.
    """
    child = os.fork()
    if child == 0:
        code = 1
        try:
            logging.disable()
            steps = 0

            def watch(event: str, arguments: object) -> None:
                nonlocal steps
                if event.startswith(("os.", "open", "shutil.", "sqlite3.")):
                    steps += 1
                    if steps == kill_at:
                        os.kill(os.getpid(), signal.SIGKILL)

            if kill_at is not None:
                sys.addaudithook(watch)
            work()
            code = 0
        except BaseException:
            traceback.print_exc()
            raise
        finally:
            os._exit(code)
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    if not os.WIFSIGNALED(status) and os.waitstatus_to_exitcode(status) != 0:
        raise WrongError("the writing itself failed")
    return not os.WIFSIGNALED(status)


def kill_at_every_step(scenario: Scenario, root: Path, *, every: int = 1, again: random.Random | None = None) -> int:
    """Kill the writing at its 1st, 2nd, ... step; with `again` also the run that comes next. Returns the kills."""
    kills, step = 0, 1
    seen: set[str] = set()
    while True:
        with tempfile.TemporaryDirectory(dir=root) as place:
            folder = Path(place) / "out"
            scenario.lay(folder)
            done = forked(lambda folder=folder: scenario.write(folder, "b"), kill_at=step)  # type: ignore[misc]
            if done:
                check_at_once(scenario, folder)
                if tree(folder) != scenario.state(folder, "b"):
                    raise WrongError(f"{scenario.name}: done, and not there")
                break
            kills += 1
            check_at_once(scenario, folder)
            if again is not None:
                next_run = lambda folder=folder: scenario.write(folder, "b")  # type: ignore[misc]  # noqa: E731
                kills += not forked(next_run, kill_at=again.randrange(1, 60))
                check_at_once(scenario, folder, again=True)
            seen.add(check_after_next_run(scenario, folder))
        step += every
    if seen != {"a", "b"} and every == 1:
        raise WrongError(f"{scenario.name}: the kills never met both sides of the stroke: {seen}")
    return kills


def fail_at_every_step(scenario: Scenario, root: Path, *, once: bool, every: int = 1) -> int:
    """Let the disk refuse the 1st, 2nd, ... step, or all from there on; what is said must be what is there."""
    step = 1
    while True:
        with tempfile.TemporaryDirectory(dir=root) as place:
            folder, report = Path(place) / "out", Path(place) / "said"
            scenario.lay(folder)

            def work(folder: Path = folder, report: Path = report, step: int = step) -> None:
                handle = os.open(report, os.O_WRONLY | os.O_CREAT)
                steps = 0

                def refuse(event: str, arguments: object) -> None:
                    nonlocal steps
                    if event.startswith(("os.", "open")):
                        steps += 1
                        if steps == step or (steps > step and not once):
                            raise OSError(errno.ENOSPC, "No space left on device")

                sys.addaudithook(refuse)
                try:
                    scenario.write(folder, "b")
                    os.write(handle, b"written" if steps >= step else b"over")
                except OutputError as problem:
                    os.write(handle, problem.what.encode())

            forked(work)
            said = report.read_text()
            found = tree(folder)
            if said in ("written", "over"):
                expected = [scenario.state(folder, "b")]
            elif said.startswith("nothing was written: the disk is full; what was there before is unchanged"):
                expected = [scenario.state(folder, "a")]
            elif "they are safe in " in said:  # it can only go on from there, and nothing works; the next run ends it
                check_at_once(scenario, folder)
                check_after_next_run(scenario, folder)
                expected = [scenario.state(folder, "b")]
                found = tree(folder)
            else:
                raise WrongError(f"{scenario.name}, step {step}: it said {said!r}")
            if found not in expected:
                raise WrongError(f"{scenario.name}, step {step}: said {said!r}, but {names_and_letters(found)}")
            check_after_next_run(scenario, folder)
            if said == "over":
                return step
        step += every


def kill_at_random(scenario: Scenario, root: Path, chance: random.Random, count: int) -> tuple[int, int]:
    """Kill a writer that alternates two outputs at random instants; how many kills, and how many met it at work."""
    met = 0
    with tempfile.TemporaryDirectory(dir=root) as place:
        folder = Path(place) / "out"
        scenario.lay(folder)
        for _ in range(count):

            def work(folder: Path = folder) -> None:
                turn = 1
                while True:
                    scenario.write(folder, "ab"[turn % 2])
                    turn += 1

            forked(work, kill_after=chance.uniform(0.0, 0.05))
            # From the second turn on what was there before is this output too, without what was stale.
            scenario_now = Scenario(
                scenario.name, scenario.names, others=scenario.others, in_one_stroke=len(scenario.names) == 1
            )
            met += bool([*folder.parent.glob(".geoflow-*"), *folder.glob(".geoflow-*")])
            found = tree(folder)
            held = {p.name for p in folder.glob(".geoflow-*/ready/*")}
            if ((scenario.fresh or scenario.new) and not set(scenario.names) & set(found)) or set(scenario.stale) & (
                set(found) | held
            ):
                continue  # killed before the first turn was done
            check_at_once(scenario_now, folder)
            check_after_next_run(scenario_now, folder)
    return count, met


def campaign(root: Path, seed: int, randomly: int, say: Callable[[str], None]) -> int:
    """Run everything; returns how many kills."""
    chance, total = random.Random(seed), 0
    for scenario in SCENARIOS:
        kills = kill_at_every_step(scenario, root)
        twice = kill_at_every_step(scenario, root, again=chance)
        refused = sum(fail_at_every_step(scenario, root, once=once) for once in (True, False))
        count, met = kill_at_random(scenario, root, chance, randomly)
        total += kills + twice + count
        steps = f"{kills} kills at steps, {twice} with the next run killed too"
        say(f"{scenario.name}: {steps}, {count} at random ({met} at work); {refused} steps refused")
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--random", type=int, default=200, help="random kills of each scenario")
    parser.add_argument("--folder", type=Path, help="where to write (default: the system's temporary folder)")
    options = parser.parse_args()
    logging.disable()
    with tempfile.TemporaryDirectory(dir=options.folder) as place:
        total = campaign(Path(place), options.seed, options.random, lambda line: print(line, flush=True))
    print(f"{total:,} kills: every output was old or new, whole")
    return 0


if __name__ == "__main__":
    sys.exit(main())
