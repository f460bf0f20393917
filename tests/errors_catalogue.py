"""Every error of the package, read out of its source: what it says, where it points, how to put it right.

Run it to write docs/errors.md:  .venv/bin/python tests/errors_catalogue.py
"""

from __future__ import annotations

import ast
import dataclasses
import functools
import importlib.util
import itertools
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from placeholders import label_of
from source_texts import OPEN, PARAMETER, SHUT, Alternative, Scope, Texts, agree, open_for, own_calls

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "geoflow"
DOCUMENT = ROOT / "docs" / "errors.md"
COMMAND = ".venv/bin/python tests/errors_catalogue.py"

# What else carries an error's words until one is raised, with the order of its arguments.
CARRIERS = {
    ("formats/bars.py", "note"): ("BarError", ("where", "what", "cure")),
    ("formats/taskdata_xml.py", "_RefusedError"): ("PrescriptionError", ("what", "cure")),
}
# Errors of the first function (or module) only reach the second, which adds where and cure.
COMPLETED = {
    ("formats/bar_values.py", ""): ("formats/bars.py", "_Reader._value"),
    ("formats/bars.py", "_Reader._named"): ("formats/bars.py", "_Reader._named"),
    ("formats/taskdata_xml.py", "_parse.begin"): ("formats/taskdata_xml.py", "_parse"),
    ("formats/taskdata_xml.py", "_parse.refuse"): ("formats/taskdata_xml.py", "_parse"),
}
# Functions that a library calls too, so that their own callers do not say all.
CALLED_FROM_OUTSIDE = {("cli/options.py", "Parser.error")}
# What may be absent where geoflow is installed without an extra: its errors cannot be provoked then.
NEEDS = {
    "formats/parquet.py": "pyarrow",
    "formats/logtables.py _read_parquet": "pyarrow",
    "formats/raster.py": "rasterio",
    "formats/raster_out.py": "rasterio",
    "formats/ground_rasters.py": "rasterio",
    "web/": "starlette",
    "season": "dask",
}
# Areas in the reader's words, the first that fits counts.
AREAS = {
    "formats/bar": "The bar file",
    "coefficients.py": "The bar file",
    "formats/taskdata_logs.py": "Reading a log",
    "formats/taskdata_tlg.py": "Reading a log",
    "formats/log": "Reading a log",
    "formats/taskdata_out.py": "Writing ISO 11783-10 task data",
    "formats/taskdata_write.py": "Writing ISO 11783-10 task data",
    "formats/taskdata_lay.py": "Writing ISO 11783-10 task data",
    "formats/taskdata": "Reading ISO 11783-10 task data",
    "formats/rewritten": "Writing changed rates into a copy of the file",
    "formats/raster_out.py": "Writing a raster",
    "formats/ground_rasters.py": "Writing a raster",
    "formats/raster.py": "Reading a raster",
    "formats/parquet.py": "Reading and writing GeoParquet",
    "formats/input_files.py": "Reading files",
    "formats/journal.py": "Writing files",
    "formats/output.py": "Writing files",
    "formats/layers.py": "Writing files",
    "formats/prescription_out.py": "Writing a prescription in another format",
    "formats/shapes_out.py": "Writing a prescription in another format",
    "formats/": "Reading a prescription or a boundary",
    "units.py": "Numbers with units",
    "rates.py": "Numbers with units",
    "cli/": "The command line",
    "workflow/": "The command line",
    "season": "A whole season",
    "web/": "The local page",
    "report/": "Reports",
    "": "What the bar and the arithmetic allow",
}


@dataclass(frozen=True, slots=True)
class Site:
    """A place in the source where an error is made."""

    file: str
    first: int
    last: int
    function: str

    def __str__(self) -> str:
        return f"geoflow/{self.file}:{self.first} in {self.function}"


@dataclass(frozen=True, slots=True)
class Entry:
    """One error: its class, its words with placeholders, and where it is made."""

    kind: str
    what: str
    where: str
    cures: tuple[str, ...]
    site: Site
    passed_on: bool = False

    def says(self, what: str) -> bool:
        """Whether these are the words of this error."""
        return _pattern(self.what).fullmatch(what) is not None


@functools.lru_cache(maxsize=4096)
def _pattern(text: str) -> re.Pattern[str]:
    pieces = re.split(f"{OPEN}[^{SHUT}]*{SHUT}", text)
    return re.compile(".*".join(map(re.escape, pieces)), re.DOTALL)


def shown(text: str) -> str:
    """Return a text with its placeholders as <name>."""
    return _filled(text).replace(OPEN, "<").replace(SHUT, ">")


def _filled(text: str) -> str:
    """Put in the limits of the program as they are; tests set others to be quick."""
    return re.sub(f"{OPEN}=([^{SHUT}]*){SHUT}", r"\1", text)


class Source(Texts):
    """The package's source and the errors in it."""

    def __init__(self, package: Path = PACKAGE) -> None:
        super().__init__(package)
        self.kinds = self._tree()
        self.calls: dict[str, list[tuple[Scope, ast.Call]]] = {}
        for scopes in self.scopes.values():
            for scope in scopes:
                for call in own_calls(scope):
                    self.calls.setdefault(_called(call), []).append((scope, call))

    def _tree(self) -> dict[str, str]:
        """Return the classes of the tree of errors and their meanings."""
        kinds: dict[str, str] = {}
        for module in [self.modules["errors.py"], *self.modules.values()]:
            for node in module.body:
                bases = (
                    {base.id for base in node.bases if isinstance(base, ast.Name)}
                    if isinstance(node, ast.ClassDef)
                    else set()
                )
                if isinstance(node, ast.ClassDef) and (node.name == "GeoflowError" or bases & kinds.keys()):
                    kinds[node.name] = (ast.get_docstring(node) or "").partition("\n")[0]
        return kinds

    def entries(self) -> list[Entry]:
        """Return every error, in the order of the source."""
        found: list[Entry] = []
        for scopes in self.scopes.values():
            for scope in scopes:
                for call in own_calls(scope):
                    made = self._made(call, scope)
                    if made:
                        found += self._expanded(*made, scope, call, ())
        together: dict[tuple[Site, str, str], Entry] = {}
        for entry in found:
            key = (entry.site, entry.kind, entry.what)
            before = together.get(key)
            cures = dict.fromkeys((*before.cures, *entry.cures) if before else entry.cures)
            together[key] = dataclasses.replace(before or entry, cures=tuple(cures))
        return [self._completed(entry, together.values()) for entry in together.values()]

    @staticmethod
    def _completed(entry: Entry, entries: Iterable[Entry]) -> Entry:
        """Return an error with the cure that another function adds."""
        for (file, function), completer in COMPLETED.items():
            if entry.site.file == file and function in ("", entry.site.function) and not entry.where:
                there = [e for e in entries if (e.site.file, e.site.function) == completer and any(e.cures)]
                there = [e for e in there if e.passed_on] or there
                cures = entry.cures if any(entry.cures) else tuple(dict.fromkeys(c for e in there for c in e.cures))
                return dataclasses.replace(entry, where=there[0].where, cures=cures)
        return entry

    def _made(self, call: ast.Call, scope: Scope) -> tuple[str, dict[str, ast.expr | None]] | None:
        """Return class and words where a call makes an error."""
        named = {word.arg: word.value for word in call.keywords}
        name = _called(call)
        if (scope.file, name) in CARRIERS:
            kind, order = CARRIERS[scope.file, name]
            return kind, dict(itertools.zip_longest(order, call.args)) | named
        if not isinstance(call.func, ast.Name):
            return None
        words: dict[str, ast.expr | None] = {"what": call.args[0] if call.args else None, **named}
        if name in self.kinds:
            return name, words
        if name in scope.parameters and scope.function is not None:
            given = next(a for a in ast.walk(scope.function.args) if isinstance(a, ast.arg) and a.arg == name)
            if given.annotation is not None and "GeoflowError" in ast.unparse(given.annotation):
                return f"{PARAMETER}{name}{PARAMETER}", words
        return None

    def _expanded(
        self, kind: str, words: Mapping[str, ast.expr | None], scope: Scope, call: ast.Call, seen: tuple[str, ...]
    ) -> list[Entry]:
        what = words.get("what")
        passed_on = isinstance(what, ast.Attribute) and what.attr == "what"
        texts = [
            (kind, texts)
            for texts in _together(self.render(words.get(word), scope) for word in ("what", "where", "cure"))
        ]
        return self._filled(texts, scope, call, seen, passed_on)

    def _filled(
        self,
        made: list[tuple[str, tuple[str, ...]]],
        scope: Scope,
        call: ast.Call,
        seen: tuple[str, ...],
        passed_on: bool,
    ) -> list[Entry]:
        """Give the words their parameters: from those who call, where a whole text is one."""
        bare = {
            name
            for kind, (what, _, cure) in made
            for text in (kind, what, cure)
            if (name := text.strip(PARAMETER)) and text == f"{PARAMETER}{name}{PARAMETER}"
        }
        callers = (
            []
            if (scope.file, scope.name) in CALLED_FROM_OUTSIDE or scope.name in seen or scope.function is None
            else self._callers(scope)
        )
        if bare and callers:
            entries = []
            for outer, outer_call in callers:
                given = _arguments(scope, outer_call)
                filled = []
                for kind, texts in made:
                    names = {n for text in (kind, *texts) for n in re.findall(f"{PARAMETER}(\\w+){PARAMETER}", text)}
                    if kind.strip(PARAMETER) in names:
                        kind = _called_name(given[kind.strip(PARAMETER)])
                    options = [
                        [(name, text, choices) for text, choices in self.render(given.get(name), outer)]
                        for name in sorted(names)
                        if name in given and (name in bare or self.texty(given[name], outer))
                    ]
                    for choice in itertools.product(*options):
                        values = {name: text for name, text, _ in choice}
                        if agree([choices for _, _, choices in choice]) is not None:
                            filled.append((kind, tuple(_put(text, values) for text in texts)))
                entries += self._filled(filled, outer, outer_call, (*seen, scope.name), passed_on)
            return entries
        site = Site(scope.file, call.lineno, call.end_lineno or call.lineno, scope.name)
        return [
            Entry(kind, _put_all(what), _put_all(where), (_put_all(cure),), site, passed_on or _all_open(what))
            for kind, (what, where, cure) in made
        ]

    def _callers(self, scope: Scope) -> list[tuple[Scope, ast.Call]]:
        assert scope.function is not None
        name = scope.function.name
        home = "geoflow." + scope.file.removesuffix(".py").replace("/", ".")
        return [
            (outer, call)
            for outer, call in self.calls.get(name, [])
            if outer.file == scope.file or (isinstance(call.func, ast.Name) and _imports(outer.module, home, name))
        ]


def _imports(module: ast.Module, home: str, name: str) -> bool:
    return any(
        isinstance(node, ast.ImportFrom) and node.module == home and any(alias.name == name for alias in node.names)
        for node in ast.walk(module)
    )


def _called_name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else ast.unparse(node)


def _called(call: ast.Call) -> str:
    match call.func:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
    return ""


def _together(parts: Iterable[list[Alternative]]) -> list[tuple[str, ...]]:
    return [
        tuple(text for text, _ in chosen)
        for chosen in itertools.product(*parts)
        if agree([choices for _, choices in chosen]) is not None
    ]


def _arguments(scope: Scope, call: ast.Call) -> dict[str, ast.expr]:
    """Return what a call gives each parameter of a function."""
    names = [name for name in scope.parameters if name not in ("self", "cls")]
    given = dict(zip(names, call.args, strict=False))
    given |= {word.arg: word.value for word in call.keywords if word.arg}
    for name in names:
        if name not in given and (default := scope.default(name)) is not None:
            given[name] = default
    return given


def _put(text: str, values: Mapping[str, str]) -> str:
    for name, value in values.items():
        text = text.replace(f"{PARAMETER}{name}{PARAMETER}", value)
    return text


def _all_open(text: str) -> bool:
    """Whether a text is one placeholder: the words come from an error made elsewhere."""
    return re.fullmatch(f"{OPEN}[^{SHUT}]*{SHUT}", text) is not None


def _put_all(text: str) -> str:
    return re.sub(f"{PARAMETER}(\\w+){PARAMETER}", lambda m: open_for(label_of(ast.Name(m[1]))), text)


# --- the document -----------------------------------------------------------------------------------------------

_HEAD = f"""# What geoflow refuses, and what to do about it

Every sentence with which geoflow stops, and its cure below it. Look for the words on your screen; what stands in
\\<angle brackets> is filled in at the time. A message also says where the trouble is: the file and row, the key of the
bar file, or the option. When a command stops, no file has been changed, unless the message says so itself.

This page is made from the program's source by `{COMMAND}`.
"""


def area(file: str) -> str:
    """Return what a module is about, in the reader's words."""
    return next(words for start, words in AREAS.items() if file.startswith(start))


def _sorted_by(text: str) -> str:
    return re.sub(r"[^a-z0-9 ]", "", shown(text).casefold()).strip()


def markdown(source: Source) -> str:
    """Return docs/errors.md."""
    grouped: dict[str, dict[str, dict[str, dict[str, None]]]] = {}
    for entry in source.entries():
        if entry.passed_on:
            continue
        said = grouped.setdefault(_kind_shown(entry), {}).setdefault(area(entry.site.file), {})
        said.setdefault(entry.what, {}).update(dict.fromkeys(entry.cures))
    lines = [_HEAD]
    for kind, meaning in source.kinds.items():
        if kind not in grouped:
            continue
        lines.append(f"## {meaning.rstrip('.')}\n")
        for words in dict.fromkeys(AREAS.values()):
            if words not in grouped[kind]:
                continue
            lines.append(f"### {words}\n")
            for what, cures in sorted(grouped[kind][words].items(), key=lambda item: _sorted_by(item[0])):
                lines.append(f"- **{_inline(what)}**")
                lines += [f"  - {_inline(cure)}" for cure in sorted(cures)]
            lines.append("")
    return "\n".join(lines)


def _kind_shown(entry: Entry) -> str:
    # Errors of a key's value only ever reach a person as errors of the bar file.
    completer = next((c for (file, _), c in COMPLETED.items() if file == entry.site.file), None)
    return "BarError" if completer and entry.kind == "QuantityError" else entry.kind


def _inline(text: str) -> str:
    flat = re.sub(r"\s*\n\s*", " ", _filled(text)).replace("<", "\\<").replace("*", "\\*")
    return flat.replace(OPEN, "\\<").replace(SHUT, ">")


# --- what was made while tests ran ------------------------------------------------------------------------------

# Places in the package, innermost first, from which an error was made, and its words.
Made = tuple[tuple[tuple[str, int], ...], str]


def available(site: Site) -> bool:
    """Whether the library is here without which a site cannot be reached."""
    return all(
        importlib.util.find_spec(name)
        for start, name in NEEDS.items()
        if f"{site.file} {site.function}".startswith(start)
    )


def judge(entries: list[Entry], made: Iterable[Made]) -> tuple[list[Entry], list[str]]:
    """Return the errors that nothing made, and those that were made in other words than the catalogue's."""
    lines: dict[tuple[str, int], list[Entry]] = {}
    for entry in entries:
        for line in range(entry.site.first, entry.site.last + 1):
            lines.setdefault((entry.site.file, line), []).append(entry)
    provoked, unlisted = set(), set()
    for places, what in made:
        at = next((lines[place] for place in places if place in lines), None)
        said = [entry for entry in at or () if entry.says(what)]
        provoked.update(said)
        if not said:
            unlisted.add(f"geoflow/{places[0][0]}:{places[0][1]}: {what}" if places else what)
    return [entry for entry in entries if entry not in provoked and available(entry.site)], sorted(unlisted)


if __name__ == "__main__":
    DOCUMENT.write_text(markdown(Source()), encoding="utf-8")
