"""docs/errors.md as the table of all messages: read, and held against the source and against what tests provoke.

The table is written by hand. What holds it to the truth: every text in a call that makes an error stands in it, every
such call was reached by a test, every line of it was said in a test, and nothing was said that is not in it.
"""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from geoflow.base import errors
from geoflow.web import sessions  # noqa: F401 - its class of the tree belongs to the table

__all__ = ["DOCUMENT", "PACKAGE", "Made", "Message", "Site", "Table", "flat", "kinds", "read_table", "sites"]

PACKAGE = Path(errors.__file__).parent.parent
DOCUMENT = PACKAGE.parent / "docs" / "errors.md"
# Carry an error's words until it is raised, beside the classes of the tree and the functions that return one.
# Each only in the file, or the room, named beside it.
CARRIERS = {"note": "bar/", "_RefusedError": "isoxml/xml.py"}
# What only a fault in a library or in geoflow's own writing would bring: no input reaches it.
GUARDS = {
    "the coordinate system is no text",
    "the feature of row",
    "has no '",
    "columns, rows or coordinate system differ",
    "areas differ",
}


@dataclass(frozen=True)
class Message:
    """One line of the table: the class of the error, its words, and the cures that go with them."""

    kind: str
    what: str
    cures: tuple[str, ...]

    def says(self, kind: str, what: str, cure: str) -> bool:
        """Whether these are the words and one of the cures of this message."""
        return kind == self.kind and _fits(self.what, what) and any(_fits(one, cure) for one in self.cures)

    @property
    def weight(self) -> int:
        """How much of it is fixed text."""
        return len(re.sub(r"<[^>]*>", "", self.what))


@dataclass(frozen=True)
class Site:
    """A call in the source that makes an error, and the fixed texts in it."""

    file: str
    first: int
    last: int
    texts: tuple[str, ...]
    helper: bool = False  # the words are put together further in


@dataclass(frozen=True)
class Made:
    """An error made while tests ran, and from where in the package, innermost first."""

    places: tuple[tuple[str, int], ...]
    kind: str
    what: str
    where: str
    cure: str


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


@functools.lru_cache(maxsize=8192)
def _pattern(text: str) -> re.Pattern[str]:
    """<placeholders> hold anything, and so do numbers: tests set other limits to be quick."""
    pieces = re.split(r"<[^>]*>", text)
    return re.compile(".*".join(re.sub(r"\d[\d,.]*", r"[\\d,.]+", re.escape(piece)) for piece in pieces), re.DOTALL)


def _fits(line: str, said: str) -> bool:
    return _pattern(line).fullmatch(flat(said)) is not None


def kinds() -> dict[str, str]:
    """Classes of the tree of errors and the headings they have in the table."""
    found, waiting = {}, [errors.GeoflowError]
    while waiting:
        kind = waiting.pop()
        found[kind.__name__] = (kind.__doc__ or "").partition("\n")[0].rstrip(".")
        waiting += kind.__subclasses__()
    return found


def read_table(text: str) -> list[Message]:
    """Read docs/errors.md."""
    of_heading = {heading: kind for kind, heading in kinds().items()}
    found: list[Message] = []
    kind = ""
    for line in text.splitlines():
        plain = line.replace("\\", "")
        if line.startswith("## "):
            kind = of_heading[plain[3:]]
        elif line.startswith("- **"):
            found.append(Message(kind, plain[4:-2], ()))
        elif line.startswith("  - "):
            found[-1] = Message(found[-1].kind, found[-1].what, (*found[-1].cures, plain[4:]))
    return found


def sites(package: Path = PACKAGE) -> Iterator[Site]:
    """Every call in the source that makes an error."""
    trees = {path.relative_to(package).as_posix(): ast.parse(path.read_text("utf-8")) for path in package.rglob("*.py")}
    names = set(kinds())
    makers = names | {
        node.name
        for tree in trees.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.returns is not None and ast.unparse(node.returns) in names
    }
    for file, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                if name in makers or (name in CARRIERS and file.startswith(CARRIERS[name])):
                    words = [*node.args, *(word.value for word in node.keywords if word.arg != "where")]
                    helper = name in makers - names
                    yield Site(file, node.lineno, node.end_lineno or node.lineno, tuple(_texts(words)), helper)


def _texts(words: Iterable[ast.AST]) -> Iterator[str]:
    for word in words:
        for node in ast.walk(word):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                text = flat(node.value)
                if re.search(r"\w \w", text) and not text.startswith("--"):  # an option is a place
                    yield text


class Table:
    """The messages of the document and the calls of the source, to be judged by what tests provoked."""

    def __init__(self, document: str | None = None, package: Path = PACKAGE) -> None:
        text = DOCUMENT.read_text(encoding="utf-8") if document is None else document
        self.plain = flat(text.replace("\\", ""))
        self.messages = sorted(read_table(text), key=lambda message: -message.weight)
        self.sites = list(sites(package))

    def judge(self, made: Iterable[Made]) -> dict[str, list[str]]:
        """Return what the table lacks or has too much, line by line below what is to be done about it."""
        said: set[Message] = set()
        fine: set[str] = set()  # an error may be passed on in the same words, as another class or with another cure
        unlisted: list[Made] = []
        reached: set[tuple[str, int]] = set()
        whole: list[str] = []
        for one in made:
            reached.update(one.places)
            whole.append(f"{one.what} {one.where} {one.cure}")
            message = next((message for message in self.messages if message.says(one.kind, one.what, one.cure)), None)
            if message is not None:
                said.add(message)
                fine.add(one.what)
            elif one.cure:  # without, it waits for those who know the cure
                unlisted.append(one)
        everything = "\n".join(whole)
        return {
            "Put into docs/errors.md, with <placeholders>, what a test said": sorted(
                f"{one.kind} of {':'.join(map(str, one.places[0]))}: - **{one.what}**  - {one.cure}"
                for one in unlisted
                if one.what not in fine
            ),
            "Provoke in tests/test_errors.py, or delete, the calls that no test reached": [
                f"geoflow/{site.file}:{site.first}"
                for site in self.sites
                if not site.helper
                and not any((site.file, line) in reached for line in range(site.first, site.last + 1))
            ],
            "Provoke, and put into docs/errors.md, the texts in the source that are neither there nor said": [
                f"geoflow/{site.file}:{site.first}: {text}"
                for site in self.sites
                for text in site.texts
                if text not in self.plain and text not in everything and text not in GUARDS
            ],
            "Take out of docs/errors.md what no test said": [
                f"{message.kind}: {message.what}" for message in self.messages if message not in said
            ],
        }
