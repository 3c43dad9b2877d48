"""The first-power list as text: a step on the terminal, what a reading means, the whole as a sheet to write on."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from telemetry.machine.cautions import is_licensed_work, shock_caution
from telemetry.machine.first_power import Expectation, Judgement, Readings, Step
from telemetry.machine.sections import Machine
from telemetry.model.errors import printable

WIDTH = 78
_WORDS: Final[Mapping[str, str]] = {
    "ok": "OK",
    "caution": "CAUTION",
    "stop": "STOP",
    "again": "AGAIN",
    "skipped": "NOT MEASURED",
}
_LICENSED = "LICENSED WORK"
HEAD = (
    "You measure; the program computes what to expect and keeps your readings. The makers' sheets and local codes"
    " come first. If anything smells, smokes or gets hot, disconnect the pack if that is safe, and get away."
)


def head_lines(machine: Machine) -> list[str]:
    """Return what comes above the list: who does what, and the caution that this voltage calls for."""
    lines = wrapped(HEAD)
    if caution := shock_caution(machine):
        lines += ["", *wrapped(caution, "CAUTION  ")]
    if is_licensed_work(machine):
        lines += wrapped(
            "This list asks only for what is done with the pack disconnected. A licensed person does the rest.",
            " " * 9,
        )
    return lines


def wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    """Return ``text`` in lines of the usual width."""
    indent = rest or " " * len(first)
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def expected_words(step: Step, expected: Expectation | None) -> str:
    """Return the expected reading and its reason, one sentence."""
    if expected is None:
        return f"not known: {step.unknown}."
    if not step.unit:
        return f"{expected.why}."
    digits = {"A": 3, "ohm": 0}.get(step.unit, 1)
    return f"{expected.low:.{digits}f} to {expected.high:.{digits}f} {step.unit} ({expected.why})."


def step_lines(number: int, count: int, step: Step, machine: Machine, readings: Readings) -> list[str]:
    """Return a step as it is shown on the terminal before its reading is asked for."""
    lines = ["", f"Step {number} of {count}: {step.title}"]
    if step.is_withheld(machine):
        lines += wrapped("done by a licensed person only.", f"  {_LICENSED}  ")
    else:
        for caution in step.cautions:
            lines += wrapped(caution, "  CAUTION  ")
        lines += wrapped(step.what(machine, readings), "  Do       ")
    return lines + wrapped(expected_words(step, step.expect(machine, readings)), "  Expect   ")


def judgement_lines(found: Judgement) -> list[str]:
    """Return what a reading means."""
    lines = wrapped(found.means, f"  {_WORDS[found.verdict]:8} ", " " * 11)
    return lines + (wrapped(found.next, "  Next     ") if found.next else [])


def reading_words(step: Step, reading: float) -> str:
    """Return a reading with its unit, the answer, or that it was skipped."""
    if math.isnan(reading):
        return "not measured"
    if not step.unit:
        return step.choices[int(reading)]
    return f"{reading:g} {step.unit}"


def summary_lines(steps: Sequence[Step], machine: Machine, readings: Readings) -> list[str]:
    """Return all readings with their verdicts, one line a step; what does not apply, and what is licensed work."""
    lines = []
    for number, step in enumerate(steps, start=1):
        words = ("", "")
        if step.why_not(machine, readings):
            words = ("DOES NOT APPLY", "")
        elif step.is_withheld(machine):
            words = (_LICENSED, "")
        elif step.name in readings:
            reading = readings[step.name]
            words = (_WORDS[step.judged(machine, readings, reading).verdict], reading_words(step, reading))
        if words[0]:
            head = f"{number:3}  {words[0]:14}  {words[1]:12}  "
            lines += wrapped(step.title, head)
    return lines


def sheet_lines(steps: Sequence[Step], machine: Machine, stated: Readings) -> Iterator[str]:
    """Give the whole list as a sheet to write on; ``stated`` holds the answers that the machine file gives."""
    yield f"First power: {printable(machine.name, 60)}"
    yield ""
    yield from head_lines(machine)
    for number, step in enumerate(steps, start=1):
        yield from step_lines(number, len(steps), step, machine, stated)
        if why := step.why_not(machine, stated):
            yield from wrapped(f"Does not apply: {why}.", "  Note     ")
            continue
        if step.name in stated:
            yield from wrapped(f"The machine file says {reading_words(step, stated[step.name])}.", "  Note     ")
            continue
        yield from wrapped(step.question, "  Ask      ")
        unit = step.unit or " / ".join(step.choices)
        yield f"  Reading  __________ {unit:22} time ______  ok [ ]  not ok [ ]"
        if step.is_withheld(machine):
            continue
        yield from wrapped(step.help, "  Note     ")
        for reading in step.wrong(machine):
            found = step.judged(machine, {}, reading)
            said = reading_words(step, round(reading, 1))
            said = f"At {said}" if step.unit else said.capitalize()
            yield from wrapped(f"{said}: {found.means} {found.next}", "  If not   ")
