"""The report of a session as one HTML file that needs nothing else: no script, no picture, no font from elsewhere.

What to do comes first, then every part against its limit, the drive on one time axis, the figures, and what the drive
could not show: two pages on paper. All else is in one part of the page that opens, and is not printed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from telemetry.machine.cautions import GENERAL, MAINS, SHOCK
from telemetry.report.drive_chart import cells_svg
from telemetry.report.key_figures import could_not_show, key_figures, missing_sentences
from telemetry.report.numbers import INTERVAL
from telemetry.report.page_style import STYLE
from telemetry.report.part_table import part_html, verdict_html
from telemetry.report.section import Section
from telemetry.report.sections import sections_of
from telemetry.report.session_model import Report
from telemetry.report.session_text import head_of, title_of

_MOST_MISSING = 7
"""What the drive could not show on the two pages of paper; the others are in the part that opens."""
_CAUTION = (
    f"{GENERAL} {SHOCK} Never bypass a fuse, an interlock or the BMS. {MAINS} The program only watches, and judges "
    "by the figures it was given; a figure is no better than its meter."
)


def report_page(report: Report, charts: Mapping[str, str], isolation: str = "", drive: str = "") -> str:
    """Return the page.

    Args:
        report: what it shows.
        charts: an SVG element as text, by the chart's name; each comes after the figures it belongs to.
        isolation: the section on what made the machine hesitate, as HTML; empty for none.
        drive: the drive on one time axis, an SVG element; empty for none.
    """
    missing = could_not_show(report)
    more = Section("What else this drive could not show", sentences=missing_sentences(missing[_MOST_MISSING:]))
    shown = [
        section
        for section in (*sections_of(report), more)
        if not section.is_empty or any(charts.get(name) for name in section.charts)
    ]
    rest = "\n".join(_section(section, charts) for section in shown)
    cells = cells_svg(report)
    pictures = f"<h2>The drive</h2>\n{drive}\n{cells}\n" if drive or cells else ""
    parts = f"<h2>Every part against its limit</h2>\n{part_html(report)}" if report.parts else ""
    body = (
        f"<header>{_head(report)}</header>\n{verdict_html(report)}{parts}{pictures}{_key(report)}{_missing(missing[:_MOST_MISSING])}"
        f"<details><summary>All figures, alarms, and how each was found</summary>\n{rest}\n{isolation}\n</details>\n"
    )
    return html_page(title_of(report), body, f"{INTERVAL} {_CAUTION}")


def html_page(title: str, body: str, footer: str) -> str:
    """Return a page that needs nothing else, with the report's look."""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}"
        f"<footer><p>{escape(footer)}</p></footer>\n</body>\n</html>\n"
    )


def _head(report: Report) -> str:
    name, *said = head_of(report)
    return f"<h1>{escape(name)}</h1> " + " ".join(f"<span>{escape(each)}</span>" for each in said)


def _key(report: Report) -> str:
    rows = "".join(
        f"<div><span>{escape(row.label)}</span><b>{escape(row.value)}</b><small>{escape(row.remark)}</small></div>\n"
        for row in key_figures(report)
    )
    return f'<h2>Figures</h2>\n<div class="key">\n{rows}</div>\n' if rows else ""


def _missing(missing: Sequence[tuple[str, str]]) -> str:
    rows = "".join(f"<li><b>{escape(what)}:</b> {escape(why)}</li>\n" for what, why in missing)
    return f"<h2>What this drive could not show</h2>\n<ul>\n{rows}</ul>\n" if rows else ""


def _section(section: Section, charts: Mapping[str, str]) -> str:
    parts = [f"<h2>{escape(section.title)}</h2>"]
    if section.rows:
        rows = "".join(
            f'<tr><td>{escape(row.label)}</td><td class="value">{escape(row.value)}</td>'
            f'<td class="remark">{escape(row.remark)}</td></tr>\n'
            for row in section.rows
        )
        parts.append(f'<table class="figures">\n{rows}</table>')
    parts += [f"<p>{escape(sentence)}</p>" for sentence in section.sentences]
    parts += [f"<figure>{charts[name]}</figure>" for name in section.charts if charts.get(name)]
    return "\n".join(parts)
