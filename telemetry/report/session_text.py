"""The report of a session as lines for the terminal."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from statistics import median

from telemetry.machine.cautions import GENERAL
from telemetry.model.errors import printable
from telemetry.model.time_text import length, local
from telemetry.report.figure_sections import Section
from telemetry.report.key_figures import could_not_show, key_figures, missing_sentences
from telemetry.report.numbers import INTERVAL
from telemetry.report.part_table import origin_sentences, part_lines, verdict_lines
from telemetry.report.sections import sections_of
from telemetry.report.session_model import Report

_BADGES = {"■": "1;97;41", "▲": "1;30;43", "●": "30;42", "?": "7"}
_BARS = {"■": "31", "▲": "33", "●": "32"}
_VERDICT = re.compile(r"^([■▲●?] [A-Z ]+)(?=:)")
_ROW = re.compile(r"^([■▲●?])( .*? )([█▌░]*)(│)(█*)$")
_LEFT, _COLUMNS = 8, 72
_WIDEST = 3
_EIGHTHS = "▁▂▃▄▅▆▇█"
_LEAST_TOP = 1.5
"""The scale ends here at least, times the middle cell: where the warning is."""
WIDTH = 80
_LABEL = 27
_VALUE = 24
_LEAST_REMARK = 16


def report_lines(
    report: Report, charts: Mapping[str, Sequence[str]] | None = None, drive: Sequence[str] = ()
) -> list[str]:
    """Return ``report`` as lines of at most :data:`WIDTH` characters, in the order of the page.

    What to do comes first, then every part against its limit, the drive on one time axis, the figures, and what the
    drive could not show; all else below.

    Args:
        report: what it shows.
        charts: lines of each chart by its name; a chart comes after the figures it belongs to.
        drive: lines of the drive on one time axis.
    """
    shown = charts or {}
    missing = missing_sentences(could_not_show(report))
    lines = [*_wrapped("   ".join(head_of(report))), "", *verdict_lines(report), "", *part_lines(report)]
    lines += ["", "THE DRIVE", *drive] if drive else []
    cells = cells_lines(report)
    lines += ["", "CELLS AGAINST THE MIDDLE ONE", *cells] if cells else []
    for section in (
        Section("Figures", rows=tuple(key_figures(report))),
        Section("What this drive could not show", sentences=missing),
        *sections_of(report),
        Section("Where each limit is from", sentences=origin_sentences(report)),
    ):
        named = [name for name in section.charts if shown.get(name)]
        if section.is_empty and not named:
            continue
        lines += ["", section.title.upper(), *_section_lines(section)]
        for name in named:
            lines += ["", *shown[name]]
    return [*lines, "", *_wrapped(f"{INTERVAL} {GENERAL}")]


def head_of(report: Report) -> list[str]:
    """Return what the report is about: machine, recording, when, and how long."""
    named = [printable(part, 60) for part in (report.machine, report.recording) if part]
    return [*named, *([when] if (when := when_text(report)) else []), length(report.totals.duration_s)]


def when_text(report: Report) -> str:
    """Return date, beginning and end; empty where the recording has no dates."""
    if report.started is None:
        return ""
    begun = datetime.fromisoformat(report.started)
    ended = begun + timedelta(seconds=report.totals.duration_s)
    there, end = begun.astimezone(), ended.astimezone()
    same = (there.date(), there.utcoffset()) == (end.date(), end.utcoffset())
    return f"{local(begun)} to {f'{end:%H:%M}' if same else local(ended)}"


def title_of(report: Report) -> str:
    """Return what the report is about in one line."""
    return " · ".join(head_of(report))


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, break_on_hyphens=False)


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


def cells_lines(report: Report) -> list[str]:
    """Return the bars as lines of at most 80 characters; none where fewer than two cells are known."""
    cells = sorted(report.resistance.cells, key=lambda cell: cell.cell)
    if len(cells) < 2:  # noqa: PLR2004 - one has nothing to be compared with
        return []
    middle = median(cell.mohm for cell in cells)
    times = [(cell.cell, cell.ratio) for cell in cells]
    top = max(_LEAST_TOP, *(each for _, each in times))
    lines = [f"internal resistance; the middle one has {middle:.2f} mΩ; the bars end at {top:.1f}×"]
    width = max(1, min(_WIDEST, _COLUMNS // len(times)))
    for begin in range(0, len(times), _COLUMNS // width):
        part = times[begin : begin + _COLUMNS // width]
        bars = [_EIGHTHS[max(0, min(7, round(8 * each / top) - 1))] for _, each in part]
        lines.append(f"{f'cell {part[0][0]}':<{_LEFT}}{(' ' * (width - 1)).join(bars)}")
    (number, most), *others = sorted(times, key=lambda each: -each[1])
    low, high = min(each for _, each in others), max(each for _, each in others)
    return [*lines, f"cell {number} has {most:.2f}× the middle one's, the others {low:.2f}× to {high:.2f}×"]


def painted(text: str) -> str:
    """Return the lines of a report with badges and bars in colour; every other line as it is."""
    return "\n".join(_line(line) for line in text.split("\n"))


def _line(line: str) -> str:
    if verdict := _VERDICT.match(line):
        return _in(_BADGES[line[0]], verdict[1]) + line[verdict.end() :]
    if row := _ROW.match(line):
        shape, words, bar, wall, beyond = row.groups()
        colour = _BARS.get(shape, "0")
        return f"{_in(_BADGES[shape], shape)}{words}{_in(colour, bar)}{_in('1', wall)}{_in(colour, beyond)}"
    return line


def _in(colour: str, text: str) -> str:
    return f"\x1b[{colour}m{text}\x1b[0m" if text else ""
