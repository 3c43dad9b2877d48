"""The first time that a rebuilt machine is given power: what a step is, and what a reading or an answer can mean.

Pure: a step gives its text and its expectation from the machine file and the readings so far, and judges a reading.
The command asks and keeps. Order and thresholds are common practice of the trade, from memory, except where a step
computes them from the machine file or names a source. The makers' sheets and local codes come first.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from telemetry.machine.cautions import is_licensed_work
from telemetry.machine.sections import Machine
from telemetry.model.keys import BadValue, described

_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([mkM]?)([A-Za-z]*)", re.ASCII)
_SCALES = {"": 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}
_UNIT_WORDS = {"volt": "v", "volts": "v", "amp": "a", "amps": "a", "ampere": "a", "amperes": "a", "ohms": "ohm"}
"""Units as people write them out, in small letters."""
_EXAMPLES = {"V": "53.2, 53,2 or 53.2 V", "A": "0.08, 0,08 or 80 mA", "ohm": "10000, 10k or 4,7 kohm"}
Verdict = Literal["ok", "caution", "stop", "again", "skipped"]
Readings = Mapping[str, float]
"""Readings so far by the step's name, in the step's unit; of a question the answer's place among its choices (no 0,
yes 1). NaN where it was skipped."""

LEADS_REVERSED_V: Final = -0.5
"""A reading below this is a pair of crossed leads and not noise around zero."""
ABSURD_SHARE: Final = 3.0
"""A reading this many times a full pack's voltage is a slip: of the range, the decimal point, or volts AC."""
ABSURD_A: Final = 30.0
"""No machine draws this with the key off; a clamp meter on the wrong range or not zeroed reads it."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a reading should be.

    Attributes:
        low, high: in the step's unit, either end included; ``high`` may be infinite.
        why: where the range comes from, one sentence.

    """

    low: float
    high: float
    why: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a reading means.

    Attributes:
        verdict: ``stop``: go no further until it is put right. ``again``: the reading cannot be right; not kept.
        means: one or two sentences.
        next: what to do now; empty where the list just goes on.

    """

    verdict: Verdict
    means: str
    next: str = ""


def _nothing(_: Machine, __: Readings) -> str:
    return ""


def _not_stated(_: Machine) -> float | None:
    return None


def _any_answer(_: Machine, __: Readings) -> None:
    return None


def _noted(_: Machine, __: Readings, ___: float) -> Judgement:
    return Judgement("ok", "Noted.")


def _none_wrong(_: Machine) -> tuple[float, ...]:
    return ()


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of the list.

    Attributes:
        name: as stored.
        title: a few words.
        what: what to do, from the machine and the readings so far.
        question: what is asked for.
        unit: of the reading; empty for a question.
        choices: the answers to a question; an answer is kept as its place among them.
        cautions: to be read before the step is done.
        expect: from the machine and the readings so far; None where nothing can be said, ``unknown`` then says why.
        judge: of a reading that was given.
        help: more for who asks.
        wrong: readings that show on a sheet what is wrong when it is, in the step's unit.
        unknown: why nothing can be expected.
        signed: a negative reading has a meaning of its own; else it says that the meter's leads are reversed.
        by: what must not happen before it is done, a clause; told to who skips it.
        afterwards: done after driving, so that no drive waits for it.
        live: done on a live or powered machine: above 120 V DC the list does not lead through it.
        stated: the answer that the machine file gives, None where it does not.
        why_not: why the step does not apply; empty where it does.

    """

    name: str
    title: str
    what: Callable[[Machine, Readings], str]
    question: str
    help: str
    expect: Callable[[Machine, Readings], Expectation | None] = _any_answer
    judge: Callable[[Machine, Readings, float], Judgement] = _noted
    unit: str = ""
    choices: tuple[str, ...] = ("no", "yes")
    cautions: tuple[str, ...] = ()
    wrong: Callable[[Machine], tuple[float, ...]] = _none_wrong
    unknown: str = ""
    signed: bool = False
    by: str = "the first drive"
    afterwards: bool = False
    live: bool = False
    stated: Callable[[Machine], float | None] = _not_stated
    why_not: Callable[[Machine, Readings], str] = _nothing

    def judged(self, machine: Machine, before: Readings, reading: float) -> Judgement:
        """Return what ``reading`` means; NaN is a step that was skipped."""
        if math.isnan(reading):
            return Judgement("skipped", "Not measured, so this stays not known.", f"Do it before {self.by}.")
        return self._slip(machine, reading) or self.judge(machine, before, reading)

    def is_withheld(self, machine: Machine) -> bool:
        """Return whether the step is licensed work on this machine, so that the list does not lead through it."""
        return self.live and is_licensed_work(machine)

    def _slip(self, machine: Machine, reading: float) -> Judgement | None:
        """Return why ``reading`` cannot be one at all, None where it can."""
        if self.unit == "V" and not self.signed and reading < LEADS_REVERSED_V:
            return Judgement(
                "again", "Leads reversed: the reading is negative.", "Swap the meter's leads and measure again."
            )
        most = {"V": ABSURD_SHARE * machine.full_voltage[0], "A": ABSURD_A}.get(self.unit, math.inf)
        if abs(reading) > most:
            return Judgement(
                "again",
                f"{reading:g} {self.unit} cannot be right on this machine.",
                f"Check the decimal point, the meter's range and that it is set to DC {self.unit}; measure again.",
            )
        return None


def pack_voltage(machine: Machine, readings: Readings) -> float:
    """Return the pack's voltage as far as known, V: measured at rest, else nominal."""
    measured = readings.get("rested-voltage", math.nan)
    return machine.pack.nominal_v if math.isnan(measured) else measured


def answer(readings: Readings, name: str) -> int | None:
    """Return the answer to a question as its place among the choices; None where it was not asked or was skipped."""
    given = readings.get(name, math.nan)
    return None if math.isnan(given) else int(given)


def text(words: str) -> Callable[[Machine, Readings], str]:
    """Return instructions that are the same for every machine."""
    return lambda _machine, _readings: words


def shares(*of_nominal: float) -> Callable[[Machine], tuple[float, ...]]:
    """Return wrong readings that are so many times the pack's nominal voltage."""
    return lambda machine: tuple(share * machine.pack.nominal_v for share in of_nominal)


def confirmed(
    *,
    means: str,
    otherwise: str,
    then: str,
    answer: Literal["no", "yes"] = "yes",
    verdict: Verdict = "stop",
    **step: Any,
) -> Step:
    """Return a step that asks a question with one right answer.

    Args:
        means: what the right answer means.
        otherwise: what the other means.
        then: what to do about it.
        answer: the right one.
        verdict: of the other.
        step: the rest of the :class:`Step`.

    """
    place = float(answer == "yes")

    def judge(_: Machine, __: Readings, given: float) -> Judgement:
        return Judgement("ok", means) if given == place else Judgement(verdict, otherwise, then)

    return Step(
        expect=lambda _, __: Expectation(place, place, answer), judge=judge, wrong=lambda _: (1.0 - place,), **step
    )


def read_answer(typed: str, unit: str, choices: Sequence[str] = ("no", "yes")) -> float:
    """Return the reading in ``unit`` from ``53.2``, ``53,2``, ``53.2 V``, ``80 mA`` or ``10k``.

    Without a unit, return the place among ``choices`` of the one that was typed, whole or its beginning where that
    is clear.

    Raises:
        BadValue: it is neither a number in that unit nor, without a unit, one of the choices.

    """
    said = typed.strip()
    if not unit:
        found = [place for place, choice in enumerate(choices) if said and choice.startswith(said.lower())]
        if len(found) == 1:
            return float(found[0])
        what = f"{described(said)} is no answer here" if said else "an answer is needed to go on"
        raise BadValue(what, f"type {', '.join(choices)}, skip or ?")
    if not said:
        raise BadValue("a reading is needed to go on", f"type the number, such as {_EXAMPLES[unit]}; or skip")
    match = _NUMBER.fullmatch(said)
    given = "" if match is None else _UNIT_WORDS.get(match[3].lower(), match[3].lower())
    is_short = unit == "ohm" and match is not None and match[2] in ("k", "M")
    if match is None or given not in ("", unit.lower()) or (match[2] and not given and not is_short):
        raise BadValue(
            f"{described(said)} is not a reading in {unit}", f"type the number, such as {_EXAMPLES[unit]}; or skip"
        )
    return float(match[1].replace(",", ".")) * _SCALES[match[2]]
