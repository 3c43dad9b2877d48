"""Ask a person in the terminal."""

from __future__ import annotations

from telemetry.commands.options import say
from telemetry.model.errors import harmless
from telemetry.model.questions import Question
from telemetry.report.first_power_text import wrapped


def ask_here(question: Question) -> str:
    """Ask on the terminal, with why the last answer was refused, the choices and the default."""
    for line in (*([question.problem] if question.problem else []), *question.notes):
        say("\n".join(wrapped(line, "  ")))
    choices = f" ({', '.join(question.choices)})" if question.choices else ""
    default = f" [{question.default}]" if question.default else " [empty: not known]"
    *lines, last = wrapped(f"{question.text}{choices}{default}")
    for line in lines:
        say(line)
    return input(harmless(f"{last} "))
