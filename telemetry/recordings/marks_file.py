"""The marks of a session as a CSV file beside its export: the rows of an export are numbers, and marks are words."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from telemetry.model.events import Mark
from telemetry.model.recording import TimeBasis
from telemetry.model.time_text import utc
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.recordings.export.spreadsheet import FORMULA


def marks_path(export: Path) -> Path:
    """Return where the marks of an export belong: ``mow.marks.csv`` beside ``mow.csv.gz``."""
    whole = export.name.removesuffix(".gz")
    return export.with_name(f"{Path(whole).stem}.marks.csv")


def write_marks(marks: Sequence[Mark], path: Path, basis: TimeBasis, start: int, *, replace: bool) -> None:
    """Write ``marks`` with the times of the export: ``time`` in UTC, or ``t`` in seconds from ``start``.

    The columns after the time are the words, who set the mark (``operator`` or ``program``), and ``yes`` where the
    operator took it back. Words that a spreadsheet would take for a formula get an apostrophe before them.

    Raises:
        InputError: the file exists and ``replace`` is false, or it cannot be written.

    """
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["t" if basis == "relative" else "time", "mark", "set_by", "taken_back"])
    for mark in sorted(marks, key=lambda each: each.t):
        at = f"{(mark.t - start) / 1e6:.6f}" if basis == "relative" else utc(mark.t)
        words = f"'{mark.text}" if mark.text.startswith(FORMULA) else mark.text
        rows.writerow([at, words, mark.by, "yes" if mark.taken_back else ""])
    with whole_or_not_at_all(path, replace) as stream:
        stream.write(text.getvalue().encode())
