"""The branch coverage of the whole test suite outside the screen, in one run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

BEGIN, END = "<!-- branches -->", "<!-- end of branches -->"


def measure_branches(work: Path) -> None:
    """Run all tests once, print which branches none of them takes, and keep the figures.

    Processes that the tests start are measured too, and those that they kill are not: their data is never written.
    """
    from coverage import Coverage

    data, report = work / "branches.coverage", work / "branches.json"
    for older in work.glob("branches.coverage*"):
        older.unlink()
    words = ["-m", "coverage", "run", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-n", "auto", "-m", ""]
    ran = subprocess.run([sys.executable, *words], env=os.environ | {"COVERAGE_FILE": str(data)}, check=False)
    if ran.returncode:
        print("some tests failed, so what only they run counts as taken by none", flush=True)
    whole = Coverage(data_file=str(data), config_file="pyproject.toml", data_suffix=False)
    whole.combine([str(work)])
    whole.save()
    whole.report(show_missing=True)
    whole.json_report(outfile=str(report))
    about = json.loads(report.read_text())
    report.write_text(json.dumps({"date": datetime.now(UTC).date().isoformat(), "files": about["files"]}))
    print("\n".join(branch_table(work)))


def branch_table(work: Path) -> list[str]:
    """Return the rows of a table: each room, its branches, and the share that a test takes."""
    about = json.loads((work / "branches.json").read_text())
    rooms: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for file, found in about["files"].items():
        for room in (_room(file), "all"):
            rooms[room][0] += found["summary"]["num_branches"]
            rooms[room][1] += found["summary"]["covered_branches"]
    rows = [_row(room, *counts) for room, counts in sorted(rooms.items()) if room != "all" and counts[0]]
    head = ["| room | branches | taken by a test | share |", "|---|---|---|---|"]
    return [*head, *rows, _row("all", *rooms["all"]), "", f"Made {about['date']}."]


def _room(file: str) -> str:
    folder = Path(file).parent
    return str(Path(*folder.parts[:2]))


def _row(room: str, branches: int, taken: int) -> str:
    return f"| `{room}` | {branches} | {taken} | {taken / branches:.1%} |"
