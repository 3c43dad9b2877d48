"""A question to a person, and how it is asked until the answer can be read; who shows it is the caller's business."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

from telemetry.model.keys import BadValue


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes:
        key: what it decides, such as ``pack.capacity_ah``.
        text: the question, one sentence without the default.
        default: what an empty answer means, as it would be typed; empty where that leaves the key unknown.
        choices: the answers there are; empty where the answer is free.
        problem: why the last answer was refused; empty when first asked.
        notes: lines to show before the question, such as what each choice means.

    """

    key: str
    text: str
    default: str = ""
    choices: tuple[str, ...] = ()
    problem: str = ""
    notes: tuple[str, ...] = ()


T = TypeVar("T")
Ask = Callable[[Question], str]


def asked(ask: Ask, question: Question, read: Callable[[str], T]) -> T:
    """Ask until ``read`` takes the answer; what it raises as BadValue is explained with the next question."""
    while True:
        answer = ask(question).strip() or question.default
        try:
            return read(answer)
        except BadValue as bad:
            what = f"the answer {bad.what}" if bad.what.startswith(("is ", "holds ")) else bad.what
            question = replace(question, problem=f"{what}; {bad.right}", notes=())
