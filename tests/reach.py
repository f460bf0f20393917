"""Which test files a change can break: those that import what changed, over any number of steps, lazily or not."""

from __future__ import annotations

import ast
import functools
import subprocess
from collections.abc import Iterable
from pathlib import Path

__all__ = ["changed_files", "importers", "imports", "modules", "reached_tests"]

HERE = Path(__file__).parent
ROOT = HERE.parent
# What every test rests on, and the tests that read all files.
READ_BY_ALL = ("pyproject.toml", "tests/conftest.py")
ALWAYS = ("tests/test_house_rules.py", "tests/test_documents.py")


def changed_files(since: str) -> list[str]:
    """Files that differ from a commit, new ones too, as paths from the root."""
    listed = [["diff", "--name-only", since], ["ls-files", "--others", "--exclude-standard"]]
    found = [subprocess.run(["git", *what], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True) for what in listed]
    return sorted({line for result in found for line in result.stdout.splitlines()})


@functools.cache
def modules() -> dict[str, Path]:
    """Every module of the package and of the tests by the name it is imported under."""
    found = {}
    for folder, root in ((ROOT / "geoflow", ROOT), (HERE, HERE)):
        for path in folder.rglob("*.py"):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(part for part in parts if part != "__init__")] = path
    return found


@functools.cache
def imports(path: Path) -> frozenset[str]:
    """Names of our own modules that a file imports; a package comes along with each of its modules."""
    named: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            named |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            named |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node.value in modules().keys() - {"geoflow"}
        ):
            named.add(node.value)  # a module looked up by its name, or run with -m
    return frozenset(named & modules().keys())


def importers(changed: Iterable[Path]) -> set[Path]:
    """The changed files and all that import them, over any number of steps."""
    users: dict[Path, set[Path]] = {}
    for path in modules().values():
        for name in imports(path):
            users.setdefault(modules()[name], set()).add(path)
    reached, waiting = set(), list(changed)
    while waiting:
        path = waiting.pop()
        if path not in reached:
            reached.add(path)
            waiting += users.get(path, ())
    return reached


def _readers(name: str) -> set[Path]:
    """Modules in whose text a file that is no module is named: whole, without its ending, or by its folder."""
    path = Path(name)
    texts = {module: module.read_text(encoding="utf-8") for module in modules().values()}
    for words in ((path.name, f'"{path.stem}"'), (f'"{path.parent.name}"', f"/{path.parent.name}/")):
        found = {module for module, text in texts.items() if any(word in text for word in words)}
        if found:
            return found
    return set()


def reached_tests(changed: Iterable[str]) -> tuple[list[str], str]:
    """Test files, as paths from the root, that a change can break, and how many of how many in words."""
    every = sorted(path for path in modules().values() if path.parent == HERE and path.name.startswith("test_"))
    start: set[Path] = set()
    for name in changed:
        if name in READ_BY_ALL:
            start |= set(every)
        elif name.endswith(".py"):
            start.add(ROOT / name)
        else:
            start |= _readers(name)
    reached = importers(start) | ({ROOT / name for name in ALWAYS} if start else set())
    chosen = [path for path in every if path in reached]
    names = [path.relative_to(ROOT).as_posix() for path in chosen]
    return names, f"{len(names)} of {len(every)} test files import or read them"
