"""The table of faults: printed, and kept in tests/results.md, one row a fault."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from tests.faults.fault import Result

PAGE = Path(__file__).parents[1] / "results.md"
BEGIN, END = "<!-- faults -->", "<!-- end of faults -->"
_HEAD = "| fault | promise | tries | worst loss | announced | counted | result | made | seed |\n|" + "---|" * 9


def print_table(results: Iterable[Result]) -> None:
    """Print one line a fault."""
    for each in results:
        if not (each.tries or each.not_tried or each.void):
            continue
        print(
            f"{each.fault.name:24} {each.tries:5} tries  worst loss {each.worst_s:5.2f} s"
            f"  announced {_announced(each):8} counted {each.counted:4} {each.verdict.replace('**', '')}"
        )
        for note in sorted({outcome.note for outcome in each.outcomes} - {""})[:3]:
            print(f"{'':24} {note}")


def write_table(results: Iterable[Result], seed: int, page: Path = PAGE) -> None:
    """Put the rows of ``results`` into the page's table; the other rows stay as they are."""
    text = page.read_text(encoding="utf-8")
    before, found, rest = text.partition(BEGIN)
    table, ended, after = rest.partition(END)
    if not (found and ended):
        raise ValueError(f"{page} has no {BEGIN} ... {END}")
    rows = {m[1]: m[0] for m in re.finditer(r"^\| <a id=\"([\w-]+)\".*$", table, re.MULTILINE)}
    made = datetime.now(UTC).date().isoformat()
    rows |= {each.fault.name: _row(each, made, seed) for each in results if each.tries or each.not_tried}
    page.write_text("\n".join([before + BEGIN, _HEAD, *rows.values(), END]) + after, encoding="utf-8")


def _announced(result: Result) -> str:
    return "-" if result.announced_s is None else f"{result.announced_s:.1f} s"


def _row(result: Result, made: str, seed: int) -> str:
    fault = result.fault
    cells = [
        f'<a id="{fault.name}"></a>{fault.what}',
        fault.promise,
        str(result.tries),
        f"{result.worst_s:.2f} s" if result.tries else "-",
        _announced(result),
        result.counted,
        result.verdict,
        made,
        str(seed),
    ]
    return f"| {' | '.join(cells)} |"
