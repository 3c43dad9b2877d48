"""The report of a session as one HTML file that needs nothing else: no script, no picture, no font from elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from telemetry.machine.cautions import GENERAL, MAINS, SHOCK
from telemetry.report.part_table import STYLE, part_html, verdict_html
from telemetry.report.section import Section
from telemetry.report.sections import sections_of
from telemetry.report.session_model import Report
from telemetry.report.session_text import title_of

_STYLE = """
body { font: 17px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 60rem; padding: 0 1rem; color: #111;
  background: #fff; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin: 2rem 0 .4rem; border-bottom: 1px solid #999; }
table { border-collapse: collapse; } td { padding: .15rem 1.2rem .15rem 0; vertical-align: top; }
td.value { font-weight: 600; white-space: nowrap; } td.remark { color: #444; }
p { margin: .3rem 0; max-width: 45rem; }
pre { font: 14px/1.45 ui-monospace, monospace; white-space: pre-wrap; }
figure { margin: 1rem 0; } figure svg { max-width: 100%; height: auto; }
figcaption { color: #444; } footer { margin-top: 2rem; border-top: 1px solid #999; padding-top: .5rem; color: #444; }
@media print { body { margin: 0; font-size: 11pt; } h2, figure { break-inside: avoid; } }
"""
_CAUTION = (
    f"{GENERAL} {SHOCK} Never bypass a fuse, an interlock or the BMS. {MAINS} The program only watches, and judges "
    "by the figures it was given; a figure is no better than its meter."
)


def report_page(report: Report, charts: Mapping[str, str], isolation: str = "") -> str:
    """Return the page.

    Args:
        report: what it shows.
        charts: an SVG element as text, by the chart's name; each comes after the figures it belongs to.
        isolation: the section on what made the machine hesitate, as HTML; empty for none.
    """
    title = escape(title_of(report))
    shown = [
        section
        for section in sections_of(report)
        if not section.is_empty or any(charts.get(name) for name in section.charts)
    ]
    body = "\n".join(_section(section, charts) for section in shown)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{_STYLE}{STYLE}</style>\n</head>\n<body>\n<h1>{title}</h1>\n{verdict_html(report)}{part_html(report)}{body}\n{isolation}\n"
        f"<footer><p>{escape(_CAUTION)}</p></footer>\n</body>\n</html>\n"
    )


def _section(section: Section, charts: Mapping[str, str]) -> str:
    parts = [f"<h2>{escape(section.title)}</h2>"]
    if section.rows:
        rows = "".join(
            f'<tr><td>{escape(row.label)}</td><td class="value">{escape(row.value)}</td>'
            f'<td class="remark">{escape(row.remark)}</td></tr>\n'
            for row in section.rows
        )
        parts.append(f"<table>\n{rows}</table>")
    parts += [f"<p>{escape(sentence)}</p>" for sentence in section.sentences]
    parts += [f"<figure>{charts[name]}</figure>" for name in section.charts if charts.get(name)]
    return "\n".join(parts)
