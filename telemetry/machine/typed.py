"""What a person means by a value: the unit behind the number, a decimal comma, yes for true, quotes forgotten.

One reading for all places where people type: answers of ``new-machine``, ``limits --set``, and the corrected line in
a message about the machine file.
"""

from __future__ import annotations

import re

from telemetry.machine.keys import Key
from telemetry.machine.units import converted, quantity

_SWITCHES = {
    **dict.fromkeys(("true", "yes", "y", "on", "1", "enabled"), True),
    **dict.fromkeys(("false", "no", "n", "off", "0", "disabled"), False),
}
_QUOTES = "\"'“”„‟‘’‚«»`´"
_GAUGE = re.compile(r"(?:awg|#)?\s*(0{1,4}|[1-4]/0|\d{1,2})\s*(?:awg|ga|gauge)?", re.ASCII)


def meant(key: Key, said: str) -> object | None:
    """Return the value that ``said`` means for ``key``, in the key's unit and type; None where that is not clear.

    Whether the value is possible is for :func:`telemetry.machine.values.read_value` to say.
    """
    plain = bare(said)
    if not plain or not plain.isprintable():
        return None
    match key.kind:
        case "number" | "count":
            return number_meant(plain, key.unit, whole=key.kind == "count")
        case "switch":
            return _SWITCHES.get(plain.lower())
        case "choice":
            return _choice(key, plain)
        case "gauge":
            gauge = _GAUGE.fullmatch(plain.lower())
            return gauge[1] if gauge else None
        case "text":
            return plain
    return None


def bare(said: str) -> str:
    """Return ``said`` without blanks and quotes, straight or curly, around it."""
    return said.replace("\N{NO-BREAK SPACE}", " ").strip().strip(_QUOTES).strip()


def number_meant(said: str, unit: str, *, whole: bool = False) -> int | float | None:
    """Return the number of ``unit`` that ``said`` gives, ``0.05`` for ``50 mV`` in V; None where it gives none.

    Three digits behind a comma are left open: ``1,250`` is a thousand to some and little more than one to others.
    """
    found = quantity(said)
    if found is None or comma_is_open(said):
        return None
    value = float(found.number) if not found.unit else converted(found.number, found.unit, unit)
    if value is None or (whole and value != int(value)):
        return None
    return int(value) if whole or (value == int(value) and "." not in said and "," not in said) else value


def comma_is_open(said: str) -> bool:
    """Tell whether a comma in ``said`` may mark thousands as well as decimals."""
    return re.search(r"(?<![\d.,])[1-9]\d{0,2},\d{3}(?!\d)", said) is not None


def _choice(key: Key, said: str) -> object | None:
    for each in key.choices:
        if said.lower() == str(each):
            return each
    number = number_meant(said, key.unit)
    return number if number in key.choices else None
