"""Draws the mutants by seed and tries each with the tests that run the changed line."""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from .child import Chosen, in_fork, load_libraries, run_tests
from .coverage_map import CoverageMap
from .sites import Site, names_imported, sites_of

ROOMS = ("telemetry/alarms", "telemetry/store", "drivers/decode", "telemetry/analysis")
APART = ("telemetry/analysis/fault_isolation",)
APART_TESTS = ("test_isolation", "test_simulated")
FOLDERS = {"drivers/decode": "tests/drivers"}
"""Where a room's own tests are, unless in the folder of its name."""
SLACK = 4.0
"""How many times as long as measured the tests of a mutant may take, for the computer does other work too."""


def sites_in(room: str) -> list[Site]:
    """Return every site of the files under ``room``, from the current folder."""
    files = sorted(str(path) for path in Path(room).rglob("*.py"))
    kept = [file for file in files if not file.startswith(APART)]
    return [site for file in kept for site in sites_of(file, Path(file).read_text(encoding="utf-8"))]


def draw(rooms: list[str], count: int, seed: int) -> list[tuple[str, Site]]:
    """Return (room, site), as many for each room, in turn: each beginning of the list is a fair draw of its own."""
    each = -(-count // len(rooms))
    drawn: dict[str, list[Site]] = {}
    for room in rooms:
        sites = sites_in(room)
        drawn[room] = random.Random(f"{seed} {room}").sample(sites, min(each, len(sites)))
    turns = [(room, drawn[room][turn]) for turn in range(each) for room in rooms if turn < len(drawn[room])]
    return turns[:count]


def results_in(path: Path) -> dict[str, dict[str, Any]]:
    """Return the last result of each mutant by its name."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return {result["name"]: result for result in map(json.loads, lines)}


def tests_of(room: str) -> list[Path]:
    """Return the files of tests that try a change in ``room``: its own, and those of the pipeline that import it.

    Tests through the command line and the screen notice more, but each takes seconds.
    """
    own = FOLDERS.get(room, f"tests/{Path(room).name}")
    package = room.replace("/", ".") + "."
    found = []
    for path in sorted(Path("tests").rglob("test_*.py")):
        about = names_imported(path.read_text(encoding="utf-8"))
        is_own = str(path.parent) == own and not path.name.startswith(APART_TESTS)
        if is_own or (path.parent.name == "pipeline" and any(name.startswith(package) for name in about)):
            found.append(path)
    return sorted(found, key=lambda path: (str(path.parent) != own, str(path)))


def run_all(options: argparse.Namespace, work: Path) -> None:
    """Try the mutants that have no result yet, room by room; with ``--again`` the survivors as well."""
    load_libraries()
    results = work / "results.jsonl"
    before = results_in(results)
    until = time.monotonic() + options.minutes * 60
    drawn = draw(list(ROOMS), options.count, options.seed)
    for room in options.rooms:
        chart = CoverageMap(work / "map", list(ROOMS))
        chart.make(tests_of(room))
        for number, site in enumerate((site for where, site in drawn if where == room), 1):
            old = before.get(site.name)
            if time.monotonic() > until:
                print("time is up")
                return
            if old is not None and not (options.again and old["status"] in ("survived", "no test")):
                continue
            result = {"name": site.name, "room": room, "seed": options.seed} | _try(site, chart, options.most, work)
            with results.open("a", encoding="utf-8") as out:
                out.write(json.dumps(result) + "\n")
            print(f"{number} {result['status']} {result['seconds']:.0f} s {site.name}", flush=True)


def _try(site: Site, chart: CoverageMap, most_s: float, work: Path) -> dict[str, Any]:
    names, expected = chart.tests_for(site, most_s)
    path = Path(site.file)
    source, stat = path.read_text(encoding="utf-8"), path.stat()
    text = source.splitlines()[site.line - 1].strip()
    about = {"line": text, "old": site.old, "new": site.new, "tests": len(names)}
    begun = time.monotonic()
    if not names:
        return about | {"status": "no test", "seconds": 0.0}
    try:
        path.write_text(site.apply(source), encoding="utf-8")
        os.utime(path, (stat.st_atime, stat.st_mtime + 3600))  # so that no compiled file of the original fits
        answer = in_fork(lambda: _run(names), SLACK * expected + 60, work / "log.txt")
    finally:
        path.write_text(source, encoding="utf-8")
        os.utime(path, (stat.st_atime, stat.st_mtime))
    seconds = round(time.monotonic() - begun, 1)
    if answer is None:
        return about | {"status": "killed", "by": "time or memory limit", "seconds": seconds}
    if answer["code"] in (pytest.ExitCode.NO_TESTS_COLLECTED, pytest.ExitCode.USAGE_ERROR):
        raise RuntimeError(f"none of the tests chosen for {site.name} was run")
    status = "survived" if answer["code"] == 0 else "killed"
    return about | {"status": status, "by": answer["by"], "seconds": seconds}


def _run(names: list[str]) -> dict[str, Any]:
    sys.dont_write_bytecode = True
    chosen = Chosen(names)
    code = run_tests(["-x", *sorted({name.split("::")[0] for name in names})], [chosen])
    return {"code": code, "by": chosen.failed[0] if chosen.failed else None}
