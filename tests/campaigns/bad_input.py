"""Feeds spoilt files of every format to the commands and watches: answers, time, memory, and what is written where.

Run it whole: .venv/bin/python tests/campaigns/bad_input.py --seed 1 --count 20000
One case again: .venv/bin/python tests/campaigns/bad_input.py --seed 1 --first 4711 --count 1 --show
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import hashlib
import io
import json
import os
import random
import resource
import selectors
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

MOST_SECONDS, MOST_GROWTH = 10.0, 1 << 30
PATIENCE = float(os.environ.get("GEOFLOW_PATIENCE", "3"))  # times that, of the clock: a busy machine wants more
_BACKSTOP = 6 << 30  # of address space: the machine must survive what the campaign finds
_WRITES = 0.04  # share of cases that also write


# --- in the worker ---------------------------------------------------------------------------------------------------


def _status(name: str) -> int:
    """A field of this process's status [bytes]."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1]) * 1024
    return 0


def _ask(command: list[str]) -> tuple[int, str, str]:
    from geoflow import cli

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.main(command)
    return code, out.getvalue(), err.getvalue()


def _trace(command: list[str]) -> str:
    """Where an unforeseen fault comes from: the last lines of ours and of all."""
    import traceback

    os.environ["GEOFLOW_TRACEBACK"] = "1"
    try:
        _ask(command)
    except BaseException as problem:
        steps = traceback.extract_tb(problem.__traceback__)
        ours = [step for step in steps if "/geoflow/" in step.filename]
        places = [f"{Path(step.filename).name}:{step.lineno} {step.name}" for step in (*ours[-2:], *steps[-1:])]
        return f"{type(problem).__name__}: {problem}"[:200] + " | " + " < ".join(reversed(places))
    finally:
        del os.environ["GEOFLOW_TRACEBACK"]
    return "did not happen again"


def work() -> None:
    """Answer cases, one JSON line each, until the input ends."""
    caches = os.environ["MPLCONFIGDIR"] = os.environ["XDG_CACHE_HOME"] = str(Path(tempfile.gettempdir(), "geoflow-bad"))
    resource.setrlimit(resource.RLIMIT_AS, (_BACKSTOP, _BACKSTOP))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    here: list[str] = [""]
    strays: list[str] = []
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND

    def watch(event: str, arguments: Any) -> None:
        if not here[0]:
            return
        if event == "open" and isinstance(arguments[0], str | bytes) and (arguments[2] or 0) & writing:
            path = os.fsdecode(arguments[0])
        elif event in {"os.rename", "os.link", "os.symlink"}:
            path = os.fsdecode(arguments[1])
        elif event in {"os.mkdir", "os.remove", "os.rmdir", "os.chmod", "os.truncate"} and not isinstance(
            arguments[0], int
        ):
            path = os.fsdecode(arguments[0])
        else:
            return
        if not str(Path.cwd() / path).startswith((here[0], "/dev/null", caches)) and "__pycache__" not in path:
            strays.append(f"{event} {path}")

    sys.addaudithook(watch)
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what C libraries say
    for line in sys.stdin:
        case = json.loads(line)
        strays.clear()
        os.environ["TMPDIR"] = case["place"] + "/tmp"
        tempfile.tempdir = None
        os.chdir(case["place"] + "/in")
        with contextlib.suppress(OSError):
            Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
        before = _status("VmRSS")
        here[0] = case["place"] if case["watch"] else ""
        start = time.process_time()  # the machine may have other work
        try:
            code, out, err = _ask(case["command"])
        except BaseException as problem:  # SystemExit of argparse among them
            code, out, err = -1, "", f"Traceback: {type(problem).__name__}: {problem}"
        took = time.process_time() - start
        here[0] = ""
        said = {
            "code": code,
            "err": err[:200_000],
            "took": took,
            "growth": _status("VmHWM") - before,
            "strays": strays[:3],
        }
        said["traceback"] = "Traceback" in out
        if "unforeseen" in err or code == -1:
            said["trace"] = _trace(case["command"])
        os.chdir("/")
        answers.write(json.dumps(said) + "\n")
        answers.flush()


# --- in the campaign -------------------------------------------------------------------------------------------------


class Worker:
    """A process that answers cases; started anew when it dies, hangs or has grown."""

    def __init__(self, seconds: float) -> None:
        self.process: subprocess.Popen[str] | None = None
        self.patience = PATIENCE * seconds

    def ask(self, case: dict[str, Any]) -> dict[str, Any]:
        if self.process is None:
            self.process = subprocess.Popen(
                [sys.executable, __file__, "--worker"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
        process = self.process
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(json.dumps(case) + "\n")
        process.stdin.flush()
        with selectors.DefaultSelector() as waiting:
            waiting.register(process.stdout, selectors.EVENT_READ)
            # The clock is patient, for the machine may be busy; an answer that comes is held to the processor's.
            if not waiting.select(self.patience):
                self.stop()
                return {"dead": f"no answer in {self.patience:g} s"}
        line = process.stdout.readline()
        if not line:
            code = process.wait()
            self.stop()
            return {"dead": f"the process died ({code})"}
        answer: dict[str, Any] = json.loads(line)
        if answer["growth"] > MOST_GROWTH // 4:
            self.stop()
        return answer

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            for pipe in (self.process.stdin, self.process.stdout):
                assert pipe is not None
                with contextlib.suppress(OSError):
                    pipe.close()
            self.process = None


def _look(place: Path) -> dict[str, str]:
    """Everything under a folder but the outputs, with hashes."""
    seen = {}
    for path in sorted(place.rglob("*")):
        name = path.relative_to(place).as_posix()
        if name.startswith("ring/case/out/"):
            continue
        if path.is_symlink():
            seen[name] = f"link {path.readlink()}"
        elif path.is_file():
            seen[name] = hashlib.blake2b(path.read_bytes()).hexdigest()
        else:
            seen[name] = "folder or pipe"
    return seen


def _lay(place: Path, made: Any) -> None:
    inputs = place / "case/in"
    for folder in (inputs, place / "case/out", place / "case/tmp"):
        folder.mkdir(parents=True)
    for name, content in made.files.items():
        (inputs / name).parent.mkdir(parents=True, exist_ok=True)
        (inputs / name).write_bytes(content)
    for name in (*made.folders, *made.pipes, *made.links):
        (inputs / name).parent.mkdir(parents=True, exist_ok=True)
    for name in made.folders:
        (inputs / name).mkdir()
    for name in made.pipes:
        os.mkfifo(inputs / name)
    for name, target in made.links.items():
        (inputs / name).symlink_to(target)


def judge(
    answer: dict[str, Any], before: dict[str, str], after: dict[str, str], seconds: float = MOST_SECONDS
) -> list[str]:
    """What is wrong with an answer; nothing if it is as it should be."""
    if "dead" in answer:
        return [answer["dead"]]
    wrong = []
    code, err = answer["code"], answer["err"]
    if "unforeseen" in err:
        wrong.append(f"unforeseen: {answer.get('trace')}")
    elif answer["traceback"] or "Traceback" in err:
        wrong.append(f"traceback: {answer.get('trace', err[-200:])}")
    elif code not in (0, 1, 2):
        wrong.append(f"exit code {code}: {err[-200:]}")
    elif code == 2 and not all(word in err for word in ("geoflow: ", "\n  where: ", "\n  cure:  ")):
        wrong.append(f"no what, where and cure: {err[:200]!r}")
    if answer["took"] > seconds:
        wrong.append(f"took {answer['took']:.0f} s")
    if answer["growth"] > MOST_GROWTH:
        wrong.append(f"grew by {answer['growth'] / 1e6:,.0f} MB")
    if answer["strays"]:
        wrong.append(f"wrote outside: {answer['strays']}")
    if before != after:
        names = sorted(name for name in before.keys() | after.keys() if before.get(name) != after.get(name))
        wrong.append(f"inputs changed or left behind: {names[:4]}")
    return wrong


@dataclass
class Failure:
    """A case that went wrong."""

    number: int
    kind: str
    spoilt: list[str]
    command: list[str]
    wrong: list[str]


@dataclass
class Outcome:
    """What a campaign found."""

    cases: int
    codes: collections.Counter[int]
    by_kind: collections.Counter[str]
    slowest: float
    largest: int
    failures: list[Failure]


def run(
    seed: int,
    first: int,
    count: int,
    *,
    only: str = "",
    keep: Path | None = None,
    show: bool = False,
    progress: int = 0,
    seconds: float = MOST_SECONDS,
) -> Outcome:
    """Run cases `first` to ``first + count`` of a seed; the same numbers give the same files.

    None may take more than `seconds` of the processor, and three times as many of the clock.
    """
    from bad_files import kinds
    from spoil import spoil

    known = kinds()
    strangers = [content for kind in known for content in kind.files.values()]
    done = Outcome(0, collections.Counter(), collections.Counter(), 0.0, 0, [])
    worker = Worker(seconds)
    start = time.monotonic()
    try:
        for number in range(first, first + count):
            kind = known[number % len(known)]
            if only not in kind.name:
                continue
            chance = random.Random(f"{seed} {number}")
            made = spoil(chance, kind.files, kind.mutable, strangers)
            command = list(kind.command)
            if kind.writes and chance.random() < _WRITES:
                command = list(chance.choice(kind.writes))
            with tempfile.TemporaryDirectory(prefix="geoflow-bad-") as ring:
                # Two rings around the case show what climbs out of it.
                place = Path(ring) / "ring"
                _lay(place, made)
                before = _look(Path(ring))
                writes = any(part.startswith("../out") for part in command)
                answer = worker.ask({"place": str(place / "case"), "command": command, "watch": True})
                wrong = judge(answer, before, _look(Path(ring)), seconds)
                if not writes and any((place / "case/out").iterdir()):
                    wrong.append("wrote an output that was not asked for")
                if wrong and keep is not None:
                    _keep(place / "case/in", keep / str(number))
            done.cases += 1
            done.codes[answer.get("code", -9)] += 1
            done.by_kind[kind.name] += 1
            done.slowest = max(done.slowest, answer.get("took", 99.0))
            done.largest = max(done.largest, answer.get("growth", 0))
            if wrong:
                done.failures.append(Failure(number, kind.name, made.said, command, wrong))
                print(f"case {number} ({kind.name}; {'; '.join(made.said)}): {' / '.join(wrong)}", flush=True)
            if show:
                print(f"case {number}: geoflow {' '.join(command)}\n  {made.said}\n{answer}", flush=True)
            if progress and done.cases % progress == 0:
                rate = done.cases / (time.monotonic() - start)
                print(f"{done.cases:,} of {count:,}, {rate:.1f} a second, {len(done.failures)} failures", flush=True)
    finally:
        worker.stop()
    return done


def _keep(folder: Path, kept: Path) -> None:
    """Keep the inputs of a failure, but pipes, which nothing can copy."""

    def pipes(inside: str, names: list[str]) -> set[str]:
        return {name for name in names if Path(inside, name).is_fifo()}

    shutil.rmtree(kept, ignore_errors=True)
    shutil.copytree(folder, kept, symlinks=True, ignore=pipes)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worker", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--only", default="", help="kinds with this in their name")
    parser.add_argument("--keep", type=Path, help="folder for the inputs of failures")
    parser.add_argument("--show", action="store_true", help="print every answer")
    options = parser.parse_args()
    if options.worker:
        work()
        return 0
    done = run(
        options.seed,
        options.first,
        options.count,
        only=options.only,
        keep=options.keep,
        show=options.show,
        progress=500,
    )
    print(f"\n{done.cases:,} files: exit codes {dict(sorted(done.codes.items()))}")
    print(f"slowest {done.slowest:.1f} s, most memory {done.largest / 1e6:,.0f} MB")
    print(f"{len(done.failures)} failures")
    for kind, number in sorted(done.by_kind.items()):
        failed = sum(one.kind == kind for one in done.failures)
        print(f"  {kind:32} {number:6,} {failed or ''}")
    return 1 if done.failures else 0


if __name__ == "__main__":
    sys.exit(main())
