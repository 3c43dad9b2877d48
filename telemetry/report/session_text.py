"""The report of a session as lines for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.model.errors import printable
from telemetry.report.sections import Section, sections_of

WIDTH = 80
_LABEL = 28
_VALUE = 26


def report_lines(report: Mapping[str, Any], charts: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """Return ``report`` as lines of at most :data:`WIDTH` characters.

    Args:
        report: the report object.
        charts: lines of each chart by its name; a chart stands after the figures it belongs to.
    """
    lines = [title_of(report)]
    lines.append("=" * min(len(lines[0]), WIDTH))
    for section in sections_of(report):
        lines += ["", section.title.upper()]
        lines += _section_lines(section)
        for name in section.charts:
            if charts and charts.get(name):
                lines += ["", *charts[name]]
    return lines


def title_of(report: Mapping[str, Any]) -> str:
    """Return what the report is about in one line."""
    parts = [report["recording"], report["machine"], report["started"]]
    return " · ".join(printable(part, 60) for part in parts if part)


def _section_lines(section: Section) -> list[str]:
    lines = []
    for row in section.rows:
        head = f"  {row.label:<{_LABEL}}{row.value:<{_VALUE}}"
        lines += _wrapped(f"{head}{row.remark}".rstrip(), hang=2 + _LABEL)
    for sentence in section.sentences:
        lines += _wrapped(f"  {sentence}", hang=4)
    return lines


def _wrapped(text: str, hang: int) -> list[str]:
    if len(text) <= WIDTH:
        return [text]
    return textwrap.wrap(
        text, WIDTH, subsequent_indent=" " * hang, drop_whitespace=True, break_long_words=True, break_on_hyphens=False
    )
