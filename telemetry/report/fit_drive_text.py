"""What a drive says of the parts: what it measured beside what is stated, and sizes for its duty; JSON and text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from telemetry.analysis.duty import PULLS_S, Duty
from telemetry.analysis.part_sizes import Size
from telemetry.machine.fit.measured import Drive
from telemetry.machine.sections import Machine
from telemetry.model.time_text import clock, length
from telemetry.report.figure_object import as_object, rounded
from telemetry.report.fit_text import wrapped
from telemetry.report.part_row import PartRow, with_unit

HEAVIEST = (
    "A size is only as good as the recording: the heaviest duty must be in it. Record the steepest hill, the full "
    "load and the implement at once, on a warm day, and size by that drive."
)
_BEYOND = "Makers' sheets, local codes and licensed practice come before this list."


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


def size_object(name: str, duty: Duty | str, sizes: Sequence[Size]) -> dict[str, Any]:
    """Return the JSON object: the duty, the sizes, and what is lacking; unknown figures are None."""
    if isinstance(duty, str):
        return {"drive": name, "lacking": duty, "duty": None, "sizes": [], "caution": HEAVIEST}
    held = [{"seconds": each, "current_a": round(duty.held(each).value, 1)} for each in PULLS_S]
    figures = {"loaded_s": round(duty.loaded_s, 1), "interval_s": round(duty.interval_s, 3), "held": held}
    return {"drive": name, "lacking": "", "duty": figures, "sizes": as_object(rounded(sizes, 1)), "caution": HEAVIEST}


def size_lines(name: str, duty: Duty | str, sizes: Sequence[Size]) -> list[str]:
    """Return the text: each part with its size, reason, margin and source."""
    if isinstance(duty, str):
        return [f"{name}: no sizes: {duty}.", *wrapped(HEAVIEST, "")]
    lines = [f"Sizes for the duty of {name}, {length(duty.loaded_s)} under load", *wrapped(HEAVIEST, "")]
    for size in sizes:
        lines += ["", f"{size.part}: {_figure(size)}", *wrapped(size.why, "    ")]
        if size.least is not None and size.kind != "conductor":
            lines += wrapped(f"Margin: {size.margin}.", "    ")
            lines += wrapped(f"Source: {size.source}.", "    ")
    conductors = [size for size in sizes if size.kind == "conductor" and size.least is not None]
    if conductors:
        sources = dict.fromkeys(
            part.partition(" (row ")[0] for size in conductors for part in size.source.split("; ")
        )
        lines += ["", *wrapped(f"Conductors: margin {conductors[0].margin}.", "")]
        lines += [line for source in sources for line in wrapped(source, "  ", "- ")]
    return [*lines, "", *wrapped(_BEYOND, "")]


def _figure(size: Size) -> str:
    if size.least is None:
        return "not known"
    least = f"{size.least:.0f}" if size.least >= 10 else f"{size.least:.2g}"
    time = "" if size.seconds is None else f" for {length(size.seconds)}"
    if size.most is not None:
        return f"{least} to {size.most:.0f} {size.unit}{time}"
    return f"at least {least} {size.unit}{time}"
