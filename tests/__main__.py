"""One command for whoever builds on geoflow:  .venv/bin/python tests [check | quick | all | docs | bench | fix]

check   ruff, ruff format and mypy, nothing changed
fix     what ruff can put right by itself
quick   the tests that what changed can break, without the slow ones and with fewer examples of each law; changed is
        what is not committed, or the last commit where all is, or what --since names
all     every test
docs    the parts of docs/bar-file.md and docs/options.md that are made from the source
bench   the benchmarks; fails where one misses its bar
(none)  check, then all: what CI runs
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
from pathlib import Path

from reach import changed_files, reached_tests

HERE = Path(__file__).parent
ROOT = HERE.parent
CHECKS = [["-m", "ruff", "check", "."], ["-m", "ruff", "format", "--check", "."], ["-m", "mypy"]]
FIXES = [["-m", "ruff", "check", "--fix", "."], ["-m", "ruff", "format", "."]]
OPTIONS = re.compile(r"(?s)(?<=<!-- options: made by geoflow.options.table -->\n).*?(?=<!-- end of options -->)")
KEYS = re.compile(
    r"(?s)(?<=<!-- keys: made by geoflow.bar.key_documents.key_table_markdown -->\n).*?(?=<!-- end of keys -->)"
)


def run(*commands: list[str], **environment: str) -> int:
    """Run Python with each list of arguments, all of them, and return how many failed."""
    failed = 0
    for command in commands:
        print("+ python", *command, flush=True)
        failed += subprocess.run([sys.executable, *command], cwd=ROOT, env=os.environ | environment).returncode != 0
    return failed


def quick(since: str, more: list[str]) -> int:
    """Run the tests reached by what changed."""
    changed = changed_files(since) if since else changed_files("HEAD") or changed_files(since := "HEAD~1")
    tests, why = reached_tests(changed)
    print(f"{len(changed)} files changed since {since or 'the last commit'}: {why}", flush=True)
    if not tests:
        return 0
    return run(["-m", "pytest", "-m", "not slow", *more, *tests], HYPOTHESIS_PROFILE="quick")


def docs() -> int:
    """Make the tables of the bar file's keys and of the options anew."""
    from geoflow.bar.key_documents import key_table_markdown

    page = ROOT / "docs" / "bar-file.md"
    table = key_table_markdown()
    page.write_text(KEYS.sub(lambda _: table, page.read_text(encoding="utf-8")), encoding="utf-8")
    from geoflow.options.page_parts import option_table_markdown

    page, table = ROOT / "docs" / "options.md", option_table_markdown()
    page.write_text(OPTIONS.sub(lambda _: table, page.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


def main() -> int:
    """Parse the command and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = ["check", "fix", "quick", "all", "docs", "bench"]
    parser.add_argument("command", nargs="?", choices=names)
    parser.add_argument("--since", default="", metavar="COMMIT", help="for quick: a commit")
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
            failed = docs()
        case "bench":
            failed = run(*([str(path)] for path in sorted((HERE / "benchmarks").glob("*.py"))))
        case _:
            failed = run(*CHECKS, every)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
