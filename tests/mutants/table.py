"""The state of the mutation runs, written into tests/results.md: how many were tried, killed, and which survived."""

from __future__ import annotations

import argparse
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from . import branches
from .trials import ROOMS, draw, equivalents, results_in

PAGE = Path(__file__).parents[1] / "results.md"
BEGIN, END = "<!-- mutants -->", "<!-- end of mutants -->"
_HEAD = "| room | drawn | tried | killed | equivalent | survived | killed, less equivalents | made | seed |"


def write_table(work: Path, options: argparse.Namespace, page: Path = PAGE) -> None:
    """Put the tables into the page, and print each survivor that is no equivalent."""
    rows, survivors = _of_rooms(work / "results.jsonl", options)
    text = _between(page.read_text(encoding="utf-8"), BEGIN, END, rows)
    if (work / "branches.json").exists():
        text = _between(text, branches.BEGIN, branches.END, branches.branch_table(work))
    lines = [f"- `{each['name']}`: `{each['line']}`, with `{each['new']}` for `{each['old']}`" for each in survivors]
    print("\n".join(["Survivors:", *lines]))
    page.write_text(text, encoding="utf-8")


def _between(text: str, begin: str, end: str, rows: list[str]) -> str:
    before, found, rest = text.partition(begin)
    _, ended, after = rest.partition(end)
    if not (found and ended):
        raise ValueError(f"the page has no {begin} ... {end}")
    return "\n".join([before + begin, *rows, end]) + after


def _of_rooms(results: Path, options: argparse.Namespace) -> tuple[list[str], list[dict[str, Any]]]:
    known, found = equivalents(), results_in(results)
    rows, survivors = [_HEAD, "|" + "---|" * 9], []
    made = datetime.now(UTC).date().isoformat()
    for room in ROOMS:
        # Only what was tried of the code as it stands; where a line has changed it has to be tried again.
        drawn = draw(room, -(-options.count // len(ROOMS)), options.seed)
        known_here = [site for site in drawn if (site.file, site.text, site.new) in known]
        tried = [
            found[site.identity] | {"name": site.name}
            for site in drawn
            if site.identity in found and site not in known_here
        ]
        kinds = Counter("killed" if each["status"] == "killed" else "survived" for each in tried)
        real = kinds["killed"] + kinds["survived"]
        share = f"{kinds['killed'] / real:.0%}" if real else "-"
        counts = (len(tried) + len(known_here), kinds["killed"], len(known_here), kinds["survived"])
        rows.append(f"| {' | '.join(map(str, (f'`{room}`', len(drawn), *counts, share, made, options.seed)))} |")
        survivors += [each for each in tried if each["status"] != "killed"]
    return rows, survivors
