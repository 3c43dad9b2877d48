"""What is typed at a step of the first-power list: a number with or without its unit, or one of the answers."""

from __future__ import annotations

import re
from collections.abc import Sequence

from telemetry.model.keys import BadValue, described

_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([mkM]?)([A-Za-z]*)", re.ASCII)
_SCALES = {"": 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}
_EXAMPLES = {"V": "53.2, 53,2 or 53.2 V", "A": "0.08, 0,08 or 80 mA", "ohm": "10000, 10k or 4,7 kohm"}


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
        raise BadValue(
            f"{described(said)} is not one of {', '.join(choices)}", f"type {', '.join(choices)}, skip or ?"
        )
    match = _NUMBER.fullmatch(said)
    given = "" if match is None else match[3].lower()
    is_short = unit == "ohm" and match is not None and match[2] in ("k", "M")
    if match is None or given not in ("", unit.lower()) or (match[2] and not given and not is_short):
        raise BadValue(
            f"{described(said)} is not a reading in {unit}", f"type the number, such as {_EXAMPLES[unit]}; or skip"
        )
    return float(match[1].replace(",", ".")) * _SCALES[match[2]]
