"""``[fault_codes.SIGNAL]``: what the bits and values of a BMS's or controller's status signal mean, in words."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from telemetry.model.errors import printable
from telemetry.model.fault_names import LONGEST, MOST_BIT, FaultNames
from telemetry.model.keys import described
from telemetry.model.signals import find_signal, nearest_signals

SECTION = "fault_codes"
_KEY = re.compile(r"(bit)_(0|[1-9]\d?)|(code)_(0|[1-9]\d{0,9})", re.ASCII)
_EXAMPLE = 'write bit_4 = "cell voltage low", say, or code_17 = "throttle fault"'

Report = Callable[[str, str, str, str], None]
"""Takes section, key, what is wrong and what would be right."""


def read_fault_codes(tables: Mapping[str, Any], report: Report) -> dict[str, FaultNames]:
    """Return what the codes of each signal mean; what is wrong is reported.

    Args:
        tables: the whole machine file.
        report: takes each problem.

    """
    section = tables.get(SECTION, {})
    if not isinstance(section, dict):
        report(SECTION, "", f"is {described(section)}", f"write [{SECTION}.SIGNAL], its bits or codes below")
        return {}
    found = {}
    for signal, table in section.items():
        if not isinstance(table, dict):
            right = f"write the line [{SECTION}.SIGNAL], its bits or codes below"
            report(SECTION, signal, f"is {described(table)}", right)
        elif find_signal(signal) is None:
            near = nearest_signals(signal)
            right = f"did you mean {near[0]}?" if near else "name it as in the source, such as extra_bms_faults"
            report(f"{SECTION}.{signal}", "", "is no signal", right)
        else:
            found[signal] = _names(f"{SECTION}.{signal}", table, report)
    return {signal: names for signal, names in found.items() if names.bits or names.codes}


def _names(section: str, table: Mapping[str, Any], report: Report) -> FaultNames:
    bits: dict[int, str] = {}
    codes: dict[int, str] = {}
    for key, words in table.items():
        match = _KEY.fullmatch(key)
        if match is None or (match[1] and int(match[2]) > MOST_BIT):
            report(section, key, "is an unknown key", f"{_EXAMPLE}; bits count from 0 to {MOST_BIT}")
        elif not isinstance(words, str) or not words.strip() or len(words.strip()) > LONGEST:
            report(section, key, f"is {described(words)}", f"name the fault in 1 to {LONGEST} characters")
        elif words.strip() != printable(words.strip()):
            report(section, key, "holds characters that cannot be seen", "use letters, digits and blanks")
        elif match[1]:
            bits[int(match[2])] = words.strip()
        else:
            codes[int(match[4])] = words.strip()
    return FaultNames(bits, codes)


def fault_codes_text(names: Mapping[str, FaultNames]) -> str:
    """Return tables of a machine file that say the same, one for each signal."""
    tables = []
    for signal, said in names.items():
        lines = [f"[{SECTION}.{signal}]"]
        for kind, known in (("bit", said.bits), ("code", said.codes)):
            lines += [f"{kind}_{number} = {json.dumps(words, ensure_ascii=False)}" for number, words in known.items()]
        tables.append("\n".join(lines))
    return "\n\n".join(tables) + "\n"


def fault_codes_schema() -> dict[str, Any]:
    """Return what the section takes, as JSON Schema."""
    words = {"type": "string", "minLength": 1, "maxLength": LONGEST}
    return {
        "type": "object",
        "description": "What the fault bits and codes of a signal mean, in words",
        "additionalProperties": {
            "type": "object",
            "additionalProperties": False,
            "patternProperties": {
                r"^bit_(0|[1-9][0-9]?)$": words | {"description": "The fault that this bit means, 0 the lowest."},
                r"^code_(0|[1-9][0-9]{0,9})$": words | {"description": "The fault that this value means."},
            },
        },
    }
