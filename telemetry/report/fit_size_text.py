"""Sizes of parts for a recorded duty, as JSON and as text for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from telemetry.analysis.duty import PULLS_S, Duty
from telemetry.analysis.part_sizes import Size
from telemetry.model.time_text import length
from telemetry.report.fit_text import wrapped

HEAVIEST = (
    "A size is only as good as the recording: the heaviest duty must be in it. Record the steepest hill, the full "
    "load and the implement at once, on a warm day, and size by that drive."
)
_BEYOND = "Makers' sheets, local codes and licensed practice come before this list."


def size_object(name: str, duty: Duty | str, sizes: Sequence[Size]) -> dict[str, Any]:
    """Return the JSON object: the duty, the sizes, and what is lacking; unknown figures are None."""
    if isinstance(duty, str):
        return {"drive": name, "lacking": duty, "duty": None, "sizes": [], "caution": HEAVIEST}
    held = [{"seconds": each, "current_a": round(duty.held(each).value, 1)} for each in PULLS_S]
    figures = {"loaded_s": round(duty.loaded_s, 1), "interval_s": round(duty.interval_s, 3), "held": held}
    rows = [
        {key: round(value, 1) if isinstance(value, float) else value for key, value in asdict(size).items()}
        for size in sizes
    ]
    return {"drive": name, "lacking": "", "duty": figures, "sizes": rows, "caution": HEAVIEST}


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
