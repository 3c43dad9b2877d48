"""Names that the program defines and nothing in it uses: run without the tests, which would keep anything alive.

A name counts as used where it is read, called, imported, given as an argument or spelt out as a string anywhere in
``telemetry`` or ``drivers`` but in its own definition. Names of different things are not told apart, so what is
reported is dead; what is dead may pass. ``KEPT`` is what somebody else calls.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
CALLED_BY_NAME = ("visit_", "on_")
"""Textual and ast call what begins so."""
KEPT = {
    **dict.fromkeys(("compose", "get_default_screen", "render_lines"), "Textual calls it"),
    "formatException": "logging calls it",
    "_parse_line": "python-can calls it",
    **dict.fromkeys(("ManualClock", "suspend"), "time in the tests, of the same kind as the program's"),
    "fault_events": "the truth of a simulated drive, for the tests",
    "scalar_step": "one step of the filter, for its worked example",
    "FIGURE_CHARACTERS": "what can be drawn, for the tests to draw",
}


def defined(tree: ast.AST) -> list[tuple[str, int]]:
    """Return the names of functions, classes, methods and module constants, with their lines."""
    kinds = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
    found = [(node.name, node.lineno) for node in ast.walk(tree) if isinstance(node, kinds)]
    for node in getattr(tree, "body", ()):
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        found += [(target.id, node.lineno) for target in targets if isinstance(target, ast.Name)]
    return [(name, line) for name, line in found if not name.startswith(("__", *CALLED_BY_NAME))]


def used(tree: ast.AST) -> Counter[str]:
    """Count every name that is read, imported, passed or spelt out, but for imports that only pass it on."""
    names: Counter[str] = Counter()
    for node in ast.walk(tree):
        match node:
            case ast.Name(id=name, ctx=ast.Load()) | ast.Attribute(attr=name) | ast.keyword(arg=str(name)):
                names[name] += 1
            case ast.Constant(value=str(name)) if name.isidentifier():
                names[name] += 1
            case ast.Constant(value=str(text)) if ":" in text and text.rpartition(":")[2].isidentifier():
                names[text.rpartition(":")[2]] += 1
            case ast.MatchClass(cls=ast.Name(id=name)):
                names[name] += 1
    return names


def main() -> int:
    """Print what is dead; the exit status tells whether anything is."""
    files = [path for room in ("telemetry", "drivers") for path in sorted((ROOT / room).rglob("*.py"))]
    trees = {path: ast.parse(path.read_text("utf-8")) for path in files}
    alive = sum((used(tree) for tree in trees.values()), Counter[str]())
    entries = (ROOT / "pyproject.toml").read_text("utf-8")
    dead = [
        f"{path.relative_to(ROOT)}:{line}: {name}"
        for path, tree in trees.items()
        for name, line in defined(tree)
        if not alive[name] and name not in KEPT and f':{name}"' not in entries
    ]
    stale = [f"{Path(__file__).name}: {name} is in use" for name in KEPT if alive[name]]
    sys.stdout.write("".join(f"{each}\n" for each in [*dead, *stale]))
    return bool(dead or stale)


if __name__ == "__main__":
    sys.exit(main())
