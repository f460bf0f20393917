"""Rules of the house that a program can hold: who may import what, how things are named and described."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
from pathlib import Path

import pytest

import geoflow

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "geoflow"
MODULES = sorted(PACKAGE.rglob("*.py"))

# docs/decisions/0002-ranks.md: a room imports only from rooms before it.
ROOMS = (
    "base", "options", "physics", "bar", "hydraulics", "ground", "decide", "diagnosis", "reconciliation", "files",
    "layers", "isoxml", "prescription_files", "prescription_patch", "log_files", "outcomes", "rehearsal", "report",
    "field_card", "workflow", "season", "api", "web", "cli",
)  # fmt: skip
# Where an import of ours may stand inside a function, and why.
LATE = {
    "cli/": "help and complaints must not wait for the libraries that the work needs",
    "web/": "the page must answer while its heavy part is still loading",
    "ground/compiled.py": "numba is loaded only for logs long enough to gain by it, and may be missing",
    "prescription_files/readers.py": "a file loads the libraries of its own format only",
    "report/sizing.py": "sizes are told without their chart unless it is written",
    "workflow/said.py": "a command loads what its own workflow needs, and no other's",
    "workflow/reported.py": "a report loads what its own workflow needs, and no other's",
    "workflow/results.py": "a command loads what its own outcome needs, and no other's",
    "season/cluster.py": "workers load the heavy part once, before work comes",
}
# Only these places may import these libraries.
KEEPERS = {
    "pint": {"base/units.py"},
    "CoolProp": {"physics/"},
    "dask": {"season/"},
    "distributed": {"season/"},
    "matplotlib": {"report/"},
    "numba": {"ground/line_spans.py", "ground/line_sums.py"},
}
# Ceiling of a module; split a room before it passes it.
LINES = 400


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return "geoflow" if parts == ("__init__.py",) else parts[0].removesuffix(".py")


def room_named(module: str) -> str:
    return module.split(".")[1] if "." in module else "geoflow"


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def imports_of(path: Path) -> set[str]:
    """Names of all modules imported anywhere in a file: at the top, lazily, or for types alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def arrows() -> dict[str, set[str]]:
    """Which modules of the package each of its modules imports."""
    known = {module_of(path): path for path in MODULES}
    return {name: {other for other in imports_of(path) & set(known) if other != name} for name, path in known.items()}


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Strongly connected components of more than one member."""
    reach = {start: reached_from(start, graph) for start in graph}
    found = {frozenset({a, *(b for b in reach[a] if a in reach.get(b, set()))}) for a in graph}
    return sorted(sorted(members) for members in found if len(members) > 1)


def reached_from(start: str, graph: dict[str, set[str]]) -> set[str]:
    """Everything that can be reached along the arrows."""
    seen: set[str] = set()
    left = list(graph[start])
    while left:
        at = left.pop()
        if at not in seen:
            seen.add(at)
            left += graph.get(at, set())
    return seen


def test_no_module_and_no_room_imports_itself_in_a_circle() -> None:
    modules = arrows()
    rooms_alone = {name for name in modules if any(other.startswith(f"{name}.") for other in modules)} - {"geoflow"}
    assert circles({name: others - rooms_alone for name, others in modules.items()}) == []
    rooms: dict[str, set[str]] = {}
    for name, others in modules.items():
        mine = rooms.setdefault(room_named(name), set())
        mine |= {room_named(other) for other in others} - {room_named(name), "geoflow"}
    assert circles(rooms) == []


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [["b", "c"]]


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_rooms_import_from_rooms_before_them(path: Path) -> None:
    mine = room_of(path)
    for module in imports_of(path):
        theirs = room_named(module) if module.startswith("geoflow.") else "geoflow"
        if theirs in ROOMS and mine in ROOMS:
            assert ROOMS.index(theirs) <= ROOMS.index(mine), f"{mine} imports {module}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_our_own_imports_stand_at_the_top(path: Path) -> None:
    if name_of(path).startswith(tuple(LATE)):
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    late = [
        ast.unparse(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("geoflow")
    ]
    assert late == []


def test_no_room_is_called_like_a_function_of_the_face() -> None:
    """Python sets a folder that is imported as an attribute of the package, in place of the function."""
    rooms = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert rooms & {*geoflow.__all__} == set()


def test_no_room_holds_more_than_a_fifth_of_the_code() -> None:
    lines: dict[str, int] = {}
    for path in MODULES:
        lines[room_of(path)] = lines.get(room_of(path), 0) + len(path.read_text(encoding="utf-8").splitlines())
    assert {room for room, size in lines.items() if size > sum(lines.values()) / 5} == set()


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_libraries_stay_with_their_keepers(path: Path) -> None:
    for module in imports_of(path):
        for library, keepers in KEEPERS.items():
            if module.split(".")[0] == library:
                assert any(name_of(path).startswith(keeper) for keeper in keepers)


def test_the_rules_see_a_lazy_import(tmp_path: Path) -> None:
    odd = tmp_path / "odd.py"
    odd.write_text("def f():\n    import pint\n    from geoflow import cli\n", encoding="utf-8")
    assert imports_of(odd) == {"pint", "geoflow", "geoflow.cli"}
    odd.write_text("if TYPE_CHECKING:\n    from geoflow.base.units import show\n", encoding="utf-8")
    assert imports_of(odd) == {"geoflow.base.units", "geoflow.base.units.show"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_stay_small_and_have_a_room(path: Path) -> None:
    assert room_of(path) in {*ROOMS, "geoflow"}
    assert "util" not in path.stem and "helper" not in path.stem
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LINES


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_public_names_are_listed(path: Path) -> None:
    module = importlib.import_module(module_of(path))
    tree = ast.parse(path.read_text(encoding="utf-8"))
    defined: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            defined |= {target.id for target in targets if isinstance(target, ast.Name)}
    public = {name for name in defined if not name.startswith("_")}
    assert public - {"__all__"} <= set(module.__all__), sorted(public - set(module.__all__))
    for name in module.__all__:
        assert hasattr(module, name)


def without_parameters(tree: ast.Module) -> list[str]:
    """Public functions, and public methods of public classes, that take something and do not say what."""
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_")]
    missing = []
    for node in (inner for outer in (tree, *classes) for inner in outer.body):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_"):
            given = node.args
            named = [*given.posonlyargs, *given.args, *given.kwonlyargs, given.vararg, given.kwarg]
            takes = {one.arg for one in named if one is not None} - {"self", "cls"}
            if takes and "Parameters\n" not in (ast.get_docstring(node) or ""):
                missing.append(node.name)
    return missing


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_public_functions_say_what_they_take(path: Path) -> None:
    assert without_parameters(ast.parse(path.read_text(encoding="utf-8"))) == []


def test_a_function_that_does_not_say_what_it_takes_is_seen() -> None:
    text = 'def a(x):\n    """A."""\ndef _b(x): ...\nclass C:\n    def d(self, *, y): ...\n    def e(self): ...'
    assert without_parameters(ast.parse(text)) == ["a", "d"]


PHYSICS = [path for path in MODULES if room_of(path) == "physics" and path.stem not in {"__init__", "roots"}]


def parameters_without_unit(function: object) -> list[str]:
    text = inspect.getdoc(function) or ""
    missing = []
    for name in inspect.signature(function).parameters:  # type: ignore[arg-type]
        if name in {"saturated", "end", "path", "steps", "keep_below", "line", "corners"}:
            continue  # objects and switches; their own fields carry the units
        entry = re.search(rf"(?ms)^[\w, ]*\b{name}\b[\w, ]* : .*?(?=^\S|\Z)", text)
        named = re.search(rf"`{name}`[^.]*\[", text)
        if not ((entry and "[" in entry.group(0)) or named):
            missing.append(name)
    return missing


@pytest.mark.parametrize("path", PHYSICS, ids=name_of)
def test_every_physics_argument_states_its_unit(path: Path) -> None:
    module = importlib.import_module(module_of(path))
    for name in module.__all__:
        thing = getattr(module, name)
        if inspect.isfunction(thing):
            assert parameters_without_unit(thing) == [], name


def test_the_unit_rule_sees_a_missing_unit() -> None:
    def careless(length: float) -> float:
        """Return twice the length.

        Parameters
        ----------
        length : float
            How long.
        """
        return 2 * length

    assert parameters_without_unit(careless) == ["length"]


def test_the_top_level_holds_only_what_it_may() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    if not tracked:
        pytest.skip("not a git checkout")
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "geoflow", "sample_fields", "tests", "docs"}
    top = {name.split("/")[0] for name in tracked}
    assert {name for name in top if not name.startswith(".")} <= allowed


# What a person or a machine reads and could copy into a terminal; pyproject.toml names its own extras to itself.
TEXTS = sorted(
    path
    for pattern in ("*.md", "docs/**/*.md", ".ci/*", ".github/**/*.yml", "geoflow/**/*", "tests/**/*.py")
    for path in ROOT.glob(pattern)
    if path.is_file() and path.suffix != ".pyc"
)
BY_NAME = re.compile(r"""install\b.*\bgeoflow\[|install\s+(-\S+\s+)*["']?geoflow(["'\s;&=<>~]|$)""")


def test_nobody_is_told_to_install_by_a_name_that_may_be_a_strangers() -> None:
    """Until the name is registered, installing by it fetches whatever another person put there."""
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in TEXTS
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines()
        if BY_NAME.search(line)
    ]
    assert len(TEXTS) > 200 and not found


def test_the_rule_about_installing_sees_the_old_forms() -> None:
    verb = "pip " + "install "
    for form in ('"geoflow[page]"', "'geoflow[parquet]'", "geoflow", "--quiet geoflow", "-U 'geoflow'", "geoflow==1"):
        assert BY_NAME.search(verb + form), form
    for form in ('".[page]"', '".[page]", then geoflow page', "--quiet . && .venv/bin/geoflow vet"):
        assert not BY_NAME.search(verb + form), form
