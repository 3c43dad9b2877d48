"""The report of a session as one HTML file that needs nothing else: no script, no picture, no font from elsewhere.

What to do comes first, then every part against its limit, the drive on one time axis, the figures, and what the drive
could not show: two pages on paper. All else is in one part of the page that opens, and is not printed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from telemetry.machine.cautions import GENERAL, MAINS, SHOCK
from telemetry.report.drive_chart import cells_svg
from telemetry.report.figure_sections import Section
from telemetry.report.key_figures import could_not_show, key_figures, missing_sentences
from telemetry.report.numbers import INTERVAL
from telemetry.report.part_table import part_html, verdict_html
from telemetry.report.sections import sections_of
from telemetry.report.session_model import Report
from telemetry.report.session_text import head_of, title_of

# For a desk, a telephone and paper, in light and in dark by the reader's choice. Contrast of text is 4.5 and more
# (WCAG 2.2, 1.4.3), of bars and lines on their ground 3 and more (1.4.11); a level is told by shape and word too.
STYLE = """
:root { color-scheme: light dark; --page: #fff; --ink: #111; --quiet: #4a4f55; --line: #d5d9dd; --wall: #000;
--track: #e7eaec; --behind: #f3c9c4; --holds: #8fe3b0; --holds-ink: #000; --near: #ffd400; --near-ink: #000;
--past: #a80000; --past-ink: #fff; --act: #0038b8; --act-ink: #fff; --bar: #0e7c55; --bar-near: #a87400;
--bar-past: #a80000; --power: #a83b00; --voltage: #0a3fa6; --cell: #4a1433; --phase: #c4d4e6; --card: #fff; }
@media (prefers-color-scheme: dark) { :root { --page: #101418; --ink: #f2efe6; --quiet: #b4b9be; --line:
#39424a; --wall: #f2efe6; --track: #232a31; --behind: #57241f; --holds: #0b6040; --holds-ink: #fff; --near:
#ffd54a; --past: #ff7366; --past-ink: #000; --act: #6fb1ff; --act-ink: #000; --bar: #3fdda8; --bar-near:
#ffd54a; --bar-past: #ff7366; --power: #d9805f; --voltage: #4d8df0; --cell: #c9a6e0; --phase: #2b3f55; --card:
#f4f4f2; } } * { box-sizing: border-box; } body { font: 16px/1.5 system-ui, sans-serif; margin: 1.5rem auto;
max-width: 62rem; padding: 0 1rem; color: var(--ink); background: var(--page); overflow-wrap: break-word; } h1 {
font-size: 1.3rem; margin: 0 1.2rem 0 0; display: inline; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .3rem;
border-bottom: 1px solid var(--line); padding-bottom: .3rem; } h3 { font-size: 1rem; margin: 1.4rem 0 .3rem; }
header span { color: var(--quiet); margin-right: 1rem; } .verdict { display: flex; gap: 1.4rem; align-items:
center; margin: 1.2rem 0; } .verdict p { margin: 0; } .verdict .reason { font-size: 1.2rem; font-weight: 700;
margin-bottom: .4rem; } .verdict > .badge { font-size: 1.6rem; padding: .6rem 1.2rem; flex: none; } .badge {
display: inline-block; padding: .05rem .5rem; font-weight: 700; font-size: .85rem; white-space: nowrap; border:
1px solid transparent; -webkit-print-color-adjust: exact; print-color-adjust: exact; } .badge.past { background:
var(--past); color: var(--past-ink); } .badge.near { background: var(--near); color: var(--near-ink);
border-color: #000; } .badge.holds { background: var(--holds); color: var(--holds-ink); } .badge.act {
background: var(--act); color: var(--act-ink); } .badge.not-judged { border: 1px dashed var(--quiet); color:
var(--quiet); } table { border-collapse: collapse; width: 100%; } .figures { width: auto; } td, th { padding:
.25rem .7rem .25rem 0; vertical-align: middle; text-align: left; } .parts tr { border-bottom: 1px solid
var(--line); } th { font-weight: 400; color: var(--quiet); } td.value, td.part { font-weight: 600; } .parts td {
white-space: nowrap; } .parts td.remark { white-space: normal; overflow-wrap: anywhere; } td.remark, .remark {
color: var(--quiet); font-size: .85rem; } .gauge { display: block; position: relative; width: 7rem; height:
.8rem; background: linear-gradient(to right, var(--track) 84%, var(--behind) 84%); -webkit-print-color-adjust:
exact; print-color-adjust: exact; } .gauge span { display: block; height: 100%; background: var(--bar); }
.gauge.near span { background: var(--bar-near); } .gauge.past span { background: var(--bar-past); }
.gauge::after { content: ""; position: absolute; left: calc(84% - 2px); top: -.2rem; bottom: -.2rem; width: 4px;
background: var(--wall); -webkit-print-color-adjust: exact; print-color-adjust: exact; } .key { display: grid;
grid-template-columns: 1fr 1fr; column-gap: 2.4rem; } .key div { display: flex; flex-wrap: wrap;
justify-content: space-between; border-bottom: 1px solid var(--line); padding: .3rem 0; } .key b { text-align:
right; } .key small { flex-basis: 100%; text-align: right; color: var(--quiet); } p { margin: .3rem 0;
max-width: 50rem; } ul { margin: .3rem 0; padding-left: 1.2rem; } svg { max-width: 100%; height: auto; } .drive
text { fill: var(--ink); } .drive .quiet { fill: var(--quiet); } .drive .grid { stroke: var(--line); } .drive
.limit { stroke: var(--bar-past); } .drive .over { fill: var(--behind); } .drive .limit-text { fill:
var(--bar-past); } .drive .gap { fill: var(--track); } .drive .phase { fill: var(--phase); } .drive .rest {
fill: var(--track); } .drive .mark { stroke: var(--quiet); } .drive .power { stroke: var(--power); fill:
var(--power); } .drive .voltage { stroke: var(--voltage); fill: var(--voltage); } .drive .cells { stroke:
var(--cell); fill: var(--cell); } .drive .bar { fill: var(--voltage); } .drive .bar.near { fill:
var(--bar-near); } .drive .bar.past { fill: var(--bar-past); } figure { margin: .8rem 0; background:
var(--card); color: #111; } figcaption { color: #444; } pre { font: 14px/1.45 ui-monospace, monospace;
white-space: pre-wrap; overflow-x: auto; } details { margin-top: 1.6rem; } summary { font-weight: 700; cursor:
pointer; padding: .6rem 0; } footer { margin-top: 1.6rem; border-top: 1px solid var(--line); padding-top: .4rem;
color: var(--quiet); font-size: .85rem; } footer p { max-width: none; } @media screen and (max-width: 58rem) {
.verdict { display: block; } .verdict > .badge { display: block; text-align: center; margin-bottom: .6rem; }
.key { grid-template-columns: 1fr; } .parts, .parts tbody, .parts tr, .parts td { display: block; width: auto;
padding: .1rem 0; } .parts tr { padding: .6rem 0; } .parts td { white-space: normal; } .parts tr:first-child {
display: none; } .parts td[data-of]::before { content: attr(data-of); display: inline-block; width: 6.5rem;
color: var(--quiet); font-weight: 400; } .parts td:empty { display: none; } .parts td:nth-child(-n+2), .parts
td:nth-child(5), .parts td:nth-child(6) { display: inline-block; margin-right: .6rem; } .parts .gauge { display:
inline-block; vertical-align: middle; } .figures, .figures tbody, .figures tr, .figures td { display: block;
padding: 0; } .figures tr { padding: .3rem 0; } td.value { white-space: normal; } } @media print { @page { size:
A4; margin: 12mm 13mm; } :root { --page: #fff; --ink: #111; --quiet: #4a4f55; --line: #d5d9dd; --wall: #000;
--track: #e7eaec; --behind: #f3c9c4; --holds: #8fe3b0; --holds-ink: #000; --near: #ffd400; --past: #a80000;
--past-ink: #fff; --act: #0038b8; --act-ink: #fff; --bar: #0e7c55; --bar-near: #a87400; --bar-past: #a80000;
--power: #a83b00; --voltage: #0a3fa6; --cell: #4a1433; --phase: #c4d4e6; } html { font-size: 8.6pt; } body {
margin: 0; padding: 0; max-width: none; font-size: 8.6pt; line-height: 1.3; } .verdict { margin: .6rem 0; }
.verdict > .badge { font-size: 1.7rem; } td, th { padding: .08rem .6rem .08rem 0; } h2 { margin: .7rem 0 .15rem;
break-after: avoid; } .key div { padding: .12rem 0; } .drive, tr, .key div { break-inside: avoid; } details {
display: none; } footer { margin-top: .7rem; } }
"""
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
