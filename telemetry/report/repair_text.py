"""What was saved of a damaged store, and what was lost, in plain lines."""

from __future__ import annotations

from pathlib import Path

from telemetry.model.errors import printable
from telemetry.store.repair import Saved


def repair_lines(saved: Saved, damaged: Path, out: Path) -> list[str]:
    """Return the lines that ``repair`` prints."""
    what = [
        _counted(saved.sessions, "session"),
        _counted(saved.values, "value"),
        _counted(saved.events, "event"),
        f"{_counted(saved.raw_blocks, 'block')} of raw bytes",
    ]
    lines = [f"saved: {', '.join(what)}"]
    if saved.unnamed:
        lines.append(f"{_counted(saved.unnamed, 'session')} lost name and machine file, but not all rows")
    if saved.lost_rows or saved.tables_broken:
        lost = f"at least {_counted(saved.lost_rows, 'row')}" if saved.lost_rows else "not known how many rows"
        lines.append(f"lost: {lost}; {_counted(saved.tables_broken, 'table')} could not be read whole")
    else:
        lines.append("lost: nothing that was found missing")
    lines.append("Damage that changed a figure and nothing else cannot be seen.")
    lines.append(
        f"{printable(out, 200)} holds what was saved; use it with --store. {printable(damaged, 200)} is unchanged."
    )
    return lines


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
