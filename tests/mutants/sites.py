"""The places in a source file where one small change makes a mutant, and what stands there instead.

A mutant changes one comparison, operator, number, truth value, condition, return value or statement. Left out are
texts (messages, names, SQL), docstrings, annotations, decorators, what only a type checker reads and what only
another operating system runs.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
_LOGGING = frozenset({"debug", "info", "warning", "error", "exception"})


@dataclass(frozen=True, slots=True)
class Site:
    """One change: the lines and byte columns it replaces (first line 1, columns from 0), and the new text.

    ``text`` is the first line it changes as it stands, and ``occurrence`` counts from 0 the changes of a file that
    are the same but for their place.
    """

    file: str
    kind: str
    line: int
    column: int
    end_line: int
    end_column: int
    old: str
    new: str
    text: str
    occurrence: int = 0

    @property
    def what(self) -> tuple[str, str, str, str, str]:
        """What is changed, wherever in its file the line stands."""
        return self.file, self.text, self.kind, self.old, self.new

    @property
    def identity(self) -> str:
        """The same as long as nobody edits the line (or puts the same one before it), whatever else changes."""
        return "\n".join([*self.what, str(self.occurrence)])

    def rank(self, seed: int) -> str:
        """Return where this change comes when the changes of a room are drawn: as good as random, but its own."""
        return hashlib.sha256(f"{seed}\n{self.identity}".encode()).hexdigest()

    @property
    def name(self) -> str:
        """Where it stands at present and what is changed, for a reader."""
        return f"{self.file}:{self.line}:{self.column} {self.kind} {self.new}"

    def apply(self, source: str) -> str:
        """Return the source with the change made."""
        lines = source.encode().splitlines(keepends=True)
        first, last = lines[self.line - 1], lines[self.end_line - 1]
        changed = first[: self.column] + self.new.encode() + last[self.end_column :]
        return b"".join([*lines[: self.line - 1], changed, *lines[self.end_line :]]).decode()


def sites_of(file: str, source: str) -> list[Site]:
    """Return every change that can be made in ``source``, in the order of its lines."""
    finder = _Finder(file, source)
    finder.visit(ast.parse(source))
    found = sorted(finder.found, key=lambda site: (site.line, site.column, site.kind, site.new))
    seen: Counter[tuple[str, ...]] = Counter()
    for at, site in enumerate(found):
        found[at] = replace(site, occurrence=seen[site.what])
        seen[site.what] += 1
    return found


class _Finder(ast.NodeVisitor):
    def __init__(self, file: str, source: str) -> None:
        self.found: list[Site] = []
        self._file = file
        self._source = source
        self._lines = source.splitlines()

    def _add(self, kind: str, node: ast.expr | ast.stmt, new: ast.AST | str) -> None:
        old = ast.get_source_segment(self._source, node) or ""
        text = new if isinstance(new, str) else f"({ast.unparse(new)})"
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        place = (node.lineno, node.col_offset, node.end_lineno, node.end_col_offset)
        self.found.append(Site(self._file, kind, *place, old, text, self._lines[node.lineno - 1].strip()))

    # What is left out.

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """A message's text."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """Only whether it is raised matters; its message is text."""
        self._add("statement", node, "pass")

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        for statement in node.body:
            self.visit(statement)

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            self.visit(statement)

    # What is changed.

    def visit_If(self, node: ast.If) -> None:
        test = ast.unparse(node.test)
        if test == "TYPE_CHECKING" or "sys.platform" in test:
            for statement in node.body if test == "sys.platform != 'win32'" else node.orelse:
                self.visit(statement)
            return
        self._condition(node.test)
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._condition(node.test)
        self.generic_visit(node)

    def visit_While(self, node: ast.While) -> None:
        self._condition(node.test)
        self.generic_visit(node)

    def _condition(self, test: ast.expr) -> None:
        """A comparison is turned round where it stands; any other condition here."""
        if isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.NamedExpr):
            self._add("condition", test, ast.UnaryOp(ast.Not(), test))

    def visit_Compare(self, node: ast.Compare) -> None:
        for at, operator in enumerate(node.ops):
            operators = list(node.ops)
            operators[at] = _COMPARISONS[type(operator)]()
            self._add("comparison", node, ast.Compare(node.left, operators, node.comparators))
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        other = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        self._add("boolean", node, ast.BoolOp(other, node.values))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            self._add("boolean" if isinstance(node.op, ast.Not) else "arithmetic", node, node.operand)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        texts = any(
            isinstance(side, ast.JoinedStr)
            or (isinstance(side, ast.Constant) and isinstance(side.value, str | bytes))
            for side in (node.left, node.right)
        )
        other = _OPERATORS.get(type(node.op))
        if other is not None and not texts and not _is_type(node):
            self._add("arithmetic", node, ast.BinOp(node.left, other(), node.right))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self._add("truth", node, str(not value))
        elif isinstance(value, int):
            self._add("number", node, str(value + 1))
        elif isinstance(value, float):
            self._add("number", node, repr(value * 1.5 if value else 1.0))

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not isinstance(node.value, ast.Constant):
            self._add("return", node, "return None")
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._add("statement", node, "pass")
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        """A name that is never set is found at once; what is put into something may be missed by nobody."""
        if all(isinstance(target, ast.Attribute | ast.Subscript) for target in node.targets):
            self._add("statement", node, "pass")
        self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        call = node.value.value if isinstance(node.value, ast.Await) else node.value
        if not isinstance(call, ast.Call):
            return
        if isinstance(call.func, ast.Attribute) and call.func.attr in _LOGGING:
            return
        self._add("statement", node, "pass")
        self.generic_visit(node)

    def visit_Continue(self, node: ast.Continue) -> None:
        self._add("statement", node, "pass")

    def visit_Break(self, node: ast.Break) -> None:
        self._add("statement", node, "pass")


def _is_type(node: ast.BinOp) -> bool:
    """Return whether ``int | None`` and the like is meant, outside an annotation."""
    names = {name.id for name in ast.walk(node) if isinstance(name, ast.Name)}
    nothing = any(isinstance(part, ast.Constant) and part.value is None for part in ast.walk(node))
    return isinstance(node.op, ast.BitOr) and (nothing or bool(names & {"int", "float", "str", "bytes", "list"}))


def names_imported(source: str) -> Iterator[str]:
    """Yield the modules that ``source`` imports, in full."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
