"""The result of a guided drive as text for 80 columns and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import Check
from telemetry.guided.judging import RULE, StepResult
from telemetry.guided.result import GuidedResult, JudgedSession
from telemetry.machine.cautions import GENERAL, MAINS
from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import clock_at, length, local_at
from telemetry.model.words import sentence
from telemetry.report.fit_text import wrapped
from telemetry.report.numbers import INTERVAL, UNKNOWN, figure

SHAPES = {"pass": "●", "remark": "▲", "fail": "■", "not judged": "?", "does not apply": "-"}
CAUTION = (
    f"{GENERAL} Makers' sheets, local codes and licensed practice come before this result. {MAINS} It says what the"
    " recordings show by the figures that were stated; it is no inspection and no warranty."
)
SIGNATURE = ("Driver", "Date and place", "Weather and ground", "Instruments and their errors", "Signature")
"""What is written by hand on the page."""
_STAMP_DIGITS = 16


def result_lines(result: GuidedResult) -> list[str]:
    """Return the text: the verdict, each step with its figures, the sessions, the rule and the cautions."""
    verdict = result.verdict
    lines = wrapped(f"{result.machine.name}: {SHAPES[verdict.level]} {verdict.word}. {verdict.reason}", "  ", "")
    lines += [f"fit: {result.fit}. First power: {result.first_power}."]
    for step in result.steps:
        lines += ["", *step_lines(step, result)]
    if result.repeated:
        lines += ["", "Before a repeat"]
        for step in result.repeated:
            lines += step_lines(step, result)
    lines += ["", "Judged from"]
    for text in sources_of(result):
        lines += wrapped(text, "    ", "  ")
    lines += ["", *wrapped(RULE, ""), *wrapped(INTERVAL, ""), *wrapped(CAUTION, "")]
    return lines


def step_lines(step: StepResult, result: GuidedResult) -> list[str]:
    """Return one step."""
    where = f" ({step.session})" if len(result.sessions) > 1 and step.checks else ""
    lines = [f"{SHAPES[step.word]} {step.word:<14}  {step.step.title}{where}"]
    if step.why:
        lines += wrapped(sentence(step.why), "    ")
    for check in step.checks:
        lines += wrapped(f"{check_mark(check)} {check.label}: {check_text(check)}", "      ", "    ")
    if step.attempts:
        lines += wrapped(attempts_text(step, result), "    ")
    if step.would:
        lines += wrapped(f"To get it judged: {step.would}", "    ")
    return lines


def check_mark(check: Check) -> str:
    """Return the sign before a figure; a blank for one that is for information."""
    return SHAPES[check.word] if check.counts else " "


def check_text(check: Check) -> str:
    """Return a figure with its error, its bound and where that is from."""
    value = value_text(check)
    bound = f"; {check.bound} ({check.origin})" if check.bound else ""
    why = f"; {check.why}" if check.why else ""
    return f"{value}{bound}{why}"


def value_text(check: Check) -> str:
    """Return a figure with its error."""
    if check.value is None:
        return check.said or UNKNOWN
    return figure(check.value, check.unit, check.sigma)


def attempts_text(step: StepResult, result: GuidedResult) -> str:
    """Return how many attempts counted, when, and why others did not."""
    origin = result.origins.get(step.session, 0)
    good = [each for each in step.attempts if each.accepted]
    bad = [each for each in step.attempts if not each.accepted]
    said = [f"{len(good)} counted at {_times(good, origin)}"] if good else ["none counted"]
    for kind in dict.fromkeys(_kind(each) for each in bad):
        same = [each for each in bad if _kind(each) == kind]
        such = ", for example" if len({each.refused for each in same}) > 1 else ""
        said.append(f"refused at {_times(same, origin)}{such}: {same[-1].refused}")
    return f"Attempts: {'; '.join(said)}."


def _kind(attempt: Attempt) -> str:
    """Return why an attempt was refused, without its figures."""
    return attempt.refused.partition(":")[0]


_MOST_TIMES = 6


def _times(attempts: list[Attempt], origin: int) -> str:
    shown = ", ".join(clock_at(each.start, origin) for each in attempts[:_MOST_TIMES])
    left = len(attempts) - _MOST_TIMES
    return f"{shown} and {left} more" if left > 0 else shown


def sources_of(result: GuidedResult) -> Iterator[str]:
    """Yield what the result was made from, with hashes that show a change."""
    name = result.machine.file or "machine file"
    yield f"{name}, SHA-256 {result.machine_stamp[:_STAMP_DIGITS]}; shakedown {result.version}"
    for each in result.sessions:
        yield f"{_when(each)}, SHA-256 of its rows {each.stamp[:_STAMP_DIGITS]}"


def _when(session: JudgedSession) -> str:
    when = "" if session.started is None else f", {local_at(session.started)}"
    return f"{session.name}{when}, {length(session.seconds)}"


def result_object(result: GuidedResult) -> dict[str, Any]:
    """Return the result for JSON; what is not known is None, times are seconds from the start of their session."""
    return {
        "machine": result.machine.name,
        "machine_sha256": result.machine_stamp,
        "version": result.version,
        "verdict": result.verdict.word,
        "reason": result.verdict.reason,
        "rule": RULE,
        "fit": result.fit,
        "first_power": result.first_power,
        "sessions": [
            {
                "name": each.name,
                "started_us": each.started,
                "duration_s": round(each.seconds, 3),
                "rows_sha256": each.stamp,
                "other_machine_file": each.other_machine,
            }
            for each in result.sessions
        ],
        "steps": [_step_object(step, result) for step in result.steps],
        "repeated": [_step_object(step, result) for step in result.repeated],
    }


def _step_object(step: StepResult, result: GuidedResult) -> dict[str, Any]:
    origin = result.origins.get(step.session, 0)
    return {
        "step": step.step.name,
        "title": step.step.title,
        "word": step.word,
        "session": step.session,
        "why": step.why,
        "to_have_it_judged": step.would,
        "figures": [
            {
                "label": check.label,
                "value": None if check.value is None else _rounded(check.value),
                "sigma": None if check.sigma is None else _rounded(check.sigma),
                "unit": check.unit,
                "bound": check.bound,
                "origin": check.origin,
                "word": check.word if check.counts else None,
                "why": check.why,
            }
            for check in step.checks
        ],
        "attempts": [
            {
                "part": each.part,
                "start_s": round((each.start - origin) / MICROSECONDS, 3),
                "end_s": round((each.end - origin) / MICROSECONDS, 3),
                "accepted": each.accepted,
                "refused": each.refused,
                "facts": {name: _rounded(value) for name, value in each.facts.items()},
            }
            for each in step.attempts
        ],
    }


def _rounded(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None
