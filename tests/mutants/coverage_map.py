"""Which tests run which lines of the rooms under trial, and how long each test takes: made once, file by file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from .child import Chosen, in_fork, run_tests
from .sites import Site, names_imported

LIMIT_S = 1200.0


class _Contexts:
    """A plugin of pytest: tells the measurement which test is running."""

    def __init__(self, measurement: Any) -> None:
        self._measurement = measurement

    def pytest_runtest_logstart(self, nodeid: str, location: object) -> None:
        self._measurement.switch_context(nodeid)

    def pytest_runtest_logfinish(self, nodeid: str, location: object) -> None:
        self._measurement.switch_context("")


def _measure(test_file: str, rooms: list[str]) -> dict[str, Any]:
    from coverage import Coverage

    measurement = Coverage(data_file=None, source=rooms, config_file=False)
    measurement.start()
    chosen = Chosen()
    run_tests([test_file], [chosen, _Contexts(measurement)])
    measurement.stop()
    data = measurement.get_data()
    here = Path.cwd()
    lines = {
        str(Path(file).relative_to(here)): {
            str(line): [name for name in names if name]
            for line, names in data.contexts_by_lineno(file).items()
            if any(names)
        }
        for file in data.measured_files()
    }
    return {"seconds": chosen.seconds, "failed": chosen.failed, "lines": lines}


class CoverageMap:
    """Chooses the tests for a mutant.

    Args:
        folder: where the map is kept, one file for each file of tests.
        rooms: the folders under trial.
    """

    def __init__(self, folder: Path, rooms: list[str]) -> None:
        self._folder = folder
        self._rooms = rooms
        self._seconds: dict[str, float] = {}
        self._lines: dict[str, dict[int, set[str]]] = {}
        self._imports: dict[str, set[str]] = {}
        self._tests: dict[str, set[str]] = {}
        folder.mkdir(parents=True, exist_ok=True)

    def make(self, test_files: Iterable[Path]) -> None:
        """Read the map of every file of tests; measure those that are new or changed."""
        for file in test_files:
            digest = hashlib.sha256(file.read_bytes()).hexdigest()[:12]
            kept = self._folder / f"{str(file).replace('/', '.')}-{digest}.json"
            if not kept.exists():
                log = self._folder / "log.txt"
                measured = in_fork(lambda file=file: _measure(str(file), self._rooms), LIMIT_S, log)
                if measured is None:
                    print(f"{file}: no map; it takes over {LIMIT_S:.0f} s or dies", flush=True)
                    measured = {"seconds": {}, "failed": [], "lines": {}}
                kept.write_text(json.dumps(measured))
                print(
                    f"{file}: {len(measured['seconds'])} tests, {sum(measured['seconds'].values()):.0f} s", flush=True
                )
            read = json.loads(kept.read_text())
            self._tests[str(file)] = set(read["seconds"])
            self._add(read)

    def _add(self, measured: dict[str, Any]) -> None:
        failed = set(measured["failed"])
        self._seconds.update({name: s for name, s in measured["seconds"].items() if name not in failed})
        for file, lines in measured["lines"].items():
            into = self._lines.setdefault(file, {})
            for line, names in lines.items():
                into.setdefault(int(line), set()).update(set(names) - failed)

    def tests_for(self, site: Site, most_s: float) -> tuple[list[str], float]:
        """Return the tests that run what the mutant changes, the fastest first, up to a sum of ``most_s`` seconds.

        What is run on import only (a table, a default) is tried by all tests of its file and of those that import it.
        """
        lines = self._lines.get(site.file, {})
        names = set().union(*(lines.get(line, set()) for line in range(site.line, site.end_line + 1)))
        if not names:
            names = set().union(*lines.values(), *(self._of_file(file) for file in self._importers(site.file)))
            names &= set(self._seconds)
        chosen, total = [], 0.0
        for name in sorted(names, key=lambda name: (self._seconds[name], name)):
            total += self._seconds[name]
            if total > most_s:
                return chosen, total - self._seconds[name]
            chosen.append(name)
        return chosen, total

    def _of_file(self, file: str) -> set[str]:
        """Return the tests in a file of tests, or those that run any line of a file of the program."""
        if file in self._tests:
            return self._tests[file]
        return set().union(*self._lines.get(file, {}).values())

    def _importers(self, file: str) -> Iterator[str]:
        module = file.removesuffix(".py").replace("/", ".")
        for other in (*self._lines, *self._tests):
            if other not in self._imports:
                self._imports[other] = set(names_imported(Path(other).read_text(encoding="utf-8")))
            if module in self._imports[other]:
                yield other
