"""What is typed at a step of the first-power list: a number with or without its unit, yes or no, or a word."""

from __future__ import annotations

import re

from telemetry.machine.values import BadValue, described

_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*(m?)([A-Za-z]*)", re.ASCII)
_YES, _NO = ("yes", "y"), ("no", "n")


def read_answer(typed: str, unit: str) -> float:
    """Return the reading in ``unit`` from ``53.2``, ``53,2``, ``53.2 V`` or ``80 mA``; 1 or 0 without a unit.

    Raises:
        BadValue: it is neither a number in that unit nor, without a unit, yes or no.

    """
    said = typed.strip()
    if not unit:
        if said.lower() in (*_YES, *_NO):
            return 1.0 if said.lower() in _YES else 0.0
        raise BadValue(f"{described(said)} is neither yes nor no", "type yes, no, skip, later or ?")
    match = _NUMBER.fullmatch(said)
    given = "" if match is None else match[3].lower()
    if match is None or given not in ("", unit.lower()) or (match[2] and not given):
        example = "53.2, 53,2 or 53.2 V" if unit == "V" else f"0.08 or 0.08 {unit}"
        raise BadValue(f"{described(said)} is no reading in {unit}", f"type the number, such as {example}; or skip")
    value = float(match[1].replace(",", "."))
    return value / 1000 if match[2] else value
