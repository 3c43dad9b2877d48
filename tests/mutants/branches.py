"""The branch coverage of the whole test suite outside the screen, from the measurements behind the map."""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

from .coverage_map import CoverageMap
from .trials import ROOMS, tests_of

BEGIN, END = "<!-- branches -->", "<!-- end of branches -->"


def measure_branches(work: Path) -> None:
    """Run every test whose measurement is missing or outdated, print what no test takes, and keep the figures."""
    from coverage import Coverage

    first = [file for room in reversed(ROOMS) for file in tests_of(room)]  # what mutants need
    files = list(dict.fromkeys([*first, *sorted(Path("tests").rglob("test_*.py"))]))
    chart = CoverageMap(work / "map")
    chart.make(files, up_to_date=True)
    whole = Coverage(data_file=str(work / "all.coverage"), data_suffix=False, config_file="pyproject.toml")
    whole.combine([str(path) for path in chart.data(files)], keep=True)
    whole.save()
    whole.report(show_missing=True)
    report = work / "branches.json"
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
