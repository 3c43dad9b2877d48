"""What a store holds: its sessions, as JSON and as a table; and what was saved of a damaged one, in plain lines."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from telemetry.model.errors import printable
from telemetry.model.time_text import local_at
from telemetry.model.words import counted
from telemetry.store.reader import SessionRecord
from telemetry.store.repair import Saved


def _moment(t: int) -> str:
    return datetime.fromtimestamp(t / 1e6, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def session_objects(records: Sequence[SessionRecord]) -> list[dict[str, Any]]:
    """Return one JSON object a session; ``ended`` is None while it is being recorded."""
    return [
        {
            "session": record.id,
            "started": _moment(record.started),
            "duration_s": round(record.duration_s, 3),
            "machine": record.machine,
            "ended": None if record.ended is None else _moment(record.ended),
            "ended_how": record.ended_how,
            "origin": record.origin,
            "values_lost": record.values_lost,
            "marks": record.marks,
        }
        for record in records
    ]


def session_lines(records: Sequence[SessionRecord]) -> list[str]:
    """Return a table of the sessions, oldest first."""
    if not records:
        return ["no session recorded yet; start with: shakedown watch --demo"]
    lines = [f"{'session':>7}  {'started':25}  {'minutes':>8}  {'marks':>5}  {'origin':7}  machine"]
    for record in records:
        how = record.ended_how if record.ended_how is not None else "being recorded"
        lost = f"{record.values_lost} values lost" if record.values_lost else ""
        notes = ", ".join(each for each in ("" if how == "normal" else how, lost) if each)
        note = f"  ({notes})" if notes else ""
        machine = printable(record.machine, 40)
        lines.append(
            f"{record.id:7}  {local_at(record.started):25}  {record.duration_s / 60:8.1f}  {record.marks:5}"
            f"  {record.origin:7}  {machine}{note}"
        )
    return lines


def repair_lines(saved: Saved, damaged: Path, out: Path) -> list[str]:
    """Return the lines that ``repair`` prints."""
    what = [
        counted(saved.sessions, "session"),
        counted(saved.values, "value"),
        counted(saved.events, "event"),
        f"{counted(saved.raw_blocks, 'block')} of raw bytes",
    ]
    lines = [f"saved: {', '.join(what)}"]
    if saved.unnamed:
        lines.append(f"{counted(saved.unnamed, 'session')} lost name and machine file, but not all rows")
    if saved.lost_rows or saved.tables_broken:
        lost = f"at least {counted(saved.lost_rows, 'row')}" if saved.lost_rows else "not known how many rows"
        lines.append(f"lost: {lost}; {counted(saved.tables_broken, 'table')} could not be read whole")
    else:
        lines.append("lost: nothing that was found missing")
    lines.append("Damage that changed a figure and nothing else cannot be seen.")
    lines.append(
        f"{printable(out, 200)} holds what was saved; use it with --store. {printable(damaged, 200)} is unchanged."
    )
    return lines
