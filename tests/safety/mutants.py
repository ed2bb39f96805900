"""Mutants of a source: one small fault each, as text, with a name that survives moved lines.

An operator looks at one node of the syntax tree and says what could stand there instead. What is only words (texts,
notes, docstrings, annotations) is left alone: a mutant is a fault in what the program does.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

__all__ = ["Mutant", "by_hand", "mutants_of", "words_only"]

WORDS = {
    "said", "note", "PlanRefused", "PreflightRefused", "ConnectionError", "IllegalMove", "RuntimeError", "_off",
    "_replaced", "ValueError", "NotANumber", "RecordError", "print", "repr", "format", "getattr", "hasattr", "compile",
    "warn", "_tell", "DamagedRecord", "TypeVar", "require", "kill",
}  # fmt: skip
"""What is handed to these is words for people; ``kill`` is none, but what it hits is nothing to try."""

EDGES: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
OTHER_CALL = {"min": "max", "max": "min", "all": "any", "any": "all"}


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


def words_only(node: ast.AST) -> bool:
    """Whether an expression is text for people."""
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _of_words(node: ast.AST) -> bool:
    """A choice between two texts."""
    return isinstance(node, ast.IfExp) and words_only(node.body) and words_only(node.orelse)


def _called(node: ast.AST) -> str:
    if not isinstance(node, ast.Call):
        return ""
    return node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")


def _brief(node: ast.stmt) -> str:
    """A statement, of a compound one only its head."""
    text = ast.unparse(node)
    return _short(text.split("\n")[0] if hasattr(node, "body") else text)


def _short(text: str) -> str:
    """What is long by its beginning and a hash."""
    return text if len(text) <= 150 else f"{text[:100]}... {hashlib.sha256(text.encode()).hexdigest()[:8]}"


Change = tuple[ast.AST, str, str]
"""What is replaced, by which text, and how that is called."""


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
        for change in _of_statement(node, known, top=not where):
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
        for change in _of_expression(node, tables=self.tables and not where):
            # Of a condition that was tried as true and as false the contrary says nothing new.
            if not (id(node) in self._tests and change[2] in ("contrary", "not removed")) and not _of_words(node):
                self._add(change, statement, where, unit)
        if _called(node) in WORDS or _of_words(node):
            return
        for one in node.keywords if _called(node) == "Finding" else ast.iter_child_nodes(node):
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
    targets = node.targets if isinstance(node, ast.Assign) else []
    return any(isinstance(one, ast.Name) and one.id in ("__all__", "__slots__") for one in targets)


def _of_statement(node: ast.stmt, known: frozenset[str], *, top: bool) -> Iterator[Change]:
    if top:
        return
    if isinstance(node, ast.Expr) and not isinstance(node.value, ast.Yield | ast.YieldFrom | ast.Await):
        yield node, "pass", "call removed"
    elif isinstance(node, ast.Raise):
        yield node, "pass", "raise removed"
    elif isinstance(node, ast.AugAssign):
        yield node, "pass", "assignment removed"
    elif isinstance(node, ast.Assign):
        names = {one.id for target in node.targets for one in _parts(target) if isinstance(one, ast.Name)}
        if names <= known and not words_only(node.value):  # else what reads it fails anyway
            yield node, "pass", "assignment removed"
    elif isinstance(node, ast.Return):
        if node.value is None:
            yield node, "pass", "early return removed"
        elif ast.unparse(node.value) not in ("None", "''") and not words_only(node.value):
            yield node, "return None", "returns None"
    elif isinstance(node, ast.Break | ast.Continue):
        yield node, "pass", f"{type(node).__name__.lower()} removed"
    elif isinstance(node, ast.If):
        yield from _condition(node)
    elif isinstance(node, ast.While) and not isinstance(node.test, ast.Constant):
        yield node.test, "False", "never"
    elif isinstance(node, ast.With):
        for item in node.items:
            if _called(item.context_expr) == "suppress":
                yield item.context_expr, "suppress()", "nothing suppressed"
    elif isinstance(node, ast.Try):
        for handler in node.handlers:
            if not (len(handler.body) == 1 and isinstance(handler.body[0], ast.Raise)):
                yield _span(handler.body), "raise", "error not handled"
        if node.finalbody:
            yield _span(node.finalbody), "pass", "finally dropped"


def _parts(target: ast.expr) -> list[ast.expr]:
    return target.elts if isinstance(target, ast.Tuple) else [target]


def _span(body: list[ast.stmt]) -> ast.AST:
    whole = ast.Module(body, [])
    whole.lineno, whole.col_offset = body[0].lineno, body[0].col_offset
    whole.end_lineno, whole.end_col_offset = body[-1].end_lineno, body[-1].end_col_offset
    return whole


def _of_expression(node: ast.AST, *, tables: bool) -> Iterator[Change]:
    for kind, operator in OPERATORS:
        if isinstance(node, kind):
            yield from operator(node)
    if tables:
        yield from _of_table(node)


def _compare(node: ast.Compare) -> Iterator[Change]:
    for place, op in enumerate(node.ops):
        other = EDGES[type(op)]()
        ops = [*node.ops[:place], other, *node.ops[place + 1 :]]
        name = f"edge {place}" if type(op) in OPPOSITE or len(node.ops) > 1 else "contrary"
        yield node, f"({ast.unparse(ast.Compare(node.left, ops, node.comparators))})", name


def _bool_op(node: ast.BoolOp) -> Iterator[Change]:
    other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    yield node, f"({ast.unparse(ast.BoolOp(other, node.values))})", "and/or"


def _unary(node: ast.UnaryOp) -> Iterator[Change]:
    inner = node.operand
    if isinstance(node.op, ast.Not):
        yield node, f"({ast.unparse(inner)})", "not removed"
        if isinstance(inner, ast.Compare) and all(type(op) in OPPOSITE for op in inner.ops):
            # Said the other way round it is the same for numbers, and nan passes.
            sides = [inner.left, *inner.comparators]
            parts = [
                ast.unparse(ast.Compare(sides[n], [OPPOSITE[type(op)]()], [sides[n + 1]]))
                for n, op in enumerate(inner.ops)
            ]
            yield node, f"({' or '.join(parts)})", "nan accepted"
    elif isinstance(node.op, ast.USub):
        yield node, f"({ast.unparse(inner)})", "minus removed"
    elif isinstance(node.op, ast.Invert):
        yield node, f"({ast.unparse(inner)})", "invert removed"


def _binary(node: ast.BinOp) -> Iterator[Change]:
    if type(node.op) in ARITHMETIC and not (words_only(node.left) or words_only(node.right)):
        other = ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
        yield node, f"({ast.unparse(other)})", "arithmetic"


def _constant(node: ast.Constant) -> Iterator[Change]:
    if isinstance(node.value, bool):
        yield node, str(not node.value), "other bool"
    elif isinstance(node.value, int):
        for new in dict.fromkeys((node.value - 1, node.value + 1)):
            yield node, f"({new})", f"-> {new}"
    elif isinstance(node.value, float):
        for new in dict.fromkeys((node.value - 1, node.value + 1, node.value * 10, 0.0)):
            if new != node.value:
                yield node, f"({new!r})", f"-> {new!r}"


def _condition(node: ast.AST) -> Iterator[Change]:
    test = node.test  # type: ignore[attr-defined]
    if not isinstance(test, ast.Constant):
        yield test, "True", "always"
        yield test, "False", "never"


def _filters(node: ast.comprehension) -> Iterator[Change]:
    for test in node.ifs:
        yield test, "True", "all taken"


def _call(node: ast.Call) -> Iterator[Change]:
    name = node.func.id if isinstance(node.func, ast.Name) else ""
    if name in OTHER_CALL:
        yield node.func, OTHER_CALL[name], f"{name} -> {OTHER_CALL[name]}"
    elif name in ("abs", "round", "sorted", "reversed", "frozenset") and node.args:
        yield node, f"({ast.unparse(node.args[0])})", f"{name} removed"


def _of_table(node: ast.AST) -> Iterator[Change]:
    """Strings of an order: another word, a word too few, two the other way round."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node, repr(node.value + " "), "another word"
    elif isinstance(node, ast.Tuple) and len(node.elts) > 1:
        for place in range(len(node.elts) - 1):
            swapped = [*node.elts[:place], node.elts[place + 1], node.elts[place], *node.elts[place + 2 :]]
            yield node, ast.unparse(ast.Tuple(swapped, ast.Load())), f"{place} and {place + 1} swapped"
        for place in range(len(node.elts)):
            left = [*node.elts[:place], *node.elts[place + 1 :]]
            yield node, ast.unparse(ast.Tuple(left, ast.Load())), f"{place} dropped"
    elif isinstance(node, ast.Dict):
        for place in range(len(node.keys)):
            keys, values = list(node.keys), list(node.values)
            del keys[place], values[place]
            yield node, ast.unparse(ast.Dict(keys, values)), f"{place} dropped"


OPERATORS: tuple[tuple[type[ast.AST], Callable[..., Iterator[Change]]], ...] = (
    (ast.Compare, _compare),
    (ast.BoolOp, _bool_op),
    (ast.UnaryOp, _unary),
    (ast.BinOp, _binary),
    (ast.Constant, _constant),
    (ast.IfExp, _condition),
    (ast.comprehension, _filters),
    (ast.Call, _call),
)
