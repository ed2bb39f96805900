"""Mutants of a source: one small fault each, as text, with a name that survives moved lines.

An operator looks at one node of the syntax tree and says what could stand there instead. What is only words (texts,
notes, docstrings, annotations) is left alone: a mutant is a fault in what the program does.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from dataclasses import dataclass

from mutant_operators import WORDS, Change, called, of_expression, of_statement, of_words, words_only

__all__ = ["Mutant", "by_hand", "mutants_of"]


@dataclass(frozen=True, slots=True)
class Mutant:
    """``file``, ``where`` (enclosing class and function), ``text`` of the statement, ``node`` and ``change`` name it;
    ``nth`` tells alike ones apart. ``line`` of the statement. ``unit`` is a hash of the function it stands in. Its
    source is ``source[:at] + new + source[end:]``, in bytes."""

    file: str
    where: str
    text: str
    node: str
    change: str
    nth: int
    line: int
    unit: str
    at: int
    end: int
    new: str

    @property
    def key(self) -> str:
        return " | ".join((self.file, self.where, self.text, self.node, self.change, str(self.nth)))

    def of(self, source: str) -> str:
        """The mutated source."""
        raw = source.encode()
        return (raw[: self.at] + self.new.encode() + raw[self.end :]).decode()


def mutants_of(file: str, source: str, *, skip: frozenset[str] = frozenset(), tables: bool = False) -> list[Mutant]:
    """All mutants of ``source``. ``skip``: functions whose answer is words only. ``tables``: the strings of its
    module-level tables are orders, and not words."""
    return _Walk(file, source, skip, tables).found


def by_hand(file: str, source: str, old: str, new: str, name: str) -> Mutant:
    """The mutant in which ``new`` stands in place of ``old``, which must stand in ``source`` once."""
    raw, wanted = source.encode(), old.encode()
    if raw.count(wanted) != 1:
        raise ValueError(f"{file}: {name}: its text stands there {raw.count(wanted)} times: {old!r}")
    at = raw.index(wanted)
    line = raw[:at].count(b"\n") + 1 + len(old) - len(old.lstrip("\n"))
    unit = hashlib.sha256(source.encode()).hexdigest()[:12]
    return Mutant(file, "by hand", name, "", "", 0, line, unit, at, at + len(wanted), new)


def _brief(node: ast.stmt) -> str:
    """A statement, of a compound one only its head."""
    text = ast.unparse(node)
    return _short(text.split("\n")[0] if hasattr(node, "body") else text)


def _short(text: str) -> str:
    """What is long by its beginning and a hash."""
    return text if len(text) <= 150 else f"{text[:100]}... {hashlib.sha256(text.encode()).hexdigest()[:8]}"


class _Walk:
    def __init__(self, file: str, source: str, skip: frozenset[str], tables: bool) -> None:
        self.file, self.skip, self.tables = file, skip, tables
        self.found: list[Mutant] = []
        self._seen: Counter[tuple[str, ...]] = Counter()
        self._tests: set[int] = set()
        self._starts = [0]
        for line in source.encode().splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))
        self._body(ast.parse(source).body, "", "")

    def _body(self, body: list[ast.stmt], where: str, unit: str, known: frozenset[str] = frozenset()) -> None:
        for node in body:
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                self._named(node, where)
            elif not _nothing_done(node):
                own = unit or hashlib.sha256(ast.unparse(node).encode()).hexdigest()[:12]
                self._statement(node, where, own, known)
                known |= {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}

    def _named(self, node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef, where: str) -> None:
        inner = f"{where}.{node.name}".lstrip(".")
        if isinstance(node, ast.ClassDef):
            self._body(node.body, inner, "")
        elif inner not in self.skip:
            unit = hashlib.sha256(ast.unparse(node).encode()).hexdigest()[:12]
            for default in (*node.args.defaults, *(one for one in node.args.kw_defaults if one is not None)):
                self._expression(default, node, inner, unit)
            names = {one.arg for one in (*node.args.args, *node.args.kwonlyargs)}
            self._body(node.body, inner, unit, frozenset(names))

    def _statement(self, node: ast.stmt, where: str, unit: str, known: frozenset[str]) -> None:
        for change in of_statement(node, known, top=not where):
            self._add(change, node, where, unit)
        self._tests |= {id(one.test) for one in ast.walk(node) if isinstance(one, ast.If | ast.IfExp)}
        for field, value in ast.iter_fields(node):
            if field == "annotation":
                continue
            for one in value if isinstance(value, list) else [value]:
                if isinstance(one, ast.expr | ast.withitem | ast.keyword):
                    self._expression(one, node, where, unit)
                elif isinstance(one, ast.ExceptHandler):
                    self._body(one.body, where, unit, known)
        for inside in ("body", "orelse", "finalbody"):
            if isinstance(getattr(node, inside, None), list):
                self._body(getattr(node, inside), where, unit, known)

    def _expression(self, node: ast.AST, statement: ast.stmt, where: str, unit: str) -> None:
        if words_only(node) and not (self.tables and not where):
            return
        for change in of_expression(node, tables=self.tables and not where):
            # Of a condition that was tried as true and as false the contrary says nothing new.
            if not (id(node) in self._tests and change[2] in ("contrary", "not removed")) and not of_words(node):
                self._add(change, statement, where, unit)
        if called(node) in WORDS or of_words(node):
            return
        for one in node.keywords if called(node) == "Finding" else ast.iter_child_nodes(node):
            if not isinstance(one, ast.expr_context | ast.arguments):
                self._expression(one, statement, where, unit)

    def _add(self, change: Change, statement: ast.stmt, where: str, unit: str) -> None:
        node, new, name = change
        text = f"def {statement.name}" if isinstance(statement, ast.FunctionDef) else _brief(statement)
        words = (where or "module", text, _short(ast.unparse(node)) if node is not statement else "", name)
        at, end = self._at(node.lineno, node.col_offset), self._at(node.end_lineno, node.end_col_offset)
        nth = self._seen[words]
        self._seen[words] += 1
        self.found.append(Mutant(self.file, *words, nth, statement.lineno, unit, at, end, new))

    def _at(self, line: int, column: int) -> int:
        return self._starts[line - 1] + column


def _nothing_done(node: ast.stmt) -> bool:
    """Imports, docstrings, names for types, what is exported: nothing happens there."""
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Pass | ast.Global | ast.Nonlocal | ast.Assert):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "__name__ == '__main__'"):
        return True
    if (
        isinstance(node, ast.Assign)
        and isinstance(node.value, ast.Subscript)
        and ast.unparse(node.value).startswith(("list[", "dict[", "tuple[", "Callable["))
    ):
        return True
    targets = node.targets if isinstance(node, ast.Assign) else []
    return any(isinstance(one, ast.Name) and one.id in ("__all__", "__slots__") for one in targets)
