"""One command for whoever builds on geoflow:  .venv/bin/python tests [check | quick | all | docs | bench | fix]

check   ruff, ruff format and mypy, nothing changed
fix     what ruff can put right by itself
quick   the tests that what changed since a commit (default: the last one) can break, without the slow ones
all     every test, as often as its author asked (the hours' worth of a release)
docs    the pages that are made from the source
bench   the benchmarks; fails where one misses its bar
(none)  check, then all: what CI runs
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path

from reach import changed_files, reached_tests

HERE = Path(__file__).parent
ROOT = HERE.parent
CHECKS = [["-m", "ruff", "check", "."], ["-m", "ruff", "format", "--check", "."], ["-m", "mypy"]]
FIXES = [["-m", "ruff", "check", "--fix", "."], ["-m", "ruff", "format", "."]]
PAGES = [["tests/errors_catalogue.py"]]


def run(*commands: list[str], **environment: str) -> int:
    """Run Python with each list of arguments, all of them, and return how many failed."""
    failed = 0
    for command in commands:
        print("+ python", *command, flush=True)
        failed += subprocess.run([sys.executable, *command], cwd=ROOT, env=os.environ | environment).returncode != 0
    return failed


def quick(since: str, more: list[str]) -> int:
    """Run the tests reached by what changed."""
    changed = changed_files(since)
    tests, why = reached_tests(changed)
    print(f"{len(changed)} files changed since {since}: {why}", flush=True)
    if not tests:
        return 0
    return run(["-m", "pytest", "-m", "not slow", *more, *tests], HYPOTHESIS_PROFILE="quick")


def main() -> int:
    """Parse the command and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = ["check", "fix", "quick", "all", "docs", "bench"]
    parser.add_argument("command", nargs="?", choices=names)
    parser.add_argument("--since", default="HEAD", metavar="COMMIT", help="for quick: what counts as changed")
    options, more = parser.parse_known_args()
    every = ["-m", "pytest", *more]
    match options.command:
        case "check":
            failed = run(*CHECKS)
        case "fix":
            failed = run(*FIXES)
        case "quick":
            failed = quick(options.since, more)
        case "all":
            failed = run(every)
        case "docs":
            failed = run(*PAGES)
        case "bench":
            failed = run(*([str(path)] for path in sorted((HERE / "benchmarks").glob("*.py"))))
        case _:
            failed = run(*CHECKS, every)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
