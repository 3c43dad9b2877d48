"""Which tests run which lines of the program, and how long each test takes: measured once, file of tests by file."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import accumulate
from pathlib import Path
from typing import Any

import pytest

from .child import Outcome, collect, in_fork
from .sites import Site, names_imported

LIMIT_S = 3600.0
NOBODY = ""
"""Runs what is run on import."""


class _Contexts:
    """A plugin of pytest: tells the measurement, here and in processes that a test starts, which test is running."""

    def __init__(self, measurement: Any) -> None:
        self._measurement = measurement

    def pytest_runtest_logstart(self, nodeid: str, location: object) -> None:
        self._measurement.switch_context(nodeid)
        config = self._measurement.config
        config.context = nodeid
        os.environ["COVERAGE_PROCESS_CONFIG"] = config.serialize()

    def pytest_runtest_logfinish(self, nodeid: str, location: object) -> None:
        self._measurement.switch_context(NOBODY)


def _measure(test_file: str, kept: Path) -> dict[str, Any]:
    """Run a file of tests and return seconds, failures and who ran what; scratch folders lie beside ``kept``."""
    from coverage import Coverage

    folder = kept.with_suffix(".parts")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    scratch = kept.with_suffix(".scratch")
    measurement = Coverage(data_file=str(folder / "part"), config_file="pyproject.toml")
    measurement.start()
    outcome = Outcome()
    code = collect([test_file], scratch, [outcome, _Contexts(measurement)])
    measurement.stop()
    measurement.save()
    whole = Coverage(data_file=None, config_file="pyproject.toml")
    whole.combine([str(part) for part in folder.iterdir()])
    shutil.rmtree(folder)
    shutil.rmtree(scratch, ignore_errors=True)
    here, read = Path.cwd(), whole.get_data()
    names = {NOBODY: 0} | {name: number for number, name in enumerate(outcome.seconds, 1)}
    lines = {}
    for file in read.measured_files():
        by_line = read.contexts_by_lineno(file)
        keys = line_keys(Path(file).read_text(encoding="utf-8"))
        # what a signal interrupts may be noted at a line of another file
        real = {line: by for line, by in by_line.items() if 0 < line <= len(keys)}
        about = {keys[line - 1]: sorted(names[who] for who in by) for line, by in real.items()}
        lines[str(Path(file).relative_to(here))] = about
    return {
        "code": code,
        "seconds": outcome.seconds,
        "failed": outcome.failed,
        "names": list(names),
        "lines": lines,
    }


def digest_of(file: Path) -> str:
    """Return what tells one state of a file from another."""
    return hashlib.sha256(file.read_bytes()).hexdigest()[:12]


def line_keys(source: str) -> list[str]:
    """Return what names each line as long as nobody edits it: its text, and how many times that came before."""
    seen: Counter[str] = Counter()
    keys = []
    for line in source.splitlines():
        text = line.strip()
        keys.append(f"{text}#{seen[text]}")
        seen[text] += 1
    return keys


class CoverageMap:
    """Chooses the tests for a mutant.

    Args:
        folder: where the map is kept, a file for each file of tests: who ran what.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seconds: dict[str, float] = {}
        self._lines: dict[str, dict[str, set[str]]] = {}
        self._imports: dict[str, set[str]] = {}
        self._tests: dict[str, set[str]] = {}
        folder.mkdir(parents=True, exist_ok=True)

    def make(self, test_files: Iterable[Path]) -> None:
        """Measure those of ``test_files`` that are new or changed, then read what is known of all."""
        for file in test_files:
            kept = self._kept(file)
            if not kept.exists():
                self._keep(file, kept)
        for file in sorted(Path("tests").rglob("test_*.py")):
            kept = self._kept(file)
            if kept.exists():
                read = json.loads(kept.read_text())
                self._tests[str(file)] = set(read["seconds"]) - set(read["failed"])
                self._add(read)

    def _kept(self, file: Path) -> Path:
        return self._folder / f"{str(file).replace('/', '.')}-{digest_of(file)}.json"

    def _keep(self, file: Path, kept: Path) -> None:
        for older in self._folder.glob(f"{str(file).replace('/', '.')}-*"):
            older.unlink() if older.is_file() else shutil.rmtree(older)
        log = self._folder / "log.txt"
        measured = in_fork(lambda: _measure(str(file), kept), LIMIT_S, log)
        if measured is None:
            shutil.copy(log, kept.with_suffix(".log"))
            print(
                f"{file}: no map; it takes over {LIMIT_S:.0f} s or dies, see {kept.with_suffix('.log')}", flush=True
            )
            return
        if measured["failed"] or measured["code"] not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            shutil.copy(log, kept.with_suffix(".log"))
            print(f"{file}: {len(measured['failed'])} fail, see {kept.with_suffix('.log')}", flush=True)
        kept.write_text(json.dumps(measured))
        print(f"{file}: {len(measured['seconds'])} tests, {sum(measured['seconds'].values()):.0f} s", flush=True)

    def _add(self, measured: dict[str, Any]) -> None:
        failed = set(measured["failed"])
        names = [None if name in failed else name for name in measured["names"]]
        self._seconds.update({name: s for name, s in measured["seconds"].items() if name not in failed})
        for file, lines in measured["lines"].items():
            into = self._lines.setdefault(file, {})
            for key, numbers in lines.items():
                into.setdefault(key, set()).update(name for name in (names[n] for n in numbers) if name is not None)

    def ran_on_import(self, file: str, lines: range) -> bool:
        """Return whether any of these lines of a file of the program was run while no test was."""
        return any(NOBODY in names for names in self._who(file, lines))

    def tests_for(self, site: Site, most_s: float, acts_on_import: bool) -> dict[str, float]:
        """Return tests, with their seconds, that run what is changed, the fastest first, up to a sum of ``most_s``.

        What acts on import (a table, a default) is tried by all tests that run its file, and by those of the files
        that import it; the tests that name it come first.
        """
        if acts_on_import:
            importers = list(self._importers(site.file))
            names = set().union(*(self._of_file(file) for file in (site.file, *importers)))
            near = set().union(*(self._tests[file] for file in importers if file in self._tests))
        else:
            names = near = set().union(*self._who(site.file, range(site.line, site.end_line + 1))) - {NOBODY}
        seconds = {name: self._seconds[name] for name in names if name in self._seconds}
        in_order = sorted(seconds, key=lambda name: (name not in near, seconds[name], name))
        sums = accumulate(seconds[name] for name in in_order)
        within = [name for name, total in zip(in_order, sums, strict=True) if total <= most_s]
        return {name: seconds[name] for name in within or in_order[:1]}

    def _who(self, file: str, lines: range) -> Iterator[set[str]]:
        keys = line_keys(Path(file).read_text(encoding="utf-8"))
        return (self._lines.get(file, {}).get(keys[line - 1], set()) for line in lines)

    def _of_file(self, file: str) -> set[str]:
        """Return the tests in a file of tests, or those that run any line of a file of the program."""
        if file in self._tests:
            return self._tests[file]
        return set().union(*self._lines.get(file, {}).values())

    def _importers(self, file: str) -> Iterator[str]:
        module = file.removesuffix(".py").replace("/", ".")
        for other in (*self._lines, *self._tests):
            if other not in self._imports and Path(other).exists():
                self._imports[other] = set(names_imported(Path(other).read_text(encoding="utf-8")))
            if module in self._imports.get(other, ()):
                yield other
