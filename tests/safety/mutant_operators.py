"""What could stand in the place of a node of a syntax tree: the operators that make mutants."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator

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


Change = tuple[ast.AST, str, str]
"""What is replaced, by which text, and how that is called."""


def words_only(node: ast.AST) -> bool:
    """Whether an expression is text for people."""
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def of_words(node: ast.AST) -> bool:
    """A choice between two texts."""
    return isinstance(node, ast.IfExp) and words_only(node.body) and words_only(node.orelse)


def called(node: ast.AST) -> str:
    if not isinstance(node, ast.Call):
        return ""
    return node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")


def of_statement(node: ast.stmt, known: frozenset[str], *, top: bool) -> Iterator[Change]:
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
            if called(item.context_expr) == "suppress":
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


def of_expression(node: ast.AST, *, tables: bool) -> Iterator[Change]:
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
