"""The marks of a session as a CSV file beside its export: the rows of an export are numbers, and marks are words.

Whoever reads the export gets them back.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from telemetry.model.errors import RecordingError, printable
from telemetry.model.events import Mark
from telemetry.model.recording import TimeBasis
from telemetry.model.time_text import utc
from telemetry.model.whole_file import write_whole
from telemetry.recordings.export.spreadsheet import FORMULA

_TIME: dict[TimeBasis, str] = {"relative": "t", "absolute": "time"}
_WORDS = ("mark", "set_by", "taken_back")


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
    rows.writerow([_TIME[basis], *_WORDS])
    for mark in sorted(marks, key=lambda each: each.t):
        at = f"{(mark.t - start) / 1e6:.6f}" if basis == "relative" else utc(mark.t)
        words = f"'{mark.text}" if mark.text.startswith(FORMULA) else mark.text
        rows.writerow([at, words, mark.by, "yes" if mark.taken_back else ""])
    write_whole(path, text.getvalue(), replace)


def read_marks(path: Path, basis: TimeBasis) -> list[Mark]:
    """Return the marks of such a file, by time.

    Args:
        path: the file.
        basis: of the recording beside it: ``t`` counts from 0, ``time`` is UTC.

    Raises:
        RecordingError: it is none, or a line of it cannot be read; nothing of it is to be used then.

    """
    file = printable(path, 200)
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            rows = csv.reader(stream)
            head = next(rows, [])
            if head != [_TIME[basis], *_WORDS]:
                raise RecordingError(f"{file}: its header is not {_TIME[basis]},{','.join(_WORDS)}; export it again")
            return sorted((_mark(row, basis) for row in rows), key=lambda mark: mark.t)
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{file}: it cannot be read: {error}; export it again") from None
    except (ValueError, OverflowError, csv.Error):
        line = rows.line_num
        raise RecordingError(f"{file}, line {line}: not a time, words, who set it, and yes or nothing") from None


def _mark(row: Sequence[str], basis: TimeBasis) -> Mark:
    at, words, by, taken_back = row
    if by not in ("operator", "program") or taken_back not in ("yes", ""):
        raise ValueError(by)
    if basis == "relative":
        t = round(1e6 * float(at))
    else:
        moment = datetime.fromisoformat(at)
        t = round((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() * 1e6)
    text = words[1:] if words[:1] == "'" and words[1:].startswith(FORMULA) else words
    return Mark(t, text, "program" if by == "program" else "operator", taken_back == "yes")
