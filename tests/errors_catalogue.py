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
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

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
# What may be absent where geoflow is installed without an extra: its errors cannot be provoked then.
NEEDS = {
    "formats/parquet.py": "pyarrow",
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
    "formats/taskdata_write.py": "Writing ISO 11783-10 task data",
    "formats/taskdata_lay.py": "Writing ISO 11783-10 task data",
    "formats/taskdata": "Reading ISO 11783-10 task data",
    "formats/rewritten": "Writing changed rates into a copy of the file",
    "formats/raster_out.py": "Writing a raster",
    "formats/ground_rasters.py": "Writing a raster",
    "formats/raster.py": "Reading a raster",
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
# Placeholders that say more than the name in the code does.
LABELS = {
    "KINDS[kind].example": "example",
    "KINDS['pressure'].example": "example",
    "bar_keys.LONGEST_TEXT": "100",
    "path.name": "file",
    "path.suffix": "ending",
    "problem": "reason",
    "str(problem)": "reason",
    "exc": "reason",
    "text": "what was written",
    "shown(value)": "what was written",
    "repr": "what was written",
    "low": "low",
    "high": "high",
}
_OPEN, _SHUT, _PARAMETER = "\x00", "\x01", "\x02"


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


@dataclass(frozen=True)
class _Scope:
    """A function in its module."""

    file: str
    module: ast.Module
    function: ast.FunctionDef | ast.AsyncFunctionDef | None
    name: str

    @property
    def parameters(self) -> list[str]:
        if self.function is None:
            return []
        given = self.function.args
        return [argument.arg for argument in (*given.posonlyargs, *given.args, *given.kwonlyargs)]

    def default(self, parameter: str) -> ast.expr | None:
        """Return the default of a parameter."""
        assert self.function is not None
        given = self.function.args
        plain = [*given.posonlyargs, *given.args]
        defaults: dict[str, ast.expr | None] = {a.arg: d for a, d in zip(given.kwonlyargs, given.kw_defaults, strict=True)}
        defaults |= {a.arg: d for a, d in zip(plain[len(plain) - len(given.defaults) :], given.defaults, strict=True)}
        return defaults.get(parameter)


class _Binding(NamedTuple):
    """An assignment: where, in which block, of what, of which place of a tuple, and whether to what was there."""

    line: int
    block: list[ast.stmt]
    branch: int
    value: ast.expr
    place: int | None = None
    added: bool = False


# An alternative: a text and the choices (of branches) under which it is the text.
_Alternative = tuple[str, Mapping[Any, Any]]


@functools.lru_cache(maxsize=4096)
def _pattern(text: str) -> re.Pattern[str]:
    pieces = re.split(f"{_OPEN}[^{_SHUT}]*{_SHUT}", text)
    return re.compile(".*".join(map(re.escape, pieces)), re.DOTALL)


def shown(text: str) -> str:
    """Return a text with its placeholders as <name>."""
    return text.replace(_OPEN, "<").replace(_SHUT, ">")


def _place(label: str) -> str:
    return f"{_OPEN}{label}{_SHUT}"


def _label(expression: ast.expr) -> str:
    """Return a readable name for a value that is only known when the program runs."""
    source = ast.unparse(expression)
    if source in LABELS:
        return LABELS[source]
    match expression:
        case ast.Name(id=name):
            return name.strip("_").replace("_", " ").lower()
        case ast.Attribute(attr=name):
            return LABELS.get(name, name.strip("_").replace("_", " ").lower())
        case ast.Call(func=ast.Attribute(attr="join"), args=[listed]):
            return _label(listed)
        case ast.Call(func=ast.Attribute(value=value, attr="strip" | "rstrip" | "lower" | "casefold" | "title")):
            return _label(value)
        case ast.Call(func=ast.Attribute(attr="show"), args=[value, *_]):
            return _label(value)
        case ast.Call(func=ast.Name(id="len"), args=[_]):
            return "number"
        case ast.Call(func=ast.Name(id="nearest")):
            return "; did you mean the nearest name?"
        case ast.Call(func=ast.Name(), args=[value, *_]):
            return _label(value)
        case ast.Call(func=function):
            return _label(function)
        case ast.Subscript(value=value) | ast.Starred(value=value) | ast.UnaryOp(operand=value):
            return _label(value)
        case ast.BinOp(left=left, right=right):
            return _label(right if isinstance(left, ast.Constant) else left)
        case ast.GeneratorExp(elt=element) | ast.ListComp(elt=element):
            return "list of " + _label(element)
        case ast.JoinedStr(values=values):
            return " ".join(_label(v.value) for v in values if isinstance(v, ast.FormattedValue)) or "text"
        case ast.Constant(value=value):
            return str(value)
        case ast.BoolOp(values=[first, *_]):
            return _label(first)
        case ast.IfExp(body=body):
            return _label(body)
    return "number"


class Source:
    """The package's source, read once."""

    def __init__(self, package: Path = PACKAGE) -> None:
        self.modules = {
            path.relative_to(package).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
            for path in sorted(package.rglob("*.py"))
        }
        self._bound: dict[tuple[str, str, str], list[_Binding]] = {}
        self.kinds = self._tree()
        self.scopes: dict[str, list[_Scope]] = {file: list(self._scopes(file)) for file in self.modules}
        self.calls: dict[str, list[tuple[_Scope, ast.Call]]] = {}
        for scopes in self.scopes.values():
            for scope in scopes:
                for call in _own_calls(scope):
                    self.calls.setdefault(_called(call), []).append((scope, call))

    def _tree(self) -> dict[str, str]:
        """Return the classes of the tree of errors and their meanings."""
        kinds: dict[str, str] = {}
        for module in [self.modules["errors.py"], *self.modules.values()]:
            for node in module.body:
                bases = {base.id for base in node.bases if isinstance(base, ast.Name)} if isinstance(node, ast.ClassDef) else set()
                if isinstance(node, ast.ClassDef) and (node.name == "GeoflowError" or bases & kinds.keys()):
                    kinds[node.name] = (ast.get_docstring(node) or "").partition("\n")[0]
        return kinds

    def _scopes(self, file: str) -> Iterator[_Scope]:
        module = self.modules[file]
        yield _Scope(file, module, None, "the module")

        def within(node: ast.AST, prefix: str) -> Iterator[_Scope]:
            for child in ast.iter_child_nodes(node):
                if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield _Scope(file, module, child, prefix + child.name)
                    yield from within(child, f"{prefix}{child.name}.")
                elif isinstance(child, ast.ClassDef):
                    yield from within(child, f"{prefix}{child.name}.")
                else:
                    yield from within(child, prefix)

        yield from within(module, "")

    # --- values ---------------------------------------------------------------------------------------------

    def constant(self, file: str, name: str) -> tuple[str, ast.expr] | None:
        """Return the value of a name of a module, and the module it stands in."""
        for node in self.modules[file].body:
            match node:
                case ast.Assign(targets=[ast.Name(id=found)], value=value) if found == name:
                    return file, value
                case ast.Assign(targets=[ast.Tuple(elts=names)], value=ast.Tuple(elts=values)):
                    for target, value in zip(names, values, strict=False):
                        if isinstance(target, ast.Name) and target.id == name:
                            return file, value
                case ast.AnnAssign(target=ast.Name(id=found), value=ast.expr() as value) if found == name:
                    return file, value
                case ast.ImportFrom(module=str() as origin, names=names):
                    for alias in names:
                        home = origin.removeprefix("geoflow").removeprefix(".").replace(".", "/") + ".py"
                        if (alias.asname or alias.name) == name and home in self.modules and home != file:
                            return self.constant(home, alias.name)
        return None

    def bindings(self, scope: _Scope, name: str) -> list[_Binding]:
        """Return every assignment to a name in a function, in order."""
        key = (scope.file, scope.name, name)
        if key not in self._bound:
            self._bound[key] = [] if scope.function is None else list(self._bindings(scope.function, scope, name))
        return self._bound[key]

    def _bindings(self, node: ast.AST, scope: _Scope, name: str) -> Iterator[_Binding]:
        for field in ("body", "orelse", "finalbody", "handlers", "cases"):
            block = getattr(node, field, ())
            for child in block if isinstance(block, list) else ():
                match child:
                    case (
                        ast.Assign(targets=[ast.Name(id=found)], value=value)
                        | ast.AnnAssign(target=ast.Name(id=found), value=ast.expr() as value)
                        | ast.AugAssign(target=ast.Name(id=found), value=value)
                    ) if found == name:
                        yield _Binding(child.lineno, block, id(block), value, added=isinstance(child, ast.AugAssign))
                    case ast.Assign(targets=[ast.Tuple(elts=targets)], value=value):
                        for place, target in enumerate(targets):
                            if isinstance(target, ast.Name) and target.id == name:
                                alone = isinstance(value, ast.Tuple)
                                told = value.elts[place] if alone else value
                                yield _Binding(child.lineno, block, id(block), told, None if alone else place)
                    case ast.For(target=ast.Tuple(elts=targets), iter=ast.Tuple(elts=items) | ast.List(elts=items)):
                        for place, target in enumerate(targets):
                            if isinstance(target, ast.Name) and target.id == name:
                                rows = [(n, item.elts[place]) for n, item in enumerate(items) if isinstance(item, ast.Tuple)]
                                yield from (_Binding(child.lineno, child.body, n, value) for n, value in rows)
                if not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield from self._bindings(child, scope, name)

    def reaching(self, scope: _Scope, name: ast.Name) -> list[_Binding]:
        """Return the assignments that can hold where a name is used."""
        found: list[_Binding] = []
        for binding in self.bindings(scope, name.id):
            if binding.line >= name.lineno:
                continue
            around = binding.block[0].lineno <= name.lineno <= (binding.block[-1].end_lineno or 0)
            if around and not binding.added and not (found and found[-1].line == binding.line):
                found = []
            if around or not isinstance(binding.block[-1], ast.Raise | ast.Return | ast.Continue):
                found.append(binding)
        return found

    def _table(self, node: ast.expr, scope: _Scope, place: int | None) -> list[_Alternative]:
        """Return the texts of a table in the module that is looked up, or those at one place of its tuples."""
        match node:
            case ast.Call(func=ast.Attribute(value=ast.Name(id=name), attr="get"), args=[_, *rest]):
                pass
            case ast.Subscript(value=ast.Name(id=name)):
                rest = []
            case _:
                return []
        table = self.constant(scope.file, name)
        if table is None or not isinstance(table[1], ast.Dict):
            return []
        found: list[_Alternative] = []
        home = self.scopes[table[0]][0]
        for count, (item, at) in enumerate([*((value, home) for value in table[1].values), *((r, scope) for r in rest)]):
            if place is not None:
                if not isinstance(item, ast.Tuple) or len(item.elts) <= place:
                    return []
                item = item.elts[place]
            if not isinstance(item, ast.Constant | ast.JoinedStr | ast.Name | ast.Call):
                return []
            found += [(text, {**choices, (scope.name, name): count}) for text, choices in self.render(item, at, 4)]
        return found

    def render(self, node: ast.expr | None, scope: _Scope, depth: int = 0) -> list[_Alternative]:
        """Return what a text can read, with marks where it depends on the run or on a parameter."""
        if node is None:
            return [("", {})]
        if depth > 8:
            return [(_place(_label(node)), {})]
        match node:
            case ast.Constant(value=str() as text):
                return [(text, {})]
            case ast.JoinedStr(values=values):
                return _product(self.render(value, scope, depth + 1) for value in values)
            case ast.FormattedValue(value=value, format_spec=None, conversion=-1):
                return self.render(value, scope, depth + 1)
            case ast.FormattedValue(value=value):
                return [(_place(_label(value)), {})]
            case ast.BinOp(left=left, op=ast.Add(), right=right) if self.texty(node, scope):
                return _product([self.render(left, scope, depth + 1), self.render(right, scope, depth + 1)])
            case ast.IfExp(test=test, body=body, orelse=orelse):
                key = (scope.file, ast.unparse(test))
                return [
                    (text, {**choices, key: branch})
                    for branch, part in ((True, body), (False, orelse))
                    for text, choices in self.render(part, scope, depth + 1)
                    if choices.get(key, branch) == branch
                ]
            case ast.Name(id=name):
                return self._named(name, node, scope, depth)
            case ast.Subscript() | ast.Call():
                return self._table(node, scope, None) or [(_place(_label(node)), {})]
        return [(_place(_label(node)), {})]

    def _named(self, name: str, node: ast.Name, scope: _Scope, depth: int) -> list[_Alternative]:
        bound = self.reaching(scope, node)
        settled = any(b.block[0].lineno <= node.lineno <= (b.block[-1].end_lineno or 0) and not b.added for b in bound)
        as_given: list[_Alternative] = [(f"{_PARAMETER}{name}{_PARAMETER}", {})]
        parameter = as_given if name in scope.parameters and not settled else []
        if not bound and not parameter and (table := self.constant(scope.file, name)) is not None:
            home = self.scopes[table[0]][0]
            if self.texty(table[1], home):
                return self.render(table[1], home, depth + 1)
        found: list[_Alternative] = parameter
        branches = frozenset((binding.line if binding.branch < 1000 else 0, binding.branch) for binding in bound)
        key = (scope.name, branches)
        for _, _, branch, value, place, added in bound:
            if place is not None:
                found = found + (self._table(value, scope, place) or [(_place(_label(node)), {})])
            elif not self.texty(value, scope):
                found = [*found, (_place(_label(node)), {})]
            elif added:
                found = found + _product([found, self.render(value, scope, depth + 1)])
            else:
                choice = {key: branch} if len(branches) > 1 else {}
                rendered = self.render(value, scope, depth + 1)
                found = found + [(text, {**choices, **choice}) for text, choices in rendered]
        return found or [(_place(_label(node)), {})]

    def texty(self, node: ast.expr, scope: _Scope, depth: int = 0) -> bool:
        """Whether an expression is put together from texts in the source."""
        match node:
            case _ if depth > 6:
                return False
            case ast.Constant(value=str()) | ast.JoinedStr():
                return True
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return self.texty(left, scope, depth + 1) or self.texty(right, scope, depth + 1)
            case ast.IfExp(body=body, orelse=orelse):
                return self.texty(body, scope, depth + 1) or self.texty(orelse, scope, depth + 1)
            case ast.Subscript() | ast.Call():
                return bool(self._table(node, scope, None))
            case ast.Name(id=name):
                bound = self.reaching(scope, node)
                if self.bindings(scope, name) or name in scope.parameters:
                    return any(b.place is not None or self.texty(b.value, scope, depth + 1) for b in bound)
                table = self.constant(scope.file, name)
                return table is not None and self.texty(table[1], self.scopes[table[0]][0], depth + 1)
        return False

    # --- errors ---------------------------------------------------------------------------------------------

    def entries(self) -> list[Entry]:
        """Return every error, in the order of the source."""
        found: list[Entry] = []
        for scopes in self.scopes.values():
            for scope in scopes:
                for call in _own_calls(scope):
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

    def _made(self, call: ast.Call, scope: _Scope) -> tuple[str, dict[str, ast.expr | None]] | None:
        """Return class and words where a call makes an error."""
        named = {word.arg: word.value for word in call.keywords}
        name = _called(call)
        if (scope.file, name) in CARRIERS:
            kind, order = CARRIERS[scope.file, name]
            return kind, {word: value for word, value in itertools.zip_longest(order, call.args)} | named
        if not isinstance(call.func, ast.Name):
            return None
        words: dict[str, ast.expr | None] = {"what": call.args[0] if call.args else None, **named}
        if name in self.kinds:
            return name, words
        if name in scope.parameters and scope.function is not None:
            given = next(a for a in ast.walk(scope.function.args) if isinstance(a, ast.arg) and a.arg == name)
            if given.annotation is not None and "GeoflowError" in ast.unparse(given.annotation):
                return f"{_PARAMETER}{name}{_PARAMETER}", words
        return None

    def _expanded(
        self, kind: str, words: Mapping[str, ast.expr | None], scope: _Scope, call: ast.Call, seen: tuple[str, ...]
    ) -> list[Entry]:
        what = words.get("what")
        passed_on = isinstance(what, ast.Attribute) and what.attr == "what"
        texts = [
            (kind, texts)
            for texts in _together(self.render(words.get(word), scope) for word in ("what", "where", "cure"))
        ]
        return self._filled(texts, scope, call, seen, passed_on)

    def _filled(
        self, made: list[tuple[str, tuple[str, ...]]], scope: _Scope, call: ast.Call, seen: tuple[str, ...], passed_on: bool
    ) -> list[Entry]:
        """Give the words their parameters: from those who call, where a whole text is one."""
        bare = {
            name
            for kind, (what, _, cure) in made
            for text in (kind, what, cure)
            if (name := text.strip(_PARAMETER)) and text == f"{_PARAMETER}{name}{_PARAMETER}"
        }
        callers = [] if scope.name in seen or scope.function is None else self._callers(scope)
        if bare and callers:
            entries = []
            for outer, outer_call in callers:
                given = _arguments(scope, outer_call)
                filled = []
                for kind, texts in made:
                    names = {n for text in (kind, *texts) for n in re.findall(f"{_PARAMETER}(\\w+){_PARAMETER}", text)}
                    if kind.strip(_PARAMETER) in names:
                        kind = _called_name(given[kind.strip(_PARAMETER)])
                    options = [
                        [(name, text, choices) for text, choices in self.render(given.get(name), outer)]
                        for name in sorted(names)
                        if name in given and (name in bare or self.texty(given[name], outer))
                    ]
                    for choice in itertools.product(*options):
                        values = {name: text for name, text, _ in choice}
                        if _agree([choices for _, _, choices in choice]) is not None:
                            filled.append((kind, tuple(_put(text, values) for text in texts)))
                entries += self._filled(filled, outer, outer_call, (*seen, scope.name), passed_on)
            return entries
        site = Site(scope.file, call.lineno, call.end_lineno or call.lineno, scope.name)
        return [
            Entry(kind, _put_all(what), _put_all(where), (_put_all(cure),), site, passed_on or _all_open(_put_all(what)))
            for kind, (what, where, cure) in made
        ]

    def _callers(self, scope: _Scope) -> list[tuple[_Scope, ast.Call]]:
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


def _own_calls(scope: _Scope) -> Iterator[ast.Call]:
    """Every call in a scope, without those in functions within it."""
    waiting: list[ast.AST] = [*(scope.module.body if scope.function is None else scope.function.body)]
    while waiting:
        node = waiting.pop(0)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(node, ast.Call):
            yield node
        waiting += ast.iter_child_nodes(node)


def _agree(all_choices: Iterable[Mapping[Any, Any]]) -> dict[Any, Any] | None:
    together: dict[Any, Any] = {}
    for choices in all_choices:
        if any(together.get(key, value) != value for key, value in choices.items()):
            return None
        together |= choices
    return together


def _product(parts: Iterable[list[_Alternative]]) -> list[_Alternative]:
    found: list[_Alternative] = [("", {})]
    for part in parts:
        found = [
            (text + more, both)
            for text, choices in found
            for more, others in part
            if (both := _agree([choices, others])) is not None
        ]
    return found


def _together(parts: Iterable[list[_Alternative]]) -> list[tuple[str, ...]]:
    return [
        tuple(text for text, _ in chosen)
        for chosen in itertools.product(*parts)
        if _agree([choices for _, choices in chosen]) is not None
    ]


def _arguments(scope: _Scope, call: ast.Call) -> dict[str, ast.expr]:
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
        text = text.replace(f"{_PARAMETER}{name}{_PARAMETER}", value)
    return text


def _all_open(text: str) -> bool:
    """Whether a text is one placeholder: the words come from an error made elsewhere."""
    return re.fullmatch(f"{_OPEN}[^{_SHUT}]*{_SHUT}", text) is not None


def _put_all(text: str) -> str:
    return re.sub(f"{_PARAMETER}(\\w+){_PARAMETER}", lambda m: _place(_label(ast.Name(m[1]))), text)


# --- the document -----------------------------------------------------------------------------------------------

_HEAD = f"""# What geoflow refuses, and what to do about it

Every sentence with which geoflow stops, and its cure. Look for the words on your screen; what stands in <angle brackets> is
filled in at the time. A message also says where the trouble is: the file and row, the key of the bar file, or the option.
A message that stops a command changes no file, unless it says so itself.

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
    flat = re.sub(r"\s*\n\s*", " ", text).replace("<", "\\<").replace("*", "\\*")
    return flat.replace(_OPEN, "\\<").replace(_SHUT, ">")


# --- what was made while tests ran ------------------------------------------------------------------------------

# Places in the package, innermost first, from which an error was made, and its words.
Made = tuple[tuple[tuple[str, int], ...], str]


def available(site: Site) -> bool:
    """Whether the library is here without which a site cannot be reached."""
    return all(importlib.util.find_spec(name) for start, name in NEEDS.items() if site.file.startswith(start))


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
