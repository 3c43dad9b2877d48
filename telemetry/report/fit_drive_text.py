"""What a drive measured beside what the machine file states, as JSON and as text for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from telemetry.machine.fit.measured import Drive
from telemetry.machine.sections import Machine
from telemetry.model.time_text import clock
from telemetry.report.fit_text import wrapped
from telemetry.report.part_row import PartRow, with_unit


def drive_object(machine: Machine, name: str, drive: Drive, rows: Sequence[PartRow]) -> dict[str, Any]:
    """Return the JSON object of a drive: what was measured, what was seen, and why it is too little."""
    measured = [
        {
            "section": each.section,
            "key": each.name,
            "label": each.label,
            "measured": each.value,
            "stated": each.stated(machine),
            "what": each.words,
            "checks": list(each.checks),
        }
        for each in drive.measured
    ]
    seen = [
        {"part": row.part, "seen": row.seen, "at_s": row.at_s, "limit": row.limit, "unit": row.unit} for row in rows
    ]
    return {"name": name, "loaded": drive.loaded, "lacking": drive.lacking, "measured": measured, "seen": seen}


def drive_lines(machine: Machine, name: str, drive: Drive, rows: Sequence[PartRow]) -> list[str]:
    """Return the text: each measured figure beside the stated one, then what the drive reached."""
    lines = ["", f"Measured in {name}"]
    for each in drive.measured:
        lines += wrapped(f"{each.label}: {each.beside(machine)}", "  ", "- ")
    for row in rows:
        at = "" if row.at_s is None else f" at {clock(row.at_s)}"
        limit = "" if row.limit is None else f", limit {with_unit(row.limit, row.unit)}"
        likely = " (predicted)" if row.predicted else ""
        lines += wrapped(f"{row.part}: {row.seen}{at}{limit}{likely}", "  ", "- ")
    lines += wrapped(f"- {drive.loaded}", "  ", "") if drive.loaded else []
    if drive.lacking:
        lines += wrapped(
            f"The drive cannot fill in what the file lacks: {drive.lacking}.",
            "  ",
        )
    else:
        lines += wrapped("A drive shows what the machine drew, not the most that it can draw.", "  ")
    return lines
