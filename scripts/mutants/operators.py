"""What can be changed in a module so that it should no longer do what it says.

Every change is one node of the syntax tree. Left out are places where a change is no fault that
a test could see: docstrings, type hints, decorators, the texts of errors and explanations,
``if TYPE_CHECKING``, tolerances and guards against division by zero (numbers below 1e-5), and
numbers that only say how much is done at once (names with BLOCK or CACHE).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass

FLIPPED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
#: Only where whole numbers are compared: for measured ones the limit itself never comes.
BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
SWAPPED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
NAMES = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "minimum": "maximum",
    "maximum": "minimum",
    "argmin": "argmax",
    "argmax": "argmin",
    "floor": "ceil",
    "ceil": "floor",
    "mean": "sum",
    "sum": "mean",
    "sin": "cos",
    "cos": "sin",
    "log10": "log2",
    "log2": "log10",
}
LEAST = 1e-5
NO_MATTER = re.compile(r"BLOCK|CACHE|_AT_ONCE")


@dataclass(frozen=True)
class Mutant:
    """One change.

    Attributes
    ----------
    module : path below src/quietrun
    line, last : lines of the changed node, from 1
    kind : operator
    start, end : offsets of the changed text in the UTF-8 bytes of the module
    before, after : that text
    """

    module: str
    line: int
    last: int
    kind: str
    start: int
    end: int
    before: str
    after: str

    @property
    def name(self) -> str:
        """Short and the same in every run on the same source."""
        return f"{self.module}:{self.line}:{self.kind}:{self.start}"

    def applied(self, source: str) -> str:
        """Give the source with this one change."""
        data = source.encode()
        return (data[: self.start] + self.after.encode() + data[self.end :]).decode()


def mutants_of(module: str, source: str) -> list[Mutant]:
    """List every change that this module offers, in the order of its lines."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.encode().split(b"\n"):
        starts.append(starts[-1] + len(line) + 1)
    found = {}
    data = source.encode()
    for node, kind, after in _walk(tree):
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        before = data[start:end].decode()
        if not _same(before, after):
            found[(start, end, after)] = Mutant(
                module, node.lineno, node.end_lineno, kind, start, end, before, after
            )
    return sorted(found.values(), key=lambda m: (m.start, m.end, m.kind))


def _same(before: str, after: str) -> bool:
    try:
        return ast.dump(ast.parse(before.strip())) == ast.dump(ast.parse(after.strip()))
    except SyntaxError:
        return before == after


def _walk(node: ast.AST) -> Iterator[tuple[ast.AST, str, str]]:
    """Every change at a node or below it: the node to replace, the operator, the new text."""
    for field, value in ast.iter_fields(node):
        if _left_out(node, field):
            continue
        children = value if isinstance(value, list) else [value]
        for child in children:
            if isinstance(child, ast.AST) and not _no_fault(child):
                yield from _changes(child, node)
                yield from _walk(child)


def _left_out(node: ast.AST, field: str) -> bool:
    if field in ("annotation", "returns", "decorator_list", "type_params", "type_comment"):
        return True
    return isinstance(node, ast.Call) and field == "keywords" and _only_text(node)


def _only_text(call: ast.Call) -> bool:
    """Tell an explanation (a row of a catalogue, a problem, an error) from a computation."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    return name.endswith(("Error", "Problem", "_says"))


def _no_fault(node: ast.AST) -> bool:
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Raise | ast.Assert | ast.JoinedStr):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True  # a docstring
    if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
        return True
    if isinstance(node, ast.Assign | ast.AnnAssign):
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        return bool(NO_MATTER.search(ast.unparse(target))) or _is_type(node)
    if isinstance(node, ast.keyword):
        return node.arg in ("dtype", "says", "source", "block", "stacklevel")
    if isinstance(node, ast.Call):
        return ast.unparse(node.func) in ("lru_cache", "cast", "TypeVar", "NewType")
    return False


def _is_type(node: ast.Assign | ast.AnnAssign) -> bool:
    """A name for a type, such as ``Array = npt.NDArray[np.float64]``."""
    value = node.value
    return isinstance(value, ast.Subscript | ast.BinOp) and bool(
        re.search(
            r"\b(NDArray|Callable|Literal|Sequence|tuple\[|dict\[|\| None)", ast.unparse(value)
        )
    )


def _changes(node: ast.AST, parent: ast.AST) -> Iterator[tuple[ast.AST, str, str]]:
    if isinstance(node, ast.expr):
        yield from _expressions(node, parent)
    elif isinstance(node, ast.stmt):
        yield from _statements(node)


def _expressions(node: ast.expr, parent: ast.AST) -> Iterator[tuple[ast.AST, str, str]]:
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        yield from _comparisons(node)
    elif isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            if type(op) in FLIPPED:
                ops = [*node.ops[:i], FLIPPED[type(op)](), *node.ops[i + 1 :]]
                yield node, "compare", _text(ast.Compare(node.left, ops, node.comparators))
    elif (
        isinstance(node, ast.BinOp)
        and type(node.op) in SWAPPED
        and not _of_texts(node)
        and not _guards(node)
    ):
        new = ast.BinOp(node.left, SWAPPED[type(node.op)](), node.right)
        yield node, "arithmetic", _text(new)
    elif isinstance(node, ast.BoolOp):
        other = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        yield node, "and-or", _text(ast.BoolOp(other, node.values))
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        yield node, "sign", _text(node.operand)
    elif isinstance(node, ast.Constant):
        yield from _constants(node, parent)
    elif isinstance(node, ast.IfExp):
        yield node, "choice", _text(ast.IfExp(node.test, node.orelse, node.body))
    elif isinstance(node, ast.Attribute | ast.Name) and isinstance(parent, ast.Call):
        yield from _names(node, parent)


def _comparisons(node: ast.Compare) -> Iterator[tuple[ast.AST, str, str]]:
    op = type(node.ops[0])
    if op in FLIPPED:
        yield node, "compare", _text(ast.Compare(node.left, [FLIPPED[op]()], node.comparators))
    if op in BOUNDARY and any(_whole(side) for side in (node.left, *node.comparators)):
        yield node, "boundary", _text(ast.Compare(node.left, [BOUNDARY[op]()], node.comparators))


def _whole(node: ast.expr) -> bool:
    """Tell whether this is surely a count."""
    if isinstance(node, ast.Call):
        return ast.unparse(node.func) in ("len", "np.count_nonzero")
    return isinstance(node, ast.Attribute | ast.Subscript) and bool(
        re.search(r"\.(size|shape\[\d\])$", ast.unparse(node))
    )


def _guards(node: ast.BinOp) -> bool:
    """Tell a sum with a guard against division by zero: subtracted it guards as well."""
    return any(
        isinstance(side, ast.Constant) and isinstance(side.value, float) and 0 < side.value < LEAST
        for side in (node.left, node.right)
    )


def _of_texts(node: ast.BinOp) -> bool:
    """Sums of texts and lists, and ``int | None``."""
    sides = (node.left, node.right)
    texts = (ast.JoinedStr, ast.List, ast.Tuple, ast.ListComp)
    return any(
        isinstance(side, texts)
        or (
            isinstance(side, ast.Constant)
            and (side.value is None or isinstance(side.value, str | bytes))
        )
        for side in sides
    )


def _constants(node: ast.Constant, parent: ast.AST) -> Iterator[tuple[ast.AST, str, str]]:
    value = node.value
    if isinstance(value, bool):
        yield node, "constant", str(not value)
    elif isinstance(value, int):
        if not (isinstance(parent, ast.Subscript | ast.Slice) and value == 0):
            yield node, "constant", str(value + 1)
    elif isinstance(value, float):
        if value == 0.0:
            yield node, "constant", "1.0"
        elif abs(value) >= LEAST:
            yield node, "constant", repr(2 * value)


def _names(node: ast.Attribute | ast.Name, parent: ast.Call) -> Iterator[tuple[ast.AST, str, str]]:
    if node is not parent.func:
        return
    name = node.attr if isinstance(node, ast.Attribute) else node.id
    if name in NAMES:
        new = NAMES[name]
        yield (
            node,
            "function",
            f"{ast.unparse(node.value)}.{new}" if isinstance(node, ast.Attribute) else new,
        )


def _statements(node: ast.stmt) -> Iterator[tuple[ast.AST, str, str]]:
    if isinstance(node, ast.If):
        yield node.test, "condition", f"(not ({ast.unparse(node.test)}))"
    elif isinstance(node, ast.Return) and node.value is not None:
        if not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield node, "return", "return None"
    elif _can_go(node):
        yield node, "removed", "pass"


def _can_go(node: ast.stmt) -> bool:
    """Tell whether the module still runs without this statement, but does less."""
    if isinstance(node, ast.Assign):
        return isinstance(node.targets[0], ast.Subscript)
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Call)
    return isinstance(node, ast.AugAssign | ast.Continue | ast.Break)


def _text(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"
