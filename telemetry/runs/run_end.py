"""What is said when a run has ended: where it was kept, what to do next, and that nothing arrived."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from telemetry.machine.machine_file import SourceSettings
from telemetry.model.errors import LinkSilent, printable
from telemetry.pipeline.snapshot import Snapshot
from telemetry.store.place import default_store_path


def has_values(snapshot: Snapshot) -> bool:
    """Return whether any measured value arrived."""
    return any(reading.source != "derived" for reading in snapshot.readings.values())


def kept(session: int | None, store: Path | None, next_command: bool) -> dict[str, Any]:
    """Return what the summary says of the recording: ``store``, its path, and ``next``, a command; else None.

    Args:
        session: its number; None where it was not recorded.
        store: where it was recorded.
        next_command: whether there is something to report on.

    """
    if session is None or store is None:
        return {"store": None, "next": None}
    where = "" if store == default_store_path() else f" --store {shlex.quote(str(store))}"
    return {"store": str(store), "next": f"shakedown report {session}{where}" if next_command else None}


def kept_lines(summary: Mapping[str, Any]) -> list[str]:
    """Return the same as plain lines; none where nothing was recorded."""
    if summary["store"] is None:
        return []
    lines = [f"kept as session {summary['session']} in {printable(summary['store'], 300)}"]
    return lines if summary["next"] is None else [*lines, f"next: {summary['next']}"]


def nothing_arrived(sources: Sequence[SourceSettings], snapshot: Snapshot) -> LinkSilent:
    """Return the error of a live run in which no value arrived: each source, why, and the remedy."""
    silent = []
    for source in sources:
        link = snapshot.links.get(source.name)
        why = f" ({printable(link.why, 400)})" if link is not None and link.why else ""
        silent.append(f"{printable(source.name)}{why}")
    return LinkSilent(
        f"no value arrived from {' or '.join(silent)}; check power, cable and the settings under [[source]];"
        " shakedown sources --try listens and says what speaks where"
    )
