"""The verdict and the table of parts, for the terminal and for the page: both from the report."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from html import escape
from itertools import zip_longest

from telemetry.analysis.parts_seen import HIGH_VOLTAGE_S, LOW_VOLTAGE_S
from telemetry.model.words import sentence
from telemetry.report.part_row import SHAPES, PartRow, with_unit
from telemetry.report.session_model import Report

WIDTH = 80
_BADGES = {"PARK": "■", "DRIVE GENTLY": "▲", "DRIVE ON": "●", "NOT ENOUGH SEEN": "?"}
_COLUMNS = (23, 19, 8, 13)
"""Widths of part, worst seen, limit and headroom."""
_BAR, _BEYOND = 12, 2
WALL = "│"
"""Where every bar ends: the limit of its part."""
_FULL, _HALF, _TRACK = "█", "▌", "░"
_HOW_LONG = (
    "A current with a time is the steady current that heats the part as much, over its own thermal time constant. "
    f"A low voltage counts once it has lasted {LOW_VOLTAGE_S:g} s, a high one {HIGH_VOLTAGE_S:g} s."
)
_HEADS = ("part", "worst seen", "limit", "headroom")


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
    lines = _wrapped(("", *_HEADS), f"limit {WALL}") if rows else []
    for row in rows:
        lines += _wrapped((SHAPES[row.level], *_cells_of(row)), _gauge(row))
    if any(row.seen for row in rows):
        lines += ["", *textwrap.wrap(_HOW_LONG, WIDTH, subsequent_indent="  ")]
    return lines


def origin_sentences(report: Report) -> tuple[str, ...]:
    """Return where each limit of the table is from, the parts of one origin together."""
    parts: dict[str, list[str]] = {}
    for row in report.parts:
        if row.limit is not None:
            parts.setdefault(row.origin, []).append(row.part)
    return tuple(sentence(f"{'; '.join(each)}: {words}") for words, each in parts.items())


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
    """Return the bar up to the wall, to half a cell: ``█████▌░░░░░░│``; past it ``████████████│█``, unknown blank."""
    share = row.share_pct
    if share is None:
        return f"{'':{_BAR}}{WALL}"
    if row.headroom is not None and row.headroom < 0:
        return f"{_FULL * _BAR}{WALL}{_FULL * min(_BEYOND, max(1, round(_BAR * (share - 100.0) / 100.0)))}"
    halves = min(round(2 * _BAR * share / 100.0), 2 * _BAR - (share < 99.5))
    bar = _FULL * (halves // 2) + _HALF * (halves % 2)
    return f"{bar:{_TRACK}<{_BAR}}{WALL}"


def _wrapped(cells: Sequence[str], gauge: str) -> list[str]:
    """Return one row on as many lines as its longest cell needs; nothing is cut."""
    columns = [textwrap.wrap(cell, width - 1) or [""] for cell, width in zip(cells[1:], _COLUMNS, strict=True)]
    lines = []
    for number, parts in enumerate(zip_longest(*columns, fillvalue="")):
        head = f"{cells[0] if number == 0 else '':<2}"
        body = "".join(f"{part:<{width}}" for part, width in zip(parts, _COLUMNS, strict=True))
        lines.append(f"{head}{body}{f'{gauge:>{_BAR + 1}}' if number == 0 else ''}".rstrip())
    return lines


def verdict_html(report: Report) -> str:
    """Return the verdict as HTML: a large badge, the reason, and the next act."""
    word = report.verdict_word
    level = {"PARK": "past", "DRIVE GENTLY": "near", "DRIVE ON": "holds"}.get(word, "act")
    return (
        f'<div class="verdict"><span class="badge {level}">{_BADGES[word]} {word}</span><div>'
        f'<p class="reason">{escape(report.verdict_reason)}</p>'
        f"<p><strong>Next:</strong> {escape(report.next)}</p></div></div>\n"
    )


def part_html(report: Report) -> str:
    """Return the table as HTML, with where each limit is from and why a part was not judged."""
    heads = ("", *_HEADS[:3], "up to the limit", _HEADS[3], "where the limit is from")
    head = "".join(f"<th>{escape(each)}</th>" for each in heads)
    body = "\n".join(_html_row(row) for row in report.parts)
    note = f'<p class="remark">{escape(_HOW_LONG)}</p>' if any(row.seen for row in report.parts) else ""
    return f'<table class="parts">\n<tr>{head}</tr>\n{body}\n</table>\n{note}\n'


_WORDS = {"past": "past", "near": "close", "holds": "holds", "not judged": "not known"}
_WALL = 84.0
"""Where the wall stands in a gauge of the page, % of its width."""


def _html_row(row: PartRow) -> str:
    level = row.level.replace(" ", "-")
    part, seen, limit, headroom = _cells_of(row)
    badge = f'<span class="badge {level}">{SHAPES[row.level]} {_WORDS[row.level]}</span>'
    cells = (
        ("", "", badge),
        ("part", "", escape(part)),
        ("", "worst seen", escape(seen)),
        ("", "limit", escape(limit)),
        ("", "headroom", gauge_html(row)),
        ("", "", escape(headroom)),
        ("remark", "", escape(row.why or row.origin)),
    )
    made = []
    for kind, of, text in cells:
        named = f' class="{kind}"' if kind else ""
        named += f' data-of="{of}"' if of else ""
        made.append(f"<td{named}>{text}</td>")
    return f"<tr>{''.join(made)}</tr>"


def gauge_html(row: PartRow) -> str:
    """Return the bar of a part up to the wall, its limit; past it the bar crosses the wall. Empty where not known."""
    if row.share_pct is None:
        return ""
    past = row.headroom is not None and row.headroom < 0
    beyond = 0.0 if not past else min(100.0 - _WALL, max(4.0, _WALL * (row.share_pct - 100.0) / 100.0))
    width = _WALL * min(row.share_pct, 100.0 if past else 99.0) / 100.0 + beyond
    return f'<span class="gauge {row.level.replace(" ", "-")}"><span style="width:{width:.0f}%"></span></span>'
