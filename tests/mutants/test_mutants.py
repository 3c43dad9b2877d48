"""The tool itself: what it draws, what of a file acts on import, and that a change reaches loaded functions."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

from .coverage_map import line_keys
from .in_place import body_around, loaded_functions, put_in
from .sites import Site, sites_of

SOURCE = """\
import sys
LIMIT = 3
class Counter:
    step = 2
    def __init__(self, start=5):
        self.count = start
    @property
    def double(self):
        return self.count * 2
    def add(self):
        def more(by):
            return by + 1
        self.count += more(self.step)
        return self.count
def over(value): return value > LIMIT
if sys.platform == "win32":
    def name(): return 1 + 1
else:
    def name(): return 2 + 2
"""


@pytest.fixture
def module(tmp_path: Path) -> ModuleType:
    path = tmp_path / "counted.py"
    path.write_text(SOURCE)
    spec = importlib.util.spec_from_file_location("counted", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def site(file: str, text: str, new: str) -> Site:
    (found,) = (each for each in sites_of(file, SOURCE) if each.text == text and each.new == new)
    return found


def test_a_change_elsewhere_draws_nothing_anew() -> None:
    moved = SOURCE.replace("LIMIT = 3\n", "# a comment\nOTHER = 7\nLIMIT = 3\n")
    before, after = ({each.identity: each.rank(1) for each in sites_of("a.py", text)} for text in (SOURCE, moved))
    assert len(before) == len(sites_of("a.py", SOURCE)), "each has an identity of its own"
    assert before.items() < after.items()
    assert before.items() != {each.identity: each.rank(2) for each in sites_of("a.py", SOURCE)}.items()


def test_equal_lines_are_told_apart() -> None:
    twice = "def a():\n    b(1)\n    b(1)\n"
    assert [each.occurrence for each in sites_of("a.py", twice) if each.new == "pass"] == [0, 1]
    assert line_keys(twice) == ["def a():#0", "b(1)#0", "b(1)#1"]


def test_what_only_another_system_runs_is_left_out() -> None:
    texts = {each.text for each in sites_of("a.py", SOURCE)}
    assert "def name(): return 2 + 2" in texts
    assert "def name(): return 1 + 1" not in texts


@pytest.mark.parametrize(
    ("text", "new", "lines"),
    [
        ("LIMIT = 3", "4", None),
        ("step = 2", "3", None),
        ("def __init__(self, start=5):", "6", None),
        ("return self.count * 2", "3", range(9, 10)),
        ("return by + 1", "2", range(11, 15)),
        ("def over(value): return value > LIMIT", "(value >= LIMIT)", range(15, 16)),
    ],
)
def test_what_acts_on_import(text: str, new: str, lines: range | None) -> None:
    assert body_around(site("a.py", text, new), SOURCE) == lines


def test_what_a_cache_keeps_acts_as_on_import() -> None:
    kept = SOURCE.replace("def over(value)", "@cache\ndef over(value)")
    (change,) = [each for each in sites_of("a.py", kept) if each.new == "(value >= LIMIT)"]
    assert body_around(change, kept) is None


def test_a_change_reaches_functions_methods_properties_and_what_is_inside_of_them(module: ModuleType) -> None:
    file = str(module.__file__)
    counter, over = module.Counter(), module.over
    changes = [
        ("return self.count * 2", "3", lambda: counter.double, 10, 15),
        ("return by + 1", "2", counter.add, 8, 12),
        ("def over(value): return value > LIMIT", "(value >= LIMIT)", lambda: over(3), False, True),
    ]
    for text, new, call, before, after in changes:
        assert call() == before
        assert put_in(site(file, text, new), SOURCE, loaded_functions())
        assert call() == after
    assert not put_in(site(file, "LIMIT = 3", "4"), SOURCE, loaded_functions())
    assert module.LIMIT == 3
