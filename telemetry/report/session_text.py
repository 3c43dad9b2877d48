"""The report of a session as lines for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime

from telemetry.machine.cautions import GENERAL
from telemetry.model.errors import printable
from telemetry.model.time_text import local
from telemetry.report.part_table import part_lines, verdict_lines
from telemetry.report.section import Section
from telemetry.report.sections import sections_of
from telemetry.report.session_model import Report

WIDTH = 80
_LABEL = 27
_VALUE = 24
_LEAST_REMARK = 16


def report_lines(report: Report, charts: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """Return ``report`` as lines of at most :data:`WIDTH` characters.

    Args:
        report: what it shows.
        charts: lines of each chart by its name; a chart comes after the figures it belongs to.
    """
    lines = [title_of(report)]
    lines.append("=" * min(len(lines[0]), WIDTH))
    lines += ["", *verdict_lines(report), "", *part_lines(report)]
    for section in sections_of(report):
        if section.is_empty and not any((charts or {}).get(name) for name in section.charts):
            continue
        lines += ["", section.title.upper()]
        lines += _section_lines(section)
        for name in section.charts:
            if charts and charts.get(name):
                lines += ["", *charts[name]]
    return [*lines, "", GENERAL]


def title_of(report: Report) -> str:
    """Return what the report is about in one line."""
    started = report.started
    moment = None if started is None else local(datetime.fromisoformat(started))
    parts = [report.recording, report.machine, moment]
    return " · ".join(printable(part, 60) for part in parts if part)


def _section_lines(section: Section) -> list[str]:
    lines = []
    for row in section.rows:
        head = f"  {row.label:<{_LABEL}} {row.value:<{_VALUE}} "
        room = WIDTH - len(head)
        remark = textwrap.wrap(row.remark, room) if room >= _LEAST_REMARK else []
        lines.append(f"{head}{remark[0]}" if remark else head.rstrip())
        lines += [f"{'':{len(head)}}{more}" for more in remark[1:]]
        if row.remark and not remark:
            lines.append(f"{'':{_LABEL + 3}}{row.remark}")
    for sentence in section.sentences:
        lines += textwrap.wrap(f"  {sentence}", WIDTH, subsequent_indent="    ", break_on_hyphens=False)
    return lines
