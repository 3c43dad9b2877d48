"""Asks for the readings that would settle it, one line each; an empty line skips."""

from __future__ import annotations

from collections.abc import Callable
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
        for name, (_, question, read) in _QUESTIONS.items():
            while given.get(name) is None and (answer := (ask(question) or "").strip().lower()):
                try:
                    given[name] = read(answer)
                except ValueError as why:
                    say(f"please {why}, or press Enter to skip")
    except KeyboardInterrupt:
        used = [_QUESTIONS[name][0] for name in given]
        say(f"\nNo more questions. Readings used: {', '.join(used) or 'none'}.")
    return Readings(**given)


def _yes_or_no(answer: str) -> bool:
    if answer not in ("yes", "y", "no", "n"):
        raise ValueError("answer yes or no")
    return answer.startswith("y")


def _joint(answer: str) -> float:
    try:
        millivolts, amperes = (float(part) for part in answer.replace(",", " ").split())
    except ValueError:
        raise ValueError("give two numbers with a blank between, such as 24 10") from None
    if amperes <= 0 or millivolts < 0:
        raise ValueError("give a drop not below 0 and a current above 0")
    return millivolts / 1000 / amperes


_CODES: tuple[Code, ...] = get_args(Code)


def _code(answer: str) -> Code:
    for choice in _CODES:
        if answer == choice:
            return choice
    raise ValueError(f"answer one of {', '.join(_CODES)}")


_QUESTIONS: dict[str, tuple[str, str, Callable[[str], Any]]] = {
    "pedal_jumps": (
        "throttle signal on a meter",
        "Pedal pressed slowly: does its signal jump or vanish on a meter? (yes/no) ",
        _yes_or_no,
    ),
    "joint_ohm": (
        "voltage drop across a joint",
        "Highest drop across one joint at a known current, millivolts and amperes, as 24 10: ",
        _joint,
    ),
    "code": (
        "controller's blink code",
        f"What the controller's blinks mean by its sheet ({', '.join(_CODES)}): ",
        _code,
    ),
    "enable_steady": (
        "enable line",
        "Does the enable line stay at full voltage while it hesitates? (yes/no) ",
        _yes_or_no,
    ),
    "wheels_free": (
        "wheels turned by hand",
        "Jacked up: does every wheel turn by hand and run on? (yes/no) ",
        _yes_or_no,
    ),
}
"""What each reading is called, how it is asked for, and what an answer says, in the order of the questions."""
