"""The result of a guided drive as one HTML page, for paper too: the verdict, every step, and where to sign."""

from __future__ import annotations

from html import escape

from telemetry.guided.checks import PRACTICE, Check
from telemetry.guided.judging import RULE, StepResult
from telemetry.guided.result import GuidedResult
from telemetry.model.words import sentence
from telemetry.report.guided_text import (
    CAUTION,
    SHAPES,
    SIGNATURE,
    check_mark,
    sources_of,
    value_text,
)
from telemetry.report.numbers import INTERVAL
from telemetry.report.session_page import html_page

_LEVELS = {"pass": "holds", "remark": "near", "fail": "past"} | dict.fromkeys(
    ("not judged", "does not apply"), "not-judged"
)
"""The look of each word, by the report's classes."""
_WHOLE = 'style="white-space: nowrap"'
_SHEET = """<style>@media print { @page { margin: 7mm 10mm; } html, body { font-size: 7.5pt; line-height: 1.18; }
.figures { width: 100%; } .figures td { padding: 0 .5rem 0 0; } .figures td.value { white-space: nowrap; } .badge {
padding: 0 .4rem; } .verdict { margin: .2rem 0; } .verdict > .badge { font-size: 1.4rem; padding: .1rem .8rem; } h2 {
font-size: 1rem; margin: .3rem 0 .1rem; } ul { columns: 2; margin: .1rem 0; }
.key div { padding: .6rem 0 .1rem; } footer { margin-top: .3rem; } }</style>"""
"""All steps of a drive on one sheet of A4."""
_FROM_MEMORY = "Common practice is from memory."


def result_page(result: GuidedResult) -> str:
    """Return the page."""
    name, verdict = result.machine.name, result.verdict
    badge = f'<span class="badge {_LEVELS[verdict.level]}">{SHAPES[verdict.level]} {escape(verdict.word)}</span>'
    body = [
        _SHEET,
        f"<header><h1>{escape(name)}: guided drive</h1></header>",
        f'<div class="verdict">{badge}<div><p class="reason">{escape(verdict.reason)}</p>',
        f"<p>fit: {escape(result.fit)}. First power: {escape(result.first_power)}.</p></div></div>",
        _table(result.steps, result),
    ]
    if result.repeated:
        body += ["<h2>Before a repeat</h2>", _table(result.repeated, result)]
    open_ = [step for step in result.steps if step.would]
    if open_:
        rows = "".join(f"<li><b>{escape(step.step.title)}:</b> {escape(step.would)}</li>\n" for step in open_)
        body.append(f"<h2>How to get the open steps judged</h2>\n<ul>\n{rows}</ul>")
    body.append("<h2>Judged from</h2>\n<ul>\n")
    body += [f"<li>{escape(text)}</li>\n" for text in sources_of(result)]
    body.append("</ul>\n" + _signature())
    return html_page(f"{name}: guided drive", "\n".join(body), f"{RULE} {_FROM_MEMORY} {INTERVAL} {CAUTION}")


def _table(steps: tuple[StepResult, ...], result: GuidedResult) -> str:
    rows = "\n".join(_step(step, result) for step in steps)
    return f'<table class="figures">\n{rows}\n</table>'


def _step(step: StepResult, result: GuidedResult) -> str:
    badge = f'<span class="badge {_LEVELS[step.word]}">{SHAPES[step.word]} {escape(step.word)}</span>'
    said = [sentence(step.why)] if step.why else []
    refused = sum(not each.accepted for each in step.attempts)
    good = len(step.attempts) - refused
    counted = f"{good} attempt{'s' * (good != 1)} counted"
    said += [f"{counted}, {refused} refused." if refused else f"{counted}."] if step.attempts else []
    also = f" <small>{escape(step.session)}</small>" if len(result.sessions) > 1 and step.checks else ""
    first = (
        f'<tr><td class="part" {_WHOLE}>{escape(step.step.title)}{also}</td><td>{badge}</td>'
        f'<td class="remark">{escape(" ".join(said))}</td></tr>'
    )
    return "\n".join([first, *(_check(check) for check in step.checks)])


def _check(check: Check) -> str:
    origin = f"{check.bound} ({check.origin.replace(PRACTICE, 'common practice')})" if check.bound else ""
    remark = "; ".join(each for each in (origin, check.why) if each)
    return (
        f"<tr><td {_WHOLE}>{escape(check_mark(check))} {escape(check.label)}</td>"
        f'<td class="value">{escape(value_text(check))}</td><td class="remark">{escape(remark)}</td></tr>'
    )


def _signature() -> str:
    lines = "".join(f"<div><span>{escape(each)}</span><b></b></div>\n" for each in SIGNATURE)
    return f'<h2>Filled in by hand</h2>\n<div class="key">\n{lines}</div>\n'
