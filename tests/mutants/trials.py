"""Draws the mutants by seed and tries each with the tests that run the changed line."""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import os
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import FunctionType
from typing import Any

import pytest

from .child import SLACK, InsteadOfRunning, collect, first_failure, in_fork
from .coverage_map import CoverageMap
from .in_place import body_around, loaded_functions, put_in
from .sites import Site, names_imported, sites_of

ROOMS = ("telemetry/alarms", "telemetry/store", "drivers/decode", "telemetry/analysis")
APART = ("telemetry/analysis/fault_isolation",)
APART_TESTS = ("test_isolation", "test_simulated", "test_contradictions", "test_verdict_of_simulated")
"""What runs whole drives of the rooms left apart: minutes each."""
FOLDERS = {"drivers/decode": "tests/drivers"}
"""Where a room's own tests are, unless in the folder of its name."""
NEAR = ("pipeline", "recordings", "reference", "report", "model")
"""Folders whose tests are quick enough to try a change in another room that they import."""
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
BATCH = 25
"""How many mutants are tried with tests collected once."""
ENDLESS = 1e6


def sites_in(room: str) -> list[Site]:
    """Return every site of the files under ``room``, from the current folder."""
    files = sorted(str(path) for path in Path(room).rglob("*.py"))
    kept = [file for file in files if not file.startswith(APART)]
    return [site for file in kept for site in sites_of(file, Path(file).read_text(encoding="utf-8"))]


def draw(room: str, count: int, seed: int) -> list[Site]:
    """Return ``count`` sites of a room: each beginning of the list is a fair draw of its own.

    What is drawn hangs on the text of each site and the seed alone, so a change elsewhere draws nothing anew.
    """
    return sorted(sites_in(room), key=lambda site: site.rank(seed))[:count]


def equivalents() -> dict[tuple[str, str, str], str]:
    """Return the reason why a mutant changes nothing that anybody can see, by file, line of code and change."""
    stated = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["mutant"]
    return {(each["file"], each["line"], each["new"]): each["why"] for each in stated}


def results_in(path: Path) -> dict[str, dict[str, Any]]:
    """Return the last result of each mutant by its identity."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return {result["identity"]: result for result in map(json.loads, lines)}


def tests_of(room: str) -> list[Path]:
    """Return the files of tests that try a change in ``room``: its own, and those near by that reach into it.

    They reach into it where they import it, or a module that does. Tests through the command line and the screen
    notice more, but each takes seconds.
    """
    own = FOLDERS.get(room, f"tests/{Path(room).name}")
    package = room.replace("/", ".") + "."
    found = []
    for path in sorted(Path("tests").rglob("test_*.py")):
        is_near = path.parent.name in NEAR and _reaches(path, package)
        if (str(path.parent) == own or is_near) and not path.name.startswith(APART_TESTS):
            found.append(path)
    return sorted(found, key=lambda path: (str(path.parent) != own, str(path)))


def _reaches(path: Path, package: str, steps: int = 1) -> bool:
    about = set(names_imported(path.read_text(encoding="utf-8")))
    if any(name.startswith(package) for name in about):
        return True
    modules = {Path(name.replace(".", "/") + ".py") for name in about if name.startswith("telemetry.")}
    return steps > 0 and any(each.exists() and _reaches(each, package, steps - 1) for each in modules)


def run_all(options: argparse.Namespace, work: Path) -> None:
    """Try the mutants that have no result yet, room by room; with ``--again`` the survivors as well."""
    until = time.monotonic() + options.minutes * 60
    for room in options.rooms:
        _Trials(room, options, work).run(until)


class _Trials:
    """The mutants of one room."""

    def __init__(self, room: str, options: argparse.Namespace, work: Path) -> None:
        self._room = room
        self._options = options
        self._work = work
        self._results = work / "results.jsonl"
        self._chart = CoverageMap(work / "map")

    def run(self, until: float) -> None:
        """Try what is to be tried, until that time of the monotonic clock."""
        self._chart.make(tests_of(self._room))
        before = results_in(self._results)
        known = equivalents()
        again = ("survived", "no test") if self._options.again else ()
        drawn = draw(self._room, -(-self._options.count // len(ROOMS)), self._options.seed)
        undecided = [site for site in drawn if (site.file, site.text, site.new) not in known]
        due = [site for site in undecided if (old := before.get(site.identity)) is None or old["status"] in again]
        print(f"{self._room}: {len(due)} of {len(drawn)} to try", flush=True)
        for at in range(0, len(due), BATCH):
            self._batch(due[at : at + BATCH], until)

    def _batch(self, batch: list[Site], until: float) -> None:
        """Try some mutants: inside functions with tests collected once, others each with an import of its own."""
        trials = [self._trial(site) for site in batch]
        inside = [trial for trial in trials if trial.tests and trial.in_function]
        files = sorted({file for trial in inside for file in trial.files})
        begun = time.time()

        def all_inside(items: dict[str, pytest.Item]) -> None:
            loaded = loaded_functions()
            gc.freeze()  # a fork then copies fewer pages
            for trial in inside:
                if time.monotonic() < until:
                    self._try(trial, lambda trial, changed: trial.in_place(items, loaded, changed))

        if inside:
            in_fork(lambda: collect(files, self._scratch, [InsteadOfRunning(all_inside)]), ENDLESS)
        done = {name for name, result in results_in(self._results).items() if result["at"] >= begun}
        for trial in trials:
            if trial.site.identity not in done and time.monotonic() < until:
                self._try(trial, lambda trial, changed: trial.from_the_start(self._scratch))

    @property
    def _scratch(self) -> Path:
        return self._work / "scratch"

    def _trial(self, site: Site) -> _Trial:
        source = Path(site.file).read_text(encoding="utf-8")
        body = body_around(site, source)
        acts_on_import = body is None or self._chart.ran_on_import(site.file, body)
        tests = self._chart.tests_for(site, self._options.most, acts_on_import)
        return _Trial(site, source, tests, in_function=not acts_on_import)

    def _try(self, trial: _Trial, run: Callable[[_Trial, bool], dict[str, Any]]) -> None:
        """Change the file, for what is read from there, run the tests in a fork, and note what they said."""
        begun = time.monotonic()
        with _changed_file(trial):
            answer = self._answer(trial, partial(run, trial, True))
        if answer is None:
            return
        if (by := answer.get("by")) in trial.tests:
            alone = replace(trial, tests={by: trial.tests[by]})
            if self._answer(alone, partial(run, alone, False)) != {"status": "survived", "by": None}:
                print(f"unsteady, so it says nothing: {by}", flush=True)
                return
        site = trial.site
        about: dict[str, object] = {
            "identity": site.identity,
            "name": site.name,
            "room": self._room,
            "line": site.text,
        }
        about |= {"room": self._room, "old": site.old, "new": site.new, "tests": len(trial.tests), "at": time.time()}
        result = about | answer | {"seconds": round(time.monotonic() - begun, 1)}
        with self._results.open("a", encoding="utf-8") as out:
            out.write(json.dumps(result) + "\n")
        print(f"{result['status']} {result['seconds']:.1f} s {site.name}", flush=True)

    def _answer(self, trial: _Trial, run: Callable[[], dict[str, Any]]) -> dict[str, Any] | None:
        if not trial.tests:
            return {"status": "no test"}
        answer = in_fork(run, SLACK * sum(trial.tests.values()) + 30, self._work / "log.txt")
        if answer is None:
            return {"status": "killed", "by": "time or memory limit"}
        if not answer["done"]:
            return None
        return {"status": "killed" if answer["by"] else "survived", "by": answer["by"]}


@dataclass(frozen=True)
class _Trial:
    """One mutant.

    Attributes:
        site: what is changed.
        source: its file as it stands.
        tests: the names of the tests to run, the fastest first, with their seconds.
        in_function: whether it acts only when a function is called.

    """

    site: Site
    source: str
    tests: dict[str, float]
    in_function: bool

    @property
    def files(self) -> list[str]:
        """Return the files of the tests, in the order of the tests."""
        return list(dict.fromkeys(name.split("::")[0] for name in self.tests))

    def in_place(self, items: dict[str, pytest.Item], loaded: list[FunctionType], changed: bool) -> dict[str, Any]:
        """Change the loaded function, unless told not to, and run collected tests."""
        sys.dont_write_bytecode = True
        done = not changed or put_in(self.site, self.source, loaded)
        return {"done": done, "by": first_failure([items[name] for name in self.tests], self.tests) if done else None}

    def from_the_start(self, scratch: Path) -> dict[str, Any]:
        """Import the changed file and collect the tests anew, a file of tests after the other."""
        sys.dont_write_bytecode = True
        for file in self.files:
            names = [name for name in self.tests if name.startswith(f"{file}::")]
            failures = [f"{file}: not collected"]

            def run(items: dict[str, pytest.Item], names: list[str] = names, failures: list[str] = failures) -> None:
                failure = first_failure([items[name] for name in names], self.tests)
                failures[:] = [failure] if failure else []

            collect([file], scratch, [InsteadOfRunning(run)])
            if failures:
                return {"done": True, "by": failures[0]}
        return {"done": True, "by": None}


@contextlib.contextmanager
def _changed_file(trial: _Trial) -> Iterator[None]:
    path = Path(trial.site.file)
    stat = path.stat()
    try:
        path.write_text(trial.site.apply(trial.source), encoding="utf-8")
        # A time of its own, so that no compiled file, of the original or of an earlier mutant, fits.
        os.utime(path, (stat.st_atime, int(time.time() * 50) % 2**31))
        yield
    finally:
        path.write_text(trial.source, encoding="utf-8")
        os.utime(path, (stat.st_atime, stat.st_mtime))
