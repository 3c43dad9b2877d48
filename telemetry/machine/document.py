"""The keys of the machine file as Markdown tables, for the documentation: nothing is written twice."""

from __future__ import annotations

from telemetry.machine.sections import SECTIONS, TITLES, section_keys
from telemetry.model.keys import header_of
from telemetry.model.tables import key_rows


def document_keys() -> str:
    """Return every section with a table of its keys, as docs/machine-file.md contains it."""
    parts = []
    for section in SECTIONS:
        parts.append(f"### `{header_of(section)}`: {TITLES[section]}\n")
        if section == "charge_wiring":
            parts.append("See `[wiring]`.\n")
            continue
        parts += [*key_rows(section_keys(section)), ""]
    return "\n".join(parts)
