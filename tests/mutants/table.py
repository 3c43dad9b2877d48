"""The state of the mutation runs, written into docs/trust.md: how many were tried, killed, and which survived."""

from __future__ import annotations

import argparse
import tomllib
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .trials import ROOMS, draw, results_in

PAGE = Path(__file__).parents[2] / "docs" / "trust.md"
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
BEGIN, END = "<!-- mutants -->", "<!-- end of mutants -->"
_HEAD = "| room | drawn | tried | killed | equivalent | survived | killed, less equivalents | made | seed |"


def equivalents() -> dict[tuple[str, str, str], str]:
    """Return the reason why a mutant changes nothing that anybody can see, by file, line of code and change."""
    stated = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["mutant"]
    return {(each["file"], each["line"], each["new"]): each["why"] for each in stated}


def write_table(results: Path, options: argparse.Namespace, page: Path = PAGE) -> None:
    """Put the table into the page, and print each survivor that is no equivalent."""
    text = page.read_text(encoding="utf-8")
    before, found, rest = text.partition(BEGIN)
    _, ended, after = rest.partition(END)
    if not (found and ended):
        raise ValueError(f"{page} has no {BEGIN} ... {END}")
    known = equivalents()
    # Only what was tried of the code as it stands; where a line has moved or changed it has to be tried again.
    drawn_now = {site.name for _, site in draw(list(ROOMS), options.count, options.seed)}
    of_seed = [each for each in results_in(results).values() if each["name"] in drawn_now]
    rows, survivors = [_HEAD, "|" + "---|" * 9], []
    for room in options.rooms:
        tried = [each for each in of_seed if each["room"] == room]
        kinds = Counter(_kind(each, known) for each in tried)
        real = kinds["killed"] + kinds["survived"]
        share = f"{kinds['killed'] / real:.0%}" if real else "-"
        drawn = -(-options.count // len(options.rooms))
        made = datetime.now(UTC).date().isoformat()
        counts = (len(tried), kinds["killed"], kinds["equivalent"], kinds["survived"])
        rows.append(f"| {' | '.join(map(str, (f'`{room}`', drawn, *counts, share, made, options.seed)))} |")
        survivors += [each for each in tried if _kind(each, known) == "survived"]
    lines = [f"- `{_place(each)}`: `{each['line']}`, with `{each['new']}` for `{each['old']}`" for each in survivors]
    print("\n".join(["Survivors:", *lines]))
    page.write_text("\n".join([before + BEGIN, *rows, END]) + after, encoding="utf-8")


def _kind(result: dict[str, Any], known: dict[tuple[str, str, str], str]) -> str:
    if result["status"] == "killed":
        return "killed"
    return "equivalent" if (_place(result), result["line"], result["new"]) in known else "survived"


def _place(result: dict[str, Any]) -> str:
    return str(result["name"]).partition(":")[0]
