"""Which sessions of a store are guided drives of a machine: it is known by its id, they by their marks."""

from __future__ import annotations

from pathlib import Path

from telemetry.guided.steps import LED
from telemetry.model.toml_text import parse_toml
from telemetry.store.reader import StoreReader


def guided_sessions(store: Path, identity: str) -> list[int]:
    """Return the numbers of the guided drives of the machine with that id, in order; empty without a store.

    Raises:
        StoreError: the store cannot be read.
    """
    if not store.exists():
        return []
    with StoreReader.open(store) as reader:
        marks = reader.mark_texts()
        return [
            record.id
            for record in reader.sessions()
            if any(text.startswith(LED) for text in marks.get(record.id, ()))
            and _identity(record.machine_text) == identity
        ]


def _identity(machine_text: str | None) -> str | None:
    """Return the id that a recorded machine file states; None where it states none."""
    try:
        section = parse_toml(machine_text or "").get("machine", {})
    except ValueError:
        return None
    return str(section["id"]) if isinstance(section, dict) and "id" in section else None
