"""What the texts in a package's source can read: names followed to their values, branches to each of theirs."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from placeholders import label_of

OPEN, SHUT, PARAMETER = "\x00", "\x01", "\x02"


@dataclass(frozen=True)
class Scope:
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
        defaults: dict[str, ast.expr | None] = {
            a.arg: d for a, d in zip(given.kwonlyargs, given.kw_defaults, strict=True)
        }
        defaults |= {a.arg: d for a, d in zip(plain[len(plain) - len(given.defaults) :], given.defaults, strict=True)}
        return defaults.get(parameter)


class Binding(NamedTuple):
    """An assignment: where, in which block, of what, of which place of a tuple, and whether to what was there."""

    line: int
    block: list[ast.stmt]
    branch: int
    value: ast.expr
    place: int | None = None
    added: bool = False


# An alternative: a text and the choices (of branches) under which it is the text.
Alternative = tuple[str, Mapping[Any, Any]]


def open_for(label: str) -> str:
    return f"{OPEN}{label}{SHUT}"


class Texts:
    """A package's source, read once."""

    def __init__(self, package: Path) -> None:
        self.modules = {
            path.relative_to(package).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
            for path in sorted(package.rglob("*.py"))
        }
        self._bound: dict[tuple[str, str, str], list[Binding]] = {}
        self.scopes: dict[str, list[Scope]] = {file: list(self._scopes(file)) for file in self.modules}

    def _scopes(self, file: str) -> Iterator[Scope]:
        module = self.modules[file]
        yield Scope(file, module, None, "the module")

        def within(node: ast.AST, prefix: str) -> Iterator[Scope]:
            for child in ast.iter_child_nodes(node):
                if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield Scope(file, module, child, prefix + child.name)
                    yield from within(child, f"{prefix}{child.name}.")
                elif isinstance(child, ast.ClassDef):
                    yield from within(child, f"{prefix}{child.name}.")
                else:
                    yield from within(child, prefix)

        yield from within(module, "")

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

    def bindings(self, scope: Scope, name: str) -> list[Binding]:
        """Return every assignment to a name in a function, in order."""
        key = (scope.file, scope.name, name)
        if key not in self._bound:
            self._bound[key] = [] if scope.function is None else list(self._bindings(scope.function, scope, name))
        return self._bound[key]

    def _bindings(self, node: ast.AST, scope: Scope, name: str) -> Iterator[Binding]:
        for field in ("body", "orelse", "finalbody", "handlers", "cases"):
            block = getattr(node, field, ())
            for child in block if isinstance(block, list) else ():
                match child:
                    case (
                        ast.Assign(targets=[ast.Name(id=found)], value=value)
                        | ast.AnnAssign(target=ast.Name(id=found), value=ast.expr() as value)
                        | ast.AugAssign(target=ast.Name(id=found), value=value)
                    ) if found == name:
                        yield Binding(child.lineno, block, id(block), value, added=isinstance(child, ast.AugAssign))
                    case ast.Assign(targets=[ast.Tuple(elts=targets)], value=value):
                        for place, target in enumerate(targets):
                            if isinstance(target, ast.Name) and target.id == name:
                                alone = isinstance(value, ast.Tuple)
                                told = value.elts[place] if alone else value
                                yield Binding(child.lineno, block, id(block), told, None if alone else place)
                    case ast.For(target=ast.Tuple(elts=targets), iter=ast.Tuple(elts=items) | ast.List(elts=items)):
                        for place, target in enumerate(targets):
                            if isinstance(target, ast.Name) and target.id == name:
                                rows = [
                                    (n, item.elts[place]) for n, item in enumerate(items) if isinstance(item, ast.Tuple)
                                ]
                                yield from (Binding(child.lineno, child.body, n, value) for n, value in rows)
                if not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                    yield from self._bindings(child, scope, name)

    def reaching(self, scope: Scope, name: ast.Name) -> list[Binding]:
        """Return the assignments that can hold where a name is used."""
        found: list[Binding] = []
        for binding in self.bindings(scope, name.id):
            if binding.line >= name.lineno:
                continue
            around = binding.block[0].lineno <= name.lineno <= (binding.block[-1].end_lineno or 0)
            if around and not binding.added and not (found and found[-1].line == binding.line):
                found = []
            if around or not isinstance(binding.block[-1], ast.Raise | ast.Return | ast.Continue):
                found.append(binding)
        return found

    def _table(self, node: ast.expr, scope: Scope, place: int | None) -> list[Alternative]:
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
        found: list[Alternative] = []
        home = self.scopes[table[0]][0]
        for count, (item, at) in enumerate(
            [*((value, home) for value in table[1].values), *((r, scope) for r in rest)]
        ):
            if place is not None:
                if not isinstance(item, ast.Tuple) or len(item.elts) <= place:
                    return []
                item = item.elts[place]
            if not isinstance(item, ast.Constant | ast.JoinedStr | ast.Name | ast.Call):
                return []
            found += [(text, {**choices, (scope.name, name): count}) for text, choices in self.render(item, at, 4)]
        return found

    def number(self, node: ast.expr, scope: Scope) -> float | None:
        """Return the number behind a name of a module, if it is one."""
        match node:
            case ast.Name(id=name) if name not in scope.parameters and not self.bindings(scope, name):
                table = self.constant(scope.file, name)
            case ast.Attribute(value=ast.Name(id=module), attr=name) if f"{module}.py" in self.modules:
                table = self.constant(f"{module}.py", name)
            case _:
                return None
        try:
            found = eval(compile(ast.Expression(table[1]), "", "eval"), {"__builtins__": {}}) if table else None
        except (NameError, TypeError, AttributeError):
            return None
        return found if isinstance(found, int | float) and not isinstance(found, bool) else None

    def render(self, node: ast.expr | None, scope: Scope, depth: int = 0) -> list[Alternative]:
        """Return what a text can read, with marks where it depends on the run or on a parameter."""
        if node is None:
            return [("", {})]
        if depth > 8:
            return [(open_for(label_of(node)), {})]
        match node:
            case ast.Constant(value=str() as text):
                return [(text, {})]
            case ast.JoinedStr(values=values):
                return product(self.render(value, scope, depth + 1) for value in values)
            case ast.FormattedValue(value=value, format_spec=how) if (at := self.number(value, scope)) is not None:
                return [(open_for("=" + format(at, "" if how is None else _plain(how))), {})]
            case ast.FormattedValue(value=value, format_spec=None, conversion=-1):
                return self.render(value, scope, depth + 1)
            case ast.Call(
                func=ast.Attribute(value=ast.Constant(value=str() as mark), attr="join"), args=[ast.Name(id=name)]
            ):
                table = (
                    None if name in scope.parameters or self.bindings(scope, name) else self.constant(scope.file, name)
                )
                words = _words(table[1]) if table else []
                return [(mark.join(words) if words else open_for(label_of(node)), {})]
            case ast.FormattedValue(value=value):
                return [(open_for(label_of(value)), {})]
            case ast.BinOp(left=left, op=ast.Add(), right=right) if self.texty(node, scope):
                return product([self.render(left, scope, depth + 1), self.render(right, scope, depth + 1)])
            case ast.IfExp(test=test, body=body, orelse=orelse):
                key = (scope.file, ast.unparse(test))
                return [
                    (text, {**choices, key: branch})
                    for branch, part in ((True, body), (False, orelse))
                    if not (isinstance(part, ast.Constant) and part.value is None)
                    for text, choices in self.render(part, scope, depth + 1)
                    if choices.get(key, branch) == branch
                ]
            case ast.Name(id=name):
                return self._named(name, node, scope, depth)
            case ast.Subscript() | ast.Call():
                return self._table(node, scope, None) or [(open_for(label_of(node)), {})]
        return [(open_for(label_of(node)), {})]

    def _named(self, name: str, node: ast.Name, scope: Scope, depth: int) -> list[Alternative]:
        bound = self.reaching(scope, node)
        settled = any(b.block[0].lineno <= node.lineno <= (b.block[-1].end_lineno or 0) and not b.added for b in bound)
        as_given: list[Alternative] = [(f"{PARAMETER}{name}{PARAMETER}", {})]
        parameter = as_given if name in scope.parameters and not settled else []
        if not bound and not parameter and (table := self.constant(scope.file, name)) is not None:
            home = self.scopes[table[0]][0]
            if self.texty(table[1], home):
                return self.render(table[1], home, depth + 1)
        found: list[Alternative] = parameter
        branches = frozenset((binding.line if binding.branch < 1000 else 0, binding.branch) for binding in bound)
        key = (scope.name, branches)
        for _, _, branch, value, place, added in bound:
            if place is not None:
                found = found + (self._table(value, scope, place) or [(open_for(label_of(node)), {})])
            elif not self.texty(value, scope):
                found = [*found, (open_for(label_of(node)), {})]
            elif added:
                found = found + product([found, self.render(value, scope, depth + 1)])
            else:
                choice = {key: branch} if len(branches) > 1 else {}
                rendered = self.render(value, scope, depth + 1)
                found = found + [(text, {**choices, **choice}) for text, choices in rendered]
        return found or [(open_for(label_of(node)), {})]

    def texty(self, node: ast.expr, scope: Scope, depth: int = 0) -> bool:
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


def _plain(node: ast.expr) -> str:
    return "".join(part.value for part in getattr(node, "values", ()) if isinstance(part, ast.Constant))


def _words(node: ast.expr) -> list[str]:
    """Return the texts of a tuple or the keys of a table."""
    listed = node.keys if isinstance(node, ast.Dict) else getattr(node, "elts", [])
    words = [item.value for item in listed if isinstance(item, ast.Constant) and isinstance(item.value, str)]
    return words if len(words) == len(listed) else []


def own_calls(scope: Scope) -> Iterator[ast.Call]:
    """Every call in a scope, without those in functions within it."""
    waiting: list[ast.AST] = [*(scope.module.body if scope.function is None else scope.function.body)]
    while waiting:
        node = waiting.pop(0)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(node, ast.Call):
            yield node
        waiting += ast.iter_child_nodes(node)


def agree(all_choices: Iterable[Mapping[Any, Any]]) -> dict[Any, Any] | None:
    together: dict[Any, Any] = {}
    for choices in all_choices:
        if any(together.get(key, value) != value for key, value in choices.items()):
            return None
        together |= choices
    return together


def product(parts: Iterable[list[Alternative]]) -> list[Alternative]:
    found: list[Alternative] = [("", {})]
    for part in parts:
        found = [
            (text + more, both)
            for text, choices in found
            for more, others in part
            if (both := agree([choices, others])) is not None
        ]
    return found
