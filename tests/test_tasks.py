"""The project's own tools: which tests a change reaches, versions in one place, everything shipped and pinned."""

from __future__ import annotations

import datetime
import re
import tomllib
from pathlib import Path

from reach import imports, modules, reached_tests

import geoflow

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def reached(name: str) -> set[str]:
    return {Path(test).stem for test in reached_tests([name])[0]}


def test_a_change_reaches_the_tests_that_import_it_over_any_number_of_steps() -> None:
    tanks = modules()["geoflow.physics.tanks"].relative_to(ROOT).as_posix()
    assert {"test_tanks", "test_planning", "test_cli"} <= reached(tanks), "itself, over one step, over lazy imports"
    assert not {"test_lag", "test_lines"} & reached(tanks)
    assert {"test_tanks", "test_ammonia"} <= reached("tests/published.py")


def test_a_change_reaches_the_tests_that_read_the_file() -> None:
    assert "test_tanks" in reached("tests/published/tanks.csv")
    assert "test_lag" not in reached("tests/published/tanks.csv")
    assert "test_page" in reached(next((ROOT / "geoflow").rglob("page.js")).relative_to(ROOT).as_posix())
    assert "test_cli" in reached("docs/words.md")
    assert len(reached("pyproject.toml")) == len(list((ROOT / "tests").glob("test_*.py")))
    assert reached_tests([])[0] == []


def test_imports_are_seen_lazy_or_not(tmp_path: Path) -> None:
    odd = tmp_path / "odd.py"
    odd.write_text(
        "import published\ndef f():\n    from geoflow.base import units\nrun = ['-m', 'geoflow.cli']\n", "utf-8"
    )
    assert imports(odd) == {"published", "geoflow.base", "geoflow.base.units", "geoflow.cli"}


def test_the_version_stands_in_one_place_and_the_changelog_dates_it() -> None:
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert PROJECT["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "geoflow.__version__"}
    heads = re.findall(r"(?m)^## (.*)$", (ROOT / "docs" / "changelog.md").read_text(encoding="utf-8"))
    named = [re.fullmatch(r"(\d+\.\d+\.\d+) \((\d{4}-\d\d-\d\d)\)", head) for head in heads]
    assert all(named), heads
    assert named[0] and named[0][1] == geoflow.__version__
    for number in (1, 2):
        order = [tuple(map(int, re.split(r"[.-]", match[number]))) for match in named if match]
        assert order == sorted(order, reverse=True)
    assert all(datetime.date.fromisoformat(match[2]) for match in named if match)


def test_the_types_are_shipped() -> None:
    shipped = PROJECT["tool"]["setuptools"]["package-data"]["geoflow"]
    assert "py.typed" in shipped and (ROOT / "geoflow" / "py.typed").is_file()
    for pattern in shipped:
        assert list((ROOT / "geoflow").glob(pattern)), pattern


def test_development_tools_are_pinned() -> None:
    pinned = PROJECT["project"]["optional-dependencies"]["tools"]
    assert all(re.fullmatch(r"[\w-]+==[\w.]+", line) for line in pinned), pinned
    assert {"ruff", "mypy", "pytest", "pytest-xdist", "hypothesis"} <= {line.partition("==")[0] for line in pinned}


def test_hooks_before_a_commit_are_local() -> None:
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"- repo: (\S+)", hooks) == ["local"]
    assert set(re.findall(r"entry: (.*)", hooks)) == {".venv/bin/python tests check", ".venv/bin/python tests quick"}
