"""The tables of tests/results.md, one a figure, each with its date and the command that makes it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from tests.calibration.figure import Figure
from tests.calibration.tally import Tally

PAGE = Path(__file__).parents[1] / "results.md"


def lines_of(figure: Figure, tallies: Mapping[str, Tally]) -> list[str]:
    """Return the table as lines of Markdown."""
    head = f"| kind | sessions | checkpoints | stated ±, {figure.unit} | held, % | error RMS | bias | worst |"
    lines = [head, "|---|---|---|---|---|---|---|---|"]
    for kind, one in tallies.items():
        worst = f"{one.worst:.2g}" if abs(one.worst) < 99.5 else f"{one.worst:.0f}"
        lines.append(
            f"| {kind} | {one.sessions} | {one.rows} | {one.half_width:.3g} | {one.held_pct:.0f} ± "
            f"{one.held_error_pct:.0f} | {one.error_rms:.2g} | {one.bias:+.2g} | {worst} |"
        )
    return lines


def write(figure: Figure, tallies: Mapping[str, Tally], date: str, command: str) -> None:
    """Put the figure's table in place of the one in the page, or at its end."""
    text = PAGE.read_text(encoding="utf-8")
    body = "\n".join([f"## {figure.title}", "", f"{date}, `{command}`.", "", *lines_of(figure, tallies)])
    section = f"<!-- {figure.name} -->\n{body}\n<!-- end -->"
    pattern = re.compile(rf"<!-- {re.escape(figure.name)} -->.*?<!-- end -->", re.DOTALL)
    text = pattern.sub(lambda _: section, text) if pattern.search(text) else f"{text.rstrip()}\n\n{section}\n"
    PAGE.write_text(text, encoding="utf-8")
