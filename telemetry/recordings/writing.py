"""Writing a recording to a file that can be opened as a recording again, with the same values to the last bit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from dataclasses import replace as replaced
from pathlib import Path
from typing import IO, Literal, Protocol, Self, get_args

from telemetry.model.batch import Times, Values
from telemetry.model.errors import InputError, printable
from telemetry.model.events import Mark
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.recordings.export.arrow_sinks import BdfSink, OwnSink
from telemetry.recordings.export.open_formats import GpxSink, JsonLinesSink
from telemetry.recordings.table import Table

_SPAN_ROWS = 16384
_NAMED = 6
# What a spreadsheet takes for a formula when a cell begins with it; no identifier does.
_HEADER_START = frozenset("abcdefghijklmnopqrstuvwxyz")


def write_recording(
    recording: Recording,
    path: Path,
    time_basis: TimeBasis | None = None,
    *,
    replace: bool = False,
    warn: Callable[[str], None] | None = None,
    about: About | None = None,
) -> int:
    """Write ``recording`` to ``path`` in the format its suffix names, one row an instant; return the rows written.

    The file appears under its name only when it is whole. Unknown values are empty cells (nulls in Parquet). Times
    are ``time``, UTC with microseconds, or ``t``, seconds from the start. Every row has all six digits, so that
    whoever reads the file elsewhere meets one form.

    Args:
        recording: what to write.
        path: its name ends in one of ``WRITTEN``.
        time_basis: None keeps the recording's own; an absolute one can also be written as relative.
        replace: whether a file that is there already may be replaced.
        warn: called with a sentence for each signal that could not keep its name, and one for those left out.
        about: what goes along where the format has a place for it.

    Raises:
        InputError: the suffix is none of ours, the file exists, its folder is missing or cannot be written, the disk
            is full, or the recording has no signals, or no dates where dates are asked for.

    """
    suffix = written_format(path)
    file = printable(path, 200)
    basis = time_basis or recording.time_basis
    if basis == "absolute" and recording.time_basis == "relative":
        raise InputError(f"{file}: the recording's dates are not known; write it with times relative to its start")
    table = Table.of(recording.groups)
    if not table.names:
        raise InputError(f"{file}: the recording holds no signals, so there is nothing to write")
    assert all(name[0] in _HEADER_START for name in table.names), "columns are checked identifiers"
    for warning in table.warnings:
        if warn is not None:
            warn(warning)
    origin = recording.start if basis == "relative" else 0
    written = 0
    known = replaced(about or About(), start=recording.start)
    with whole_or_not_at_all(path, replace) as stream, _sink(stream, suffix, basis, table, known) as sink:
        for span in recording.spans(_SPAN_ROWS):
            t, values = table.rows(span)
            if len(t):
                written += sink.write(t - origin, values)
    if sink.left_out and warn is not None:
        named = ", ".join(sink.left_out[:_NAMED]) + (
            f" and {more} more" if (more := len(sink.left_out) - _NAMED) > 0 else ""
        )
        warn(f"{file}: left out, for the format has no place for it: {named}")
    return written


@dataclass(frozen=True)
class About:
    """What goes along with the rows.

    Attributes:
        metadata: texts by name, for Parquet: session, machine file, marks, alarms.
        marks: for a track.
        start: of the recording, int microseconds.

    """

    metadata: Mapping[str, str] | None = None
    marks: tuple[Mark, ...] = ()
    start: int = 0


class Sink(Protocol):
    """Takes rows and writes them; ``left_out`` are the columns that its format has no place for."""

    left_out: tuple[str, ...]

    def __enter__(self) -> Self: ...

    def __exit__(self, *failure: object) -> None: ...

    def write(self, t: Times, values: Values) -> int:
        """Write rows, ``t`` in microseconds from 1970 or from the start; return how many the format takes."""


Written = Literal[".csv", ".csv.gz", ".parquet", ".jsonl", ".jsonl.gz", ".bdf.csv", ".bdf.parquet", ".gpx"]
WRITTEN: tuple[Written, ...] = get_args(Written)


def written_format(path: Path) -> Written:
    """Return the format that the end of the name of ``path`` asks for.

    Raises:
        InputError: it asks for none.

    """
    for suffix in sorted(WRITTEN, key=len, reverse=True):
        if path.name.lower().endswith(suffix):
            return suffix
    raise InputError(f"{printable(path, 200)}: the name must end in {', '.join(WRITTEN)}, .mf4, .xlsx or .sqlite3")


def _sink(stream: IO[bytes], suffix: Written, basis: TimeBasis, table: Table, about: About) -> Sink:
    names = table.names
    match suffix:
        case ".jsonl" | ".jsonl.gz":
            return JsonLinesSink(stream, basis, names, packed=suffix.endswith(".gz"))
        case ".gpx":
            return GpxSink(stream, basis, names, about.marks)
        case ".bdf.csv" | ".bdf.parquet":
            return BdfSink(stream, suffix, basis, names, about.start)
    return OwnSink(stream, suffix, basis, names, about.metadata)
