"""Sessions and recordings out to files: which part, how often, in which format, and what goes along."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.alarms.figures import Excursion, episodes_of
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.model.errors import InputError
from telemetry.model.events import AlarmChange, Event, Mark
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.whole_file import check_free, whole_or_not_at_all
from telemetry.recordings.export.events_table import Happened, write_events
from telemetry.recordings.export.intervals import Intervals, intervals_of
from telemetry.recordings.export.mdf_file import write_mdf
from telemetry.recordings.export.selection import Selection
from telemetry.recordings.export.spreadsheet import Note, write_spreadsheet
from telemetry.recordings.marks_file import marks_path, write_marks
from telemetry.recordings.writing import About, write_recording
from telemetry.runs.bundle import Content
from telemetry.runs.progress import Progress
from telemetry.store.one_session import write_one_session
from telemetry.store.reader import SessionRecord, StoreReader
from telemetry.store.stored_recording import StoredRecording

_SPREADSHEETS = (".csv", ".csv.gz", ".xlsx")
_EVERY_S = 1.0
"""Interval of a spreadsheet where none is asked for."""
Warn = Callable[[str], None]


@dataclass(frozen=True)
class Part:
    """What of a recording is written, and how.

    Attributes:
        every_s: length of an interval; None: every row as it was measured.
        signals: names or patterns; none: all.
        derived: with what was computed while it was recorded.
        begin_s, stop_s: from and to, seconds from the start.
        imperial: speed in mph and temperature in °F in a spreadsheet.
        lags: how much later each source is, microseconds.

    """

    every_s: float | None = None
    signals: tuple[str, ...] = ()
    derived: bool = False
    begin_s: float | None = None
    stop_s: float | None = None
    imperial: bool = False
    lags: dict[str, int] | None = None


@dataclass(frozen=True)
class Exported:
    """What was written: rows, and marks in a file beside."""

    rows: int
    marks: int = 0
    marks_path: Path | None = None


def export(
    recording: Recording, out: Path, part: Part, *, replace: bool, warn: Warn, progress: Progress | None = None
) -> Exported:
    """Write ``recording`` to ``out`` in the format that the end of its name asks for, and tell ``progress``.

    Raises:
        InputError: the name asks for none, the file is there already, or the format cannot hold this recording.

    """
    name = out.name.lower()
    if name.endswith((".sqlite3", ".sqlite")):
        return Exported(_one_session(recording, out, replace))
    every_s = part.every_s or (_EVERY_S if name.endswith(".xlsx") else None)
    notes = _notes(recording)
    marks = tuple(note for note in notes if isinstance(note, Mark))
    beside = marks_path(out)
    writes_marks = bool(marks) and every_s is None and name.endswith((".csv", ".csv.gz", ".parquet"))
    if writes_marks:
        check_free(beside, replace)
    computed = part.derived or every_s is not None
    whole = recording.with_derived() if computed and isinstance(recording, StoredRecording) else recording
    chosen: Recording = Selection(whole, _moment(whole, part.begin_s), _moment(whole, part.stop_s), part.signals)
    if progress is not None:
        chosen = progress.watched(chosen, whole.end if isinstance(whole, StoredRecording) else None)
    if every_s is None:
        if name.endswith(".mf4"):
            return Exported(write_mdf(chosen, out, happened(notes), replace=replace))
        if part.lags or part.imperial:
            raise InputError("--align and --units imperial need a table of equal intervals; add --every 1s")
        rows = write_recording(chosen, out, replace=replace, warn=warn, about=_about(recording, notes))
    else:
        table = intervals_of(chosen, round(every_s * MICROSECONDS), part.lags)
        rows = len(table.t)
        if name.endswith(".mf4"):
            rows = write_mdf(_Even(table, chosen), out, happened(notes), replace=replace)
        elif name.endswith(_SPREADSHEETS) and not name.endswith(".bdf.csv"):
            said = list(_said(notes))
            basis, start = recording.time_basis, recording.start
            write_spreadsheet(table, said, out, basis, start, imperial=part.imperial, replace=replace)
        else:
            evened = _Even(table, chosen)
            rows = write_recording(evened, out, replace=replace, warn=warn, about=_about(recording, notes))
    if not writes_marks:
        return Exported(rows)
    write_marks(marks, beside, recording.time_basis, recording.start, replace=replace)
    return Exported(rows, len(marks), beside)


def _moment(recording: Recording, seconds: float | None) -> int | None:
    return None if seconds is None else recording.start + round(seconds * MICROSECONDS)


class _Even:
    """Rows of equal intervals as a :class:`Recording`, for formats that take one."""

    def __init__(self, table: Intervals, whole: Recording) -> None:
        self._table = table
        self.name, self.start, self.warnings = whole.name, whole.start, whole.warnings
        self.time_basis: TimeBasis = whole.time_basis
        self.machine_text = whole.machine_text
        self.groups = (Group("recording", "recording", table.names),)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        table = self._table
        for at in range(0, len(table.t), rows):
            t = table.t[at : at + rows]
            yield Span(int(t[-1]), (Batch(self.groups[0], t, table.values[at : at + rows]),))


def _notes(recording: Recording) -> list[AlarmChange | Mark]:
    """Return the marks of a session and what happened to its alarms; nothing of a file."""
    if not isinstance(recording, StoredRecording):
        return []
    with StoreReader.open(recording.path) as reader:
        return [event for event in reader.events(recording.session) if isinstance(event, AlarmChange | Mark)]


def _said(notes: Sequence[AlarmChange | Mark]) -> Iterator[Note]:
    """Give the words for a table: alarms while a limit was exceeded, marks at their moment."""
    for note in notes:
        if isinstance(note, Mark) and not note.taken_back:
            yield Note("marks", note.t, note.t + 1, note.text or "mark")
    for each in excursions(notes):
        yield Note("alarms", each.began, each.began + round(each.lasted_s * MICROSECONDS), each.limit)


def excursions(notes: Sequence[AlarmChange | Mark]) -> list[Excursion]:
    """Return each stretch of a session in which a limit was exceeded."""
    changes = [note for note in notes if isinstance(note, AlarmChange)]
    end = max((change.t for change in changes), default=0)
    return [each for episode in episodes_of(changes, end) for each in episode.excursions]


def happened(events: Sequence[Event]) -> list[Happened]:
    """Return the alarms and marks among events, for formats that have a place for them."""
    notes = [event for event in events if isinstance(event, AlarmChange | Mark)]
    found = [Happened("alarm", each.began, each.lasted_s, each.limit) for each in excursions(notes)]
    marks = [each for each in notes if isinstance(each, Mark) and not each.taken_back]
    return found + [Happened("mark", mark.t, 0.0, mark.text) for mark in marks]


def _about(recording: Recording, notes: Sequence[AlarmChange | Mark]) -> About:
    """Return what goes along in Parquet: how the session was called, its machine file, marks and alarms."""
    marks = tuple(note for note in notes if isinstance(note, Mark) and not note.taken_back)
    texts = {"recording": recording.name, "machine_file": recording.machine_text or ""}
    texts["marks"] = json.dumps([{"t_us": mark.t, "text": mark.text, "by": mark.by} for mark in marks])
    alarms = [{"t_us": each.began, "seconds": each.lasted_s, "limit": each.limit} for each in excursions(notes)]
    texts["alarms"] = json.dumps(alarms)
    return About({name: text for name, text in texts.items() if text not in ("", "[]")}, marks)


def _one_session(recording: Recording, out: Path, replace: bool) -> int:
    """Write a stored session as a store of its own, whole."""
    if not isinstance(recording, StoredRecording):
        raise InputError(f"{recording.name} is no session; import it first, or name a file of another format")
    with TemporaryDirectory(prefix="shakedown-") as folder, StoreReader.open(recording.path) as reader:
        content = Content(reader, reader.session(recording.session), positions=True, names=True)
        path = Path(folder) / "session.sqlite3"
        write_one_session(path, content.record(), content.drivers, content.spans(), content.ledger())
        with whole_or_not_at_all(out, replace) as stream, path.open("rb") as whole:
            shutil.copyfileobj(whole, stream)
    return sum(len(batch) for span in recording.spans() for batch in span.batches)


@dataclass(frozen=True)
class Written:
    """One session of the data set; ``rows`` is 0 where it was there already."""

    session: int
    rows: int
    path: Path


def write_data_set(store: Path, folder: Path) -> Iterator[Written]:
    """Write each finished session of ``store`` that ``folder`` lacks; give each as it is done.

    Raises:
        InputError: a file cannot be written.
        StoreError: the store cannot be read.

    """
    with StoreReader.open(store) as reader:
        for record in reader.sessions():
            if record.ended is None or record.origin == "bench":
                continue
            rows, events = (folder / table / _part(record) for table in ("rows", "events"))
            if rows.exists() and events.exists():
                yield Written(record.id, 0, rows)
                continue
            recording = reader.recording(record.id).with_derived()
            if not recording.groups:
                continue
            for path in (rows, events):
                path.parent.mkdir(parents=True, exist_ok=True)
            write_events(events, record.id, happened(reader.events(record.id)))
            count = write_recording(recording, rows, replace=True)
            yield Written(record.id, count, rows)


def _part(record: SessionRecord) -> Path:
    """Return where a session belongs; partitions are named as Hive does, which all engines read."""
    machine = re.sub(r"[^\w.-]+", "_", record.machine).strip("_") or "unnamed"
    month = datetime.fromtimestamp(record.started / 1e6, UTC).strftime("%Y-%m")
    return Path(f"machine={machine}", f"month={month}", f"session-{record.id}.parquet")
