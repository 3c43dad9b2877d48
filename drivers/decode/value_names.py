"""What the names of a catalogue's value table say: no reading, a fault, or neither. Common practice, from memory."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from telemetry.model.errors import printable
from telemetry.model.fault_names import LONGEST, FaultNames

from .can_signals import Take

_NO_READING = re.compile(
    r"not[ _-]?avail|unavail|\bsna\b|^n/?a$|^invalid|^error|^reserved|no[ _-]?data", re.IGNORECASE
)
_ERROR_OF = re.compile(r"^error[ _:-]+(?!(indicator|value|code|state)\b)\w", re.IGNORECASE)
_OF_FAULTS = re.compile(r"fault|err(or)?s?(?![a-z])|alarm|warn|trip(?![a-z])|fail|dtc|diag", re.IGNORECASE)
_FAULT = re.compile(
    r"fault|\berrors?\b|alarm|warning|\btrip(ped)?\b|fail|short[ _-]?circuit|(over|under)[ _-]?"
    r"(volt|temp|curr|load|heat|charg|discharg|speed)|lockout|emergency",
    re.IGNORECASE,
)
_NO_FAULT = re.compile(
    r"^(none|no|ok(ay)?|normal|good|healthy|clear(ed)?|off|false|inactive|idle|ready|init\w*|unused|spare|unknown)$"
    r"|^no[ _-]|\b(not|non|without|free)\b|_free$|free$|^0$",
    re.IGNORECASE,
)
_LEAST_BITS = 3


def is_no_reading(said: str, signal: str) -> bool:
    """Tell whether a value of ``signal`` so named is no reading; *error: cell low* of a fault signal is one."""
    if _OF_FAULTS.search(signal) and _ERROR_OF.search(said):
        return False
    return bool(_NO_READING.search(said))


def fault_names(takes: Iterable[Take]) -> dict[str, FaultNames]:
    """Return what the values of the signals taken as ``extra_...`` mean, as far as they name faults.

    Of a signal whose own name speaks of faults every named value is one but for *none*, *OK* and the like; of any
    other those whose words say so. Where each is a power of two, and there are three or more, they are bits.
    """
    found = {}
    for take in takes:
        if take.signal.startswith("extra_") and take.field.names:
            where = take.field
            named = {n: said for n, said in where.names if n not in where.unknown | take.unknown}
            scales = ((where.scale, where.offset), (take.scale, take.offset))
            names = names_of(f"{where.name} {take.signal}", named, scales)
            if names.bits or names.codes:
                found[take.signal] = names
    return found


def names_of(signal: str, named: Mapping[int, str], scales: Iterable[tuple[float, float]] = ()) -> FaultNames:
    """Return the faults among the names of a signal's numbers.

    Args:
        signal: what it is called.
        named: words by number.
        scales: scale and offset of each step from the number to the value that is recorded.

    """
    of_faults = bool(_OF_FAULTS.search(signal))
    scales = tuple(scales)
    faults = {count: words for count, said in named.items() if _is_fault(said, of_faults) and (words := _words(said))}
    as_it_is = all(step == (1.0, 0.0) for step in scales)
    if as_it_is and len(faults) >= _LEAST_BITS and all(count > 0 and not count & (count - 1) for count in faults):
        return FaultNames(bits={count.bit_length() - 1: words for count, words in faults.items()})
    return FaultNames(codes=_by_value(scales, faults))


def _by_value(scales: Iterable[tuple[float, float]], faults: Mapping[int, str]) -> dict[int, str]:
    """Return faults by the value that is recorded; one that is no whole number from 0 on cannot be named."""
    found = {}
    for count, words in faults.items():
        value = float(count)
        for scale, offset in scales:
            value = value * scale + offset
        if value >= 0 and value == int(value):
            found[int(value)] = words
    return found


def _is_fault(said: str, of_faults: bool) -> bool:
    if _NO_FAULT.search(said.strip()) or not said.strip():
        return False
    return of_faults or bool(_FAULT.search(said))


def _words(said: str) -> str:
    """Return a name as words: ``CELL_OVER_VOLTAGE`` becomes ``cell over voltage``."""
    words = " ".join(printable(said, 400).replace("_", " ").split())
    words = words.lower() if words.isupper() else words
    return printable(words, LONGEST)
