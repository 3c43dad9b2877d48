"""The keys of the machine file as Markdown tables, for the documentation: nothing is written twice."""

from __future__ import annotations

from telemetry.machine.sections import SECTIONS, section_keys
from telemetry.model.tables import key_rows

_TITLES = {
    "pack": "the battery now in the machine",
    "wiring": "the cable from pack to controller",
    "charge_wiring": "the cable from charger to pack; the same keys",
    "machine": "the machine, above all its motor controller",
    "charger": "the charger",
    "work": "what the machine does, and what that costs",
    "instruments": "how far the readings may be off",
    "source": "where readings come from; one for each device",
    "limits": "your numbers in place of ours, for one limit",
}


def document_keys() -> str:
    """Return every section with a table of its keys, as docs/machine-file.md contains it."""
    parts = []
    for section in SECTIONS:
        header = {"source": "[[source]]", "limits": "[limits.NAME]"}.get(section, f"[{section}]")
        parts.append(f"### `{header}`: {_TITLES[section]}\n")
        if section == "charge_wiring":
            parts.append("See `[wiring]`.\n")
            continue
        parts += [*key_rows(section_keys(section)), ""]
    return "\n".join(parts)
