"""What the documents and the sources of checks cite is there to be read."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SKIPPED = {".venv", ".git", "__pycache__", "node_modules", "build"}
TEXTS = {".md", ".py", ".csv", ".toml", ".html", ".js", ".css", ".yaml", ""}

# Files that a reader makes or has, or that a command writes: named in the documents, never in the repository.
EXAMPLES = re.compile(
    r"\.\.\.|^my_|^rx\.shp$|^(report|card|zones|vet|reconcile|rewrite|plan|season|catalog|logs|log|rehearsal|bar|size|answers|NAME|phone|places)\.\w+$|^season/catalog\.csv$|^(summary|bars)/"
)
# Words for notes and lists of which nobody can say where they are.
NOWHERE = re.compile(
    r"(?i)\b(the )?project'?s( \w+)? (notes?|list)\b|\b(physics|geometry) notes\b|\blist of (outside )?checks\b"
)


def tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode == 0:
        found = [ROOT / name for name in listed.stdout.splitlines()]
    else:
        found = [path for path in ROOT.rglob("*") if not SKIPPED & set(path.relative_to(ROOT).parts)]
    return [path for path in found if path.is_file()]


FILES = tracked()
NAMES = {"/" + path.relative_to(ROOT).as_posix() for path in FILES}
PAGES = [path for path in FILES if path.suffix == ".md"]


def cited(text: str, endings: str) -> set[str]:
    """Names of files in a text; a web address is none."""
    text = re.sub(r"https?://\S+", "", text)
    return {
        name for name in re.findall(rf"[\w./-]*\w\.(?:{endings})\b(?![\w(]|/\w)", text) if not name.startswith("//")
    }


def missing(names: set[str]) -> list[str]:
    return sorted(
        name
        for name in names
        if not EXAMPLES.search(name) and not any(there.endswith("/" + name.lstrip("./")) for there in NAMES)
    )


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_page_names_only_files_that_are_there(path: Path) -> None:
    assert missing(cited(path.read_text(encoding="utf-8"), "md|py|csv|toml|html|shp|geojson|json|pdf")) == []


def test_no_page_outside_the_repository_is_cited() -> None:
    for path in FILES:
        if path.suffix in TEXTS and path != Path(__file__):
            text = path.read_text(encoding="utf-8")
            assert missing(cited(text, "md")) == [], path
            assert not (found := NOWHERE.search(text)), f"{path}: {found}"


def test_the_rules_see_what_is_not_there() -> None:
    assert missing(
        cited("as nowhere.md 1.4 has it; docs/physics.md; https://x.org/README.md; `my_bar.toml`", "md|toml")
    ) == ["nowhere.md"]
    assert missing({"tests/nowhere.py", "published.py", "DEVELOPERS.md"}) == ["tests/nowhere.py"]
    for text in ("list of checks in the project's physics notes", "the project's list", "list of outside checks"):
        assert NOWHERE.search(text)
