"""Puts a change into functions that are loaded already, so that nothing has to be imported again."""

from __future__ import annotations

import ast
import gc
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from types import CodeType, FunctionType

from .sites import Site


def body_around(site: Site, source: str) -> range | None:
    """Return the lines of the function body that holds all of the change, the outermost; None: it acts on import.

    What a cache keeps from its first call goes with that: the test that calls first is not the one that looks at it.
    """
    bodies = _Bodies()
    bodies.visit(ast.parse(source))
    for node in bodies.found:
        begin, end = node.body[0], node.end_lineno or 0
        # A default stands before the body, perhaps on its line.
        if (begin.lineno, begin.col_offset) <= (site.line, site.column) and site.end_line <= end:
            kept = any("cache" in ast.unparse(each) for each in node.decorator_list)
            return None if kept else range(begin.lineno, end + 1)
    return None


class _Bodies(ast.NodeVisitor):
    """Finds functions and methods, none inside another."""

    def __init__(self) -> None:
        self.found: list[ast.FunctionDef | ast.AsyncFunctionDef] = []

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        self.found.append(node)

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815


def loaded_functions() -> list[FunctionType]:
    """Return every function that is loaded."""
    return [each for each in gc.get_objects() if isinstance(each, FunctionType)]


def put_in(site: Site, source: str, loaded: list[FunctionType]) -> bool:
    """Give the ``loaded`` functions the changed code; False where that cannot be done."""
    path = str(Path(site.file).resolve())
    old = _functions_in(compile(source, path, "exec", dont_inherit=True))
    new = _functions_in(compile(site.apply(source), path, "exec", dont_inherit=True))
    differ = [(before, after) for before, after in zip(old, new, strict=True) if before != after]
    done = False
    for before, after in differ:
        if before.co_firstlineno > site.line or before.co_freevars != after.co_freevars:
            continue
        for function in loaded:
            if function.__code__.co_filename == path and function.__code__ == before:
                function.__code__ = after
                done = True
    return done


def _functions_in(code: CodeType) -> list[CodeType]:
    """Return the code of functions and methods, in order, without those inside of another."""
    return list(chain.from_iterable(_functions_of(part) for part in code.co_consts if isinstance(part, CodeType)))


def _functions_of(part: CodeType) -> Iterator[CodeType]:
    is_class_body = not part.co_flags & 0x02  # a function has the flag NEWLOCALS
    if is_class_body:
        yield from _functions_in(part)
    else:
        yield part
