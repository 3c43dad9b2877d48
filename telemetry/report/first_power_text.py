"""The first-power list as text: a step on the terminal, what a reading means, the whole as a sheet to write on."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from telemetry.machine.first_power import Expectation, Judgement, Readings, Step
from telemetry.machine.sections import Machine
from telemetry.model.errors import printable

WIDTH = 78
_WORDS = {"ok": "OK", "caution": "CAUTION", "stop": "STOP", "skipped": "NOT MEASURED"}
HEAD = (
    "You do this, and not the program: it computes what to expect and keeps what you read. The makers' sheets and"
    " local codes come first. If anything smells, smokes or gets warm, unplug the pack if that is safe and step back."
)


def wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    """Return ``text`` in lines of the usual width."""
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest or " " * len(first))


def expected_words(step: Step, expected: Expectation | None) -> str:
    """Return the expected reading and its reason, one sentence."""
    if expected is None:
        return f"unknown: {step.unknown}."
    if not step.unit:
        return f"{expected.why}."
    digits = 3 if step.unit == "A" else 1
    return f"{expected.low:.{digits}f} to {expected.high:.{digits}f} {step.unit} ({expected.why})."


def step_lines(number: int, count: int, step: Step, machine: Machine, readings: Readings) -> list[str]:
    """Return a step as it stands on the terminal before its reading is asked for."""
    lines = ["", f"Step {number} of {count}: {step.title}"]
    for caution in step.cautions:
        lines += wrapped(caution, "  CAUTION  ")
    lines += wrapped(step.instructions(machine), "  Do       ")
    lines += wrapped(expected_words(step, step.expect(machine, readings)), "  Expect   ")
    return lines


def judgement_lines(found: Judgement) -> list[str]:
    """Return what a reading means."""
    lines = wrapped(found.means, f"  {_WORDS[found.verdict]:8} ", " " * 11)
    return lines + (wrapped(found.next, "  Next     ") if found.next else [])


def reading_words(step: Step, reading: float) -> str:
    """Return a reading with its unit, yes, no, or that it was skipped."""
    if math.isnan(reading):
        return "not measured"
    if not step.unit:
        return "yes" if reading else "no"
    return f"{reading:g} {step.unit}"


def summary_lines(steps: Sequence[Step], machine: Machine, readings: Readings) -> list[str]:
    """Return all readings with their verdicts, one line a step."""
    lines = []
    for number, step in enumerate(steps, start=1):
        if step.name in readings:
            verdict = step.judged(machine, readings, readings[step.name]).verdict
            lines.append(
                f"{number:3}  {_WORDS[verdict]:12}  {reading_words(step, readings[step.name]):14} {step.title}"
            )
    return lines


def sheet_lines(steps: Sequence[Step], machine: Machine) -> Iterator[str]:
    """Give the whole list as a sheet to write on."""
    yield f"First power: {printable(machine.name, 60)}"
    yield ""
    yield from wrapped(HEAD)
    for number, step in enumerate(steps, start=1):
        yield from step_lines(number, len(steps), step, machine, {})
        yield from wrapped(step.question, "  Ask      ")
        unit = step.unit or "yes / no"
        yield f"  Reading  ____________ {unit:10}  time ________  ok [ ]  not ok [ ]"
        yield from wrapped(step.help, "  Note     ")
        for reading in step.wrong(machine):
            found = step.judge(machine, {}, reading)
            read = (
                f"At {reading_words(step, round(reading, 1))}" if step.unit else reading_words(step, reading).title()
            )
            yield from wrapped(f"{read}: {found.means} {found.next}", "  If not   ")
