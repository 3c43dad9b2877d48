"""The rooms as layers: imports point down only, and heavy packages come late and in one place.

Each rule is a function from the imports of the whole project to the sentences it objects with, so that a test can
also show each rule objecting to a made-up import.
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# From the top down; rooms of one layer do not import each other either.
LAYERS = (
    {"cli"},
    {"commands"},
    {"runs"},
    {"screen", "report"},
    {"pipeline", "recordings", "store", "guided"},
    {"alarms", "analysis"},
    {"machine"},
    {"driver"},
    {"model"},
)
DEPTH = {room: depth for depth, rooms in enumerate(LAYERS) for room in rooms}
# Narrower than their layer allows.
ONLY_MODEL = {"store", "recordings", "driver"}
LINK_PACKAGES = ("serial", "can", "bleak", "pymodbus")
HEAVY = (
    *("numpy", "textual", "can", "serial", "bleak", "sqlite_utils", "pyarrow", "plotext", "pymodbus", "scipy"),
    "shapely",
)


@dataclass(frozen=True)
class Import:
    """One import: in which file, of which module by its full name, and whether it is done late.

    Attributes:
        file: path within the repository, with slashes.
        module: full dotted name of what is imported.
        relative: written with leading dots.
        late: inside a function.
        for_types: under ``if TYPE_CHECKING``, so never done when the program runs.

    """

    file: str
    module: str
    relative: bool = False
    late: bool = False
    for_types: bool = False

    @property
    def package(self) -> str:
        return self.module.partition(".")[0]

    @property
    def room(self) -> str | None:
        """The room of ``telemetry`` that is imported, if one is."""
        parts = self.module.split(".")
        return parts[1] if parts[0] == "telemetry" and len(parts) > 1 else None

    @property
    def home(self) -> str:
        """The room of ``telemetry`` that the file is in, or the first folder for other files."""
        parts = self.file.removesuffix(".py").split("/")
        return parts[1] if parts[0] == "telemetry" else parts[0]

    def __str__(self) -> str:
        return f"{self.file} imports {self.module}"


class _Walk(ast.NodeVisitor):
    def __init__(self, file: str) -> None:
        self.file, self.found = file, list[Import]()
        self._late = self._for_types = False

    def _in_function(self, node: ast.AST) -> None:
        before, self._late = self._late, True
        self.generic_visit(node)
        self._late = before

    visit_FunctionDef = visit_AsyncFunctionDef = visit_Lambda = _in_function  # noqa: N815 - ast's own names

    def visit_If(self, node: ast.If) -> None:
        before = self._for_types
        self._for_types = before or ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")
        for child in node.body:
            self.visit(child)
        self._for_types = before
        for child in node.orelse:
            self.visit(child)

    def _add(self, module: str, relative: bool = False) -> None:
        self.found.append(Import(self.file, module, relative, self._late, self._for_types))

    def visit_Import(self, node: ast.Import) -> None:
        for alias in node.names:
            self._add(alias.name)

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        module = node.module or ""
        if node.level:
            package = self.file.removesuffix(".py").split("/")[: -node.level]
            module = ".".join([*package, *([node.module] if node.module else [])])
        if module in ("telemetry", "drivers"):  # `from telemetry import cli` imports the module cli
            for alias in node.names:
                self._add(f"{module}.{alias.name}", bool(node.level))
        else:
            self._add(module, bool(node.level))

    def visit_Call(self, node: ast.Call) -> None:
        called = ast.unparse(node.func)
        if called in ("__import__", "import_module", "importlib.import_module"):
            name = node.args[0] if node.args else None
            self._add(str(name.value) if isinstance(name, ast.Constant) else f"<{called}>")
        self.generic_visit(node)


def imports_of(file: str, text: str) -> list[Import]:
    walk = _Walk(file)
    walk.visit(ast.parse(text, file))
    return walk.found


@cache
def every_import() -> tuple[Import, ...]:
    files = [file for folder in ("telemetry", "drivers") for file in sorted((ROOT / folder).rglob("*.py"))]
    return tuple(
        found
        for file in files
        for found in imports_of(file.relative_to(ROOT).as_posix(), file.read_text(encoding="utf-8"))
    )


def rooms_import_down_only(imports: Iterable[Import]) -> list[str]:
    wrong = []
    for found in imports:
        if not found.file.startswith("telemetry/") or found.room is None or found.room == found.home:
            continue
        if found.home not in DEPTH or found.room not in DEPTH:
            wrong.append(f"{found}, and one of the two has no layer; give it one in {Path(__file__).name}")
        elif DEPTH[found.room] <= DEPTH[found.home]:
            wrong.append(f"{found}, which is not below {found.home}")
        elif found.home in ONLY_MODEL and found.room != "model":
            wrong.append(f"{found}, but {found.home} knows model only")
    return wrong


def telemetry_never_imports_drivers(imports: Iterable[Import]) -> list[str]:
    return [str(i) for i in imports if i.file.startswith("telemetry/") and i.package == "drivers"]


def drivers_import_the_contract_only(imports: Iterable[Import]) -> list[str]:
    ours = [i for i in imports if i.file.startswith("drivers/") and i.package in ("telemetry", "drivers")]
    return [
        str(i)
        for i in ours
        if (i.package == "telemetry" and i.room not in ("model", "driver"))
        or (i.package == "drivers" and not i.relative)
    ]


def links_are_opened_in_one_file_each(imports: Iterable[Import]) -> list[str]:
    imports = list(imports)
    wrong = []
    for package in LINK_PACKAGES:
        theirs = [i for i in imports if i.package == package and not i.for_types]
        files = {i.file for i in theirs}
        if len(files) > 1:
            wrong.append(f"{package} is imported in {len(files)} files: {', '.join(sorted(files))}")
        wrong += [f"{i} outside a function" for i in theirs if not i.late]
        wrong += [f"{i}, but links are opened by drivers" for i in theirs if not i.file.startswith("drivers/")]
    return wrong


def the_screen_keeps_its_packages_to_itself(imports: Iterable[Import]) -> list[str]:
    imports = list(imports)
    wrong = [str(i) for i in imports if i.package == "textual" and not i.file.startswith("telemetry/screen/")]
    charts = [i for i in imports if i.package == "plotext" and not i.file.startswith("telemetry/screen/")]
    return wrong + [str(i) for i in charts if not (i.late and i.file.startswith("telemetry/report/"))]


def geometry_comes_late_and_in_its_room(imports: Iterable[Import]) -> list[str]:
    return [
        str(i)
        for i in imports
        if i.package == "shapely" and not i.for_types and not (i.late and i.file.startswith("telemetry/analysis/"))
    ]


def storage_packages_come_late_and_in_their_room(imports: Iterable[Import]) -> list[str]:
    rooms = {"pyarrow": "telemetry/recordings/", "sqlite_utils": "telemetry/store/"}
    return [
        f"{i} outside {rooms[i.package]} or outside a function"
        for i in imports
        if i.package in rooms and not i.for_types and not (i.late and i.file.startswith(rooms[i.package]))
    ]


def nothing_is_imported_by_a_name_made_up_at_run_time(imports: Iterable[Import]) -> list[str]:
    return [f"{i.file} imports by a name that no test can read" for i in imports if i.module.startswith("<")]


def what_only_tests_need_stays_out_of_the_program(imports: Iterable[Import]) -> list[str]:
    outside = {"tests", "pytest", "hypothesis", "scipy", "pybamm", "unittest"}
    return [str(i) for i in imports if i.package in outside]


Rule = Callable[[Iterable[Import]], list[str]]
BROKEN: list[tuple[Rule, list[Import]]] = [
    (rooms_import_down_only, imports_of("telemetry/model/a.py", "from telemetry.store import writer")),
    (rooms_import_down_only, imports_of("telemetry/screen/a.py", "from telemetry.report import text")),
    (rooms_import_down_only, imports_of("telemetry/store/a.py", "def f():\n from telemetry.machine import limits")),
    (rooms_import_down_only, imports_of("telemetry/pipeline/a.py", "from telemetry import cli")),
    (rooms_import_down_only, imports_of("telemetry/alarms/a.py", "from ..pipeline import judge")),
    (rooms_import_down_only, imports_of("telemetry/cellar/a.py", "from telemetry.model import batch")),
    (telemetry_never_imports_drivers, imports_of("telemetry/cli.py", "def f():\n from drivers import replay")),
    (telemetry_never_imports_drivers, imports_of("telemetry/cli.py", "import_module('drivers.replay')")),
    (drivers_import_the_contract_only, imports_of("drivers/a.py", "import telemetry.machine")),
    (drivers_import_the_contract_only, imports_of("drivers/a.py", "from drivers.links import pump")),
    (links_are_opened_in_one_file_each, imports_of("drivers/a.py", "import serial.tools")),
    (links_are_opened_in_one_file_each, imports_of("telemetry/cli.py", "def f():\n import can")),
    (
        links_are_opened_in_one_file_each,
        [*imports_of("drivers/a.py", "def f():\n import can"), *imports_of("drivers/b.py", "def f():\n import can")],
    ),
    (the_screen_keeps_its_packages_to_itself, imports_of("telemetry/cli.py", "def f():\n from textual import app")),
    (the_screen_keeps_its_packages_to_itself, imports_of("telemetry/report/a.py", "import plotext")),
    (geometry_comes_late_and_in_its_room, imports_of("telemetry/analysis/a.py", "from shapely import Polygon")),
    (geometry_comes_late_and_in_its_room, imports_of("telemetry/cli.py", "def f():\n import shapely")),
    (storage_packages_come_late_and_in_their_room, imports_of("telemetry/recordings/a.py", "import pyarrow.csv")),
    (storage_packages_come_late_and_in_their_room, imports_of("telemetry/cli.py", "def f():\n import pyarrow")),
    (storage_packages_come_late_and_in_their_room, imports_of("telemetry/store/a.py", "import sqlite_utils")),
    (nothing_is_imported_by_a_name_made_up_at_run_time, imports_of("telemetry/cli.py", "__import__(name)")),
    (what_only_tests_need_stays_out_of_the_program, imports_of("telemetry/cli.py", "from unittest import mock")),
]
RULES = list(dict.fromkeys(rule for rule, _ in BROKEN))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_project_keeps_the_rule(rule: Rule) -> None:
    assert rule(every_import()) == []


@pytest.mark.parametrize(("rule", "imports"), BROKEN, ids=[f"{r.__name__}-{i[0]}" for r, i in BROKEN])
def test_the_rule_objects_to_what_breaks_it(rule: Rule, imports: list[Import]) -> None:
    assert rule(imports) != []


def test_what_only_the_type_checker_reads_is_free() -> None:
    text = "if TYPE_CHECKING:\n    import sqlite_utils\nelse:\n    import pyarrow"
    assert [i.for_types for i in imports_of("telemetry/store/a.py", text)] == [True, False]


def loaded_after(code: str) -> set[str]:
    """Return the top-level packages that a fresh process has loaded after ``code``."""
    code = f"{code}\nimport json, sys\nprint(json.dumps(sorted({{name.partition('.')[0] for name in sys.modules}})))"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


def modules_of(*rooms: str) -> list[str]:
    files = [
        f for room in rooms for f in [*ROOT.glob(f"telemetry/{room}.py"), *ROOT.glob(f"telemetry/{room}/**/*.py")]
    ]
    assert files
    return [".".join(f.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for f in sorted(files)]


def test_the_command_line_loads_nothing_heavy_before_a_command_runs() -> None:
    loaded = loaded_after("import telemetry.cli\ntelemetry.cli.build_parser().format_help()")
    assert loaded & set(HEAVY) == set()


def test_the_screen_stands_before_anything_heavy_but_its_own_library_is_loaded() -> None:
    loaded = loaded_after(
        "from telemetry.cli import build_parser\n"
        "from telemetry.commands import driving\n"
        "from telemetry.commands.options import run_options\n"
        "from telemetry.runs import begin, found_good\n"
        "from telemetry.screen.starting import Starting\n"
        "from telemetry.screen.terminal import TerminalScreen\n"
        "arguments = build_parser().parse_args(['watch', 'replay_data/orchard.toml'])\n"
        "run_options(arguments, record=True)\n"
        "assert driving._digest(arguments)\n"
        "TerminalScreen(Starting('cart', 'full', 'metric', lambda: None), 'full')"
    )
    assert loaded & set(HEAVY) == {"textual"}


def test_everything_below_the_screen_works_without_it() -> None:
    below = [room for rooms in LAYERS for room in rooms if room not in ("screen", "cli", "commands")]
    loaded = loaded_after("".join(f"import {module}\n" for module in modules_of(*below)))
    assert "telemetry" in loaded
    assert loaded & {"textual", "plotext", "serial", "can", "bleak", "pymodbus", "sqlite_utils", "pyarrow"} == set()


def test_drivers_load_without_the_packages_of_their_links() -> None:
    names = [f"drivers.{file.stem}" for file in sorted((ROOT / "drivers").glob("*.py")) if file.stem != "__init__"]
    loaded = loaded_after("".join(f"import {name}\n" for name in names))
    assert loaded & {*LINK_PACKAGES, "textual", "sqlite_utils", "pyarrow"} == set()


def test_a_recording_runs_through_the_whole_chain_without_the_screen() -> None:
    recording = ROOT / "tests" / "reference" / "lfp_drive.csv.gz"
    loaded = loaded_after(
        "import telemetry.cli\n"
        f"status = telemetry.cli.main(['replay', {str(recording)!r}, '--no-screen', '--json', '--speed', 'max'])\n"
        "assert status == 0, status"
    )
    assert "numpy" in loaded, "nothing was computed"
    assert loaded & {*LINK_PACKAGES, "textual", "plotext"} == set()
