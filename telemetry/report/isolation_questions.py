"""Asks for the readings that would settle it, one line each; an empty line skips."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, get_args

from telemetry.analysis.fault_isolation.readings import Code, Readings
from telemetry.machine.cautions import JOINT_DROP

Ask = Callable[[str], str | None]
"""Shows a question and returns the answer; None where nobody answers any more."""

_CAUTION = (
    "Readings taken by hand go into the ranking; press Enter to skip one. Measure with the wheels off the ground on "
    "stands; never bypass a fuse, an interlock or the BMS. " + JOINT_DROP
)


def ask_readings(ask: Ask, say: Callable[[str], None]) -> Readings:
    """Ask every question and return the answers; an answer that is none of those offered is asked again.

    Ctrl-C ends the questions: the answers given so far are said and used.
    """
    say(_CAUTION)
    given: dict[str, Any] = {}
    try:
        for name, (_, put) in _QUESTIONS.items():
            given[name] = put(ask, say)
    except KeyboardInterrupt:
        used = [_QUESTIONS[name][0] for name, answer in given.items() if answer is not None]
        say(f"\nNo more questions. Readings used: {', '.join(used) or 'none'}.")
    return Readings(**given)


def _yes_or_no(question: str, ask: Ask, say: Callable[[str], None]) -> bool | None:
    while answer := (ask(question) or "").strip().lower():
        if answer in ("yes", "y", "no", "n"):
            return answer.startswith("y")
        say("please answer yes or no, or press Enter to skip")
    return None


def _joint(ask: Ask, say: Callable[[str], None]) -> float | None:
    question = "Highest drop across one joint at a known current, millivolts and amperes, as 24 10: "
    while answer := (ask(question) or "").replace(",", " ").split():
        try:
            millivolts, amperes = (float(part) for part in answer)
        except ValueError:
            say("please give two numbers with a blank between, such as 24 10, or press Enter to skip")
            continue
        if amperes > 0 and millivolts >= 0:
            return millivolts / 1000 / amperes
        say("the current must be above 0 and the drop not below 0")
    return None


def _code(ask: Ask, say: Callable[[str], None]) -> Code | None:
    choices: tuple[Code, ...] = get_args(Code)
    question = f"What the controller's blinks mean by its sheet ({', '.join(choices)}): "
    while answer := (ask(question) or "").strip().lower():
        for choice in choices:
            if answer == choice:
                return choice
        say(f"please answer one of {', '.join(choices)}, or press Enter to skip")
    return None


_Put = Callable[[Ask, Callable[[str], None]], Any]
_QUESTIONS: dict[str, tuple[str, _Put]] = {
    "pedal_jumps": (
        "pedal signal on a meter",
        partial(_yes_or_no, "Pedal pressed slowly: does its signal jump or vanish on a meter? (yes/no) "),
    ),
    "joint_ohm": ("voltage drop across a joint", _joint),
    "code": ("controller's blink code", _code),
    "enable_steady": (
        "enable line",
        partial(_yes_or_no, "Does the enable line stay at full voltage while it hesitates? (yes/no) "),
    ),
    "wheels_free": (
        "wheels turned by hand",
        partial(_yes_or_no, "Jacked up: does every wheel turn by hand and run on? (yes/no) "),
    ),
}
"""What each reading is called, and how it is asked for, in the order of the questions."""
