"""The verdict and the table of parts, for the terminal and for the page: both from the report."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from html import escape
from itertools import zip_longest

from telemetry.report.part_row import PartRow, with_unit
from telemetry.report.session_model import Report

WIDTH = 80
_MARKS = {"past": "■", "near": "▲", "holds": "●", "not judged": "?"}
_BADGES = {"PARK": "■", "DRIVE GENTLY": "▲", "DRIVE ON": "●", "NOT ENOUGH SEEN": "?"}
_COLUMNS = (23, 19, 8, 13)
"""Widths of part, worst seen, limit and headroom."""
_BAR, _BEYOND = 12, 2
_STEADY = (
    "A current with a time is the steady current that heats the part as much, over its own thermal time constant."
)
_HEADS = ("part", "worst seen", "limit", "headroom")

STYLE = """
.badge { display: inline-block; padding: .1rem .6rem; font-weight: 700; color: #fff; background: #555; }
.badge.past { background: #a80000; } .badge.near { background: #ffd54a; color: #000; }
.badge.holds { background: #0e7c55; }
.parts th { text-align: left; padding-right: 1.2rem; font-weight: 400; color: #444; }
.gauge { display: block; width: 9rem; height: 1rem; background: #e7eaec; border-right: 4px solid #000; }
.gauge span { display: block; height: 100%; background: #0e7c55; }
.gauge.near span { background: #a87400; } .gauge.past span { background: #a80000; }
@media (max-width: 36rem) { .parts, .parts tr, .parts td { display: block; } .parts tr { margin: .8rem 0; }
  .parts tr:first-child { display: none; } }
"""


def verdict_lines(report: Report) -> list[str]:
    """Return the verdict for the terminal: the word with the reason, then the next act."""
    word = f"{_BADGES[report.verdict_word]} {report.verdict_word}"
    return [
        *textwrap.wrap(f"{word}: {report.verdict_reason}", WIDTH, subsequent_indent="  ", break_on_hyphens=False),
        *textwrap.wrap(f"Next: {report.next}", WIDTH, subsequent_indent="  ", break_on_hyphens=False),
    ]


def part_lines(report: Report) -> list[str]:
    """Return the table for the terminal, at most 80 wide: worst first, each bar ending at one wall, its limit."""
    rows = report.parts
    lines = _wrapped(("", *_HEADS), "limit |")
    for row in rows:
        lines += _wrapped((_MARKS[row.level], *_cells_of(row)), _gauge(row))
    lines += ["", *_notes("", [_STEADY])] if any(" A (" in row.seen for row in rows) else []
    origins = _together((row.part, row.origin) for row in rows if row.limit is not None)
    reasons = _together((row.part, row.why) for row in rows if row.level == "not judged")
    if len(reasons) == 1 and all(row.level == "not judged" for row in rows):
        reasons = [f"every part: {rows[0].why}"]
    return lines + _notes("Limits: ", origins) + _notes("Not judged: ", reasons)


def _cells_of(row: PartRow) -> tuple[str, str, str, str]:
    seen = row.seen or "not seen"
    limit = "none" if row.limit is None else with_unit(row.limit, row.unit)
    return row.part, seen, limit, _headroom(row)


def _headroom(row: PartRow) -> str:
    left, limit = row.headroom, row.limit
    if left is None or limit is None:
        return "not known"
    if left < 0:
        return f"{with_unit(-left, row.unit, limit)} past"
    share = "" if row.headroom_pct is None else f", {row.headroom_pct:.0f} %"
    return f"{with_unit(left, row.unit, limit)}{share}"


def _gauge(row: PartRow) -> str:
    """Return the bar up to the wall: ``######......|``; past it ``############|#``, unknown blank."""
    share = row.share_pct
    if share is None:
        return f"{'':{_BAR}}|"
    full = min(round(_BAR * share / 100.0), _BAR)
    past = row.headroom is not None and row.headroom < 0
    if not past and full == _BAR:
        full = _BAR - (share < 99.5)
    beyond = 0 if not past else min(_BEYOND, max(1, round(_BAR * (share - 100.0) / 100.0)))
    return f"{'#' * full}{'.' * (_BAR - full)}|{'#' * beyond}"


def _wrapped(cells: Sequence[str], gauge: str) -> list[str]:
    """Return one row on as many lines as its longest cell needs; nothing is cut."""
    columns = [textwrap.wrap(cell, width - 1) or [""] for cell, width in zip(cells[1:], _COLUMNS, strict=True)]
    lines = []
    for number, parts in enumerate(zip_longest(*columns, fillvalue="")):
        head = f"{cells[0] if number == 0 else '':<2}"
        body = "".join(f"{part:<{width}}" for part, width in zip(parts, _COLUMNS, strict=True))
        last = f"{gauge:>13}" if gauge.startswith("limit") else gauge
        lines.append(f"{head}{body}{last if number == 0 else ''}".rstrip())
    return lines


def _together(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """Return ``parts: words`` for (part, words), the parts of the same words together."""
    parts: dict[str, list[str]] = {}
    for part, words in pairs:
        parts.setdefault(words, []).append(part)
    return [f"{'; '.join(each)}: {words}" for words, each in parts.items()]


def _notes(head: str, notes: Sequence[str]) -> list[str]:
    lines: list[str] = []
    for number, note in enumerate(notes):
        text = f"{head if number == 0 else ' ' * len(head)}{note.rstrip('.')}."
        lines += textwrap.wrap(text, WIDTH, subsequent_indent=" " * (len(head) + 2), break_on_hyphens=False)
    return lines


def verdict_html(report: Report) -> str:
    """Return the verdict as HTML."""
    word = report.verdict_word
    level = {"PARK": "past", "DRIVE GENTLY": "near", "DRIVE ON": "holds"}.get(word, "")
    return (
        f'<p><span class="badge {level}">{_BADGES[word]} {word}</span> '
        f"<strong>{escape(report.verdict_reason)}</strong></p>\n"
        f"<p><strong>Next:</strong> {escape(report.next)}</p>\n"
    )


def part_html(report: Report) -> str:
    """Return the table as HTML, with where each limit is from and why a part was not judged."""
    head = "".join(f"<th>{escape(each)}</th>" for each in ("", *_HEADS, "", "where the limit is from"))
    body = "\n".join(_html_row(row) for row in report.parts)
    note = f"<p>{escape(_STEADY)}</p>" if any(" A (" in r.seen for r in report.parts) else ""
    return f'<table class="parts">\n<tr>{head}</tr>\n{body}\n</table>\n{note}\n'


def _html_row(row: PartRow) -> str:
    level = row.level.replace(" ", "-")
    part, seen, limit, headroom = _cells_of(row)
    width = min(100.0, row.share_pct or 0.0)
    gauge = (
        ""
        if row.share_pct is None
        else f'<span class="gauge {level}"><span style="width:{width:.0f}%"></span></span>'
    )
    where = row.why or row.origin
    return (
        f'<tr><td><span class="badge {level}">{_MARKS[row.level]}</span></td><td class="value">{escape(part)}</td>'
        f"<td>{escape(seen)}</td><td>{escape(limit)}</td><td>{escape(headroom)}</td><td>{gauge}</td>"
        f'<td class="remark">{escape(where)}</td></tr>'
    )
