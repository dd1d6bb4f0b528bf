"""Small wrong changes to a source text: what a slip of the hand would leave. Standard library only."""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
UNSEEN = {"log", "logging"}  # what is only written to a log is nobody's contract


@dataclass(frozen=True)
class Mutation:
    """Replace bytes `start` to `end` of the source by `text`; `line` counts from 1."""

    kind: str
    line: int
    start: int
    end: int
    text: str

    def apply(self, source: bytes) -> bytes:
        return source[: self.start] + self.text.encode() + source[self.end :]

    def says_something_else(self, source: bytes) -> bool:
        """Whether the changed text parses to another program."""
        return ast.dump(ast.parse(self.apply(source))) != ast.dump(ast.parse(source))


def mutations(source: bytes) -> list[Mutation]:
    """Every mutation of this source, in its order."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    for node in _running(tree):
        for kind, place, text in _of(node):
            start = starts[place.lineno - 1] + place.col_offset
            end = starts[place.end_lineno - 1] + place.end_col_offset
            found.append(Mutation(kind, place.lineno, start, end, text))
    return sorted(found, key=lambda mutation: (mutation.start, mutation.end, mutation.text))


def _running(node: ast.AST) -> Iterator[ast.AST]:
    """What is executed: no annotations, decorators, docstrings or logging, and nothing inside a formatted string, whose
    parts have no place of their own."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list") or isinstance(value, ast.JoinedStr):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr) and not _is_unseen(child):
                yield from _running(child)


def _is_unseen(node: ast.AST) -> bool:
    if not isinstance(node, ast.Expr):
        return False
    value = node.value
    if isinstance(value, ast.Call) and isinstance(value.func, ast.Attribute):
        return isinstance(value.func.value, ast.Name) and value.func.value.id in UNSEEN
    return isinstance(value, ast.Constant)


def _of(node: ast.AST) -> Iterator[tuple[str, ast.expr | ast.stmt, str]]:
    """(kind, the part that is replaced, its new text)."""
    match node:
        case ast.Compare():
            for place, operator in enumerate(node.ops):
                changed = copy.copy(node)
                changed.ops = [*node.ops[:place], COMPARISONS[type(operator)](), *node.ops[place + 1 :]]
                yield "comparison", node, f"({ast.unparse(changed)})"
        case ast.BoolOp():
            other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "and or", node, f"({ast.unparse(ast.BoolOp(other, node.values))})"
        case ast.BinOp() if type(node.op) in OPERATORS:
            changed = ast.BinOp(node.left, OPERATORS[type(node.op)](), node.right)
            yield "operator", node, f"({ast.unparse(changed)})"
        case ast.Constant(value=bool()):
            yield "constant", node, str(not node.value)
        case ast.Constant(value=int() | float()):
            yield "constant", node, repr(node.value + 1)
            yield "constant", node, f"({node.value - 1!r})"
        case ast.Return(value=ast.expr()) if not _is_none(node.value):
            yield "return", node, "return None"
        case ast.If() | ast.IfExp() | ast.While():
            yield "condition", node.test, f"(not ({ast.unparse(node.test)}))"
        case ast.comprehension():
            for condition in node.ifs:
                yield "condition", condition, f"(not ({ast.unparse(condition)}))"
        case ast.Expr(value=ast.Call()) | ast.Raise() | ast.AugAssign() | ast.Continue():
            yield "statement", node, "pass"
        case ast.Assign() if all(not isinstance(target, ast.Name | ast.Tuple) for target in node.targets):
            yield "statement", node, "pass"
        case ast.Call():
            yield from _swapped(node)


def _swapped(call: ast.Call) -> Iterator[tuple[str, ast.expr, str]]:
    """Neighbouring arguments that could be taken for each other."""
    alike = (ast.Name, ast.Attribute, ast.Constant)
    for place, (first, second) in enumerate(zip(call.args, call.args[1:], strict=False)):
        if isinstance(first, alike) and type(first) is type(second):
            changed = copy.copy(call)
            changed.args = [*call.args[:place], second, first, *call.args[place + 2 :]]
            yield "arguments", call, ast.unparse(changed)


def _is_none(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value is None
