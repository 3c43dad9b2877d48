"""Brings recordings that another logger wrote into the store, each as a session of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.machine.machine_file import Machine
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import InputError, RecordingError, StoreError, printable
from telemetry.model.questions import Ask, asked
from telemetry.model.recording import Recording
from telemetry.recordings.clock_set import with_clock_set
from telemetry.recordings.foreign.column_map import ColumnMap, keep_map, kept_maps
from telemetry.recordings.foreign.find_signals import sign_in
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.other_tables import plain_table
from telemetry.recordings.foreign.parquet_cells import is_parquet
from telemetry.recordings.foreign.proposal import Proposal
from telemetry.recordings.foreign.propose import layout_in, proposed
from telemetry.recordings.reading import FORMATS, open_recording
from telemetry.recordings.without_impossible import WithoutImpossible
from telemetry.runs.link_recording import link_recording, may_be_log, text_log_recording
from telemetry.runs.progress import Progress

if TYPE_CHECKING:
    from telemetry.store.reader import SessionRecord

FIRST_ROWS = 3
_SAME_S = 2.0
_TABLES = (*FORMATS, ".gpx", ".jsonl", ".jsonl.gz", ".xlsx")
STORES = (".sqlite3", ".sqlite", ".db")


@dataclass
class Opened:
    """A file that can become a session.

    Attributes:
        recording: as it would be stored.
        column_map: how its columns are read; None where it is a recording of ours.
        machine: what it says the machine is called.
        began: when it says it began, where its rows have no dates.
        is_log: it is a device log, decoded by the machine file's sources.
        is_text: it is a table in text, laid out as the map says.
        sources: the file's own name of each signal, where a column map gives another.
        is_new: the map was proposed just now.
        doubts: by column, what was taken to be so and might not be.
        assumed: what was assumed in place of an answer.

    """

    recording: Recording
    column_map: ColumnMap | None = None
    machine: str = ""
    began: int | None = None
    is_log: bool = False
    is_text: bool = False
    is_new: bool = False
    doubts: dict[str, str] = field(default_factory=dict)
    assumed: list[str] = field(default_factory=list)
    sources: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.sources = self.recording.own_names if isinstance(self.recording, MappedTable) else {}
        self.recording = with_clock_set(WithoutImpossible(self.recording))

    @property
    def first_rows(self) -> Batch:
        """The first rows as they are read."""
        batches = (batch for span in self.recording.spans(FIRST_ROWS) for batch in span.batches)
        return next(batches).rows(0, FIRST_ROWS)


def maps_of(store: Path) -> Path:
    """Return the folder of the column maps that go with a store."""
    return store.parent / "column-maps"


def known_table(path: Path, store: Path) -> MappedTable | None:
    """Return the file as a recording where a kept column map fits it."""
    found = _kept(path, store)
    return None if found is None else found[0]


def _kept(table: Path, store: Path, called: Path | None = None) -> tuple[MappedTable, ColumnMap] | None:
    """Return the table as the first kept map of its header that can read its times, and that map."""
    try:
        maps = list(kept_maps(layout_in(table, called).header, maps_of(store)))
    except RecordingError:
        return None
    for path, each in maps:
        with suppress(RecordingError):
            found = MappedTable(table, each, called)
            if sign_in(found)[0]:
                found.doubts = (_against_voltage(found, path),)
            return found, each
    return None


def _against_voltage(found: MappedTable, path: Path) -> str:
    current = printable(found.own_names["pack_current"])
    return (
        f"{found.file}: the sign of {current} is that of the column map {printable(path, 200)}, but voltage rises"
        " with it, so positive seems to mean charging. All energy would be the wrong way round: compare with what the"
        " machine did, and if it is so, turn the sign of its scale in that map and read the file again"
    )


def opened(
    path: Path,
    store: Path,
    given: ColumnMap | None,
    ask: Ask | None,
    folder: Path,
    machine: Machine | None = None,
) -> Iterator[Opened]:
    """Open a file to be imported; it gives one recording, a store as many as it has finished sessions.

    Args:
        path: the file.
        store: the maps kept beside it are tried first; one counts that can read the file's times.
        given: the map to use; None: a kept one, else one proposed from the file.
        ask: asks what the file cannot tell; None: the usual is assumed.
        folder: where a table that is neither text nor Parquet is written out.
        machine: its sources decode what was kept of a link.

    Raises:
        InputError, RecordingError: it cannot be read, with the reason.

    """
    if path.is_dir():
        raise InputError(f"{printable(path, 200)}: it is a folder; name the file in it")
    if not path.is_file():
        raise InputError(f"there is no file {printable(path, 200)}; check the name and the folder")
    if not path.stat().st_size:
        raise RecordingError(f"{printable(path, 200)}: the file is empty; record or export it again")
    if path.name.lower().endswith(STORES):
        yield from _sessions_of(path)
        return
    is_table = path.name.lower().endswith(_TABLES)
    if given is None:
        with suppress(InputError, RecordingError):
            yield Opened(open_recording(path))
            return
        if not is_table and (log := link_recording(path, machine)) is not None:
            yield Opened(log, is_log=True)
            return
    table = plain_table(path, folder)
    is_text = table == path and not is_parquet(path)
    known = _kept(table, store, path) if given is None else (MappedTable(table, given, path), given)
    if known is not None:
        yield Opened(*known, is_text=is_text)
        return
    as_log = ""
    try:
        if not is_table and (log := text_log_recording(path, machine)) is not None:
            yield Opened(log, is_log=True)
            return
        if not is_table and machine is None and may_be_log(path):
            as_log = "; if a device sent its lines, give --machine FILE with its [[source]]"
    except InputError as error:
        as_log = f"; as lines of a device: {error}"
    try:
        proposal = proposed(table, path)
    except RecordingError as error:
        raise RecordingError(f"{error}{as_log}") from None
    assumed = _settle(proposal, ask)
    recording = MappedTable(table, proposal.column_map, path)
    yield Opened(
        recording,
        proposal.column_map,
        is_text=is_text,
        is_new=True,
        doubts=proposal.doubts,
        assumed=assumed,
    )


def _sessions_of(path: Path) -> Iterator[Opened]:
    """Give the finished sessions of another store."""
    from telemetry.store.reader import StoreReader

    try:
        reader = StoreReader.open(path)
    except StoreError as error:
        raise InputError(str(error)) from None
    with reader:
        found = [(record, reader.recording(record.id)) for record in reader.sessions() if record.ended is not None]
    for record, recording in found:
        if recording.groups:
            yield Opened(recording, machine=record.machine, began=record.started)


def _settle(proposal: Proposal, ask: Ask | None) -> list[str]:
    """Put the answers into the map; return what was assumed where nobody was asked."""
    if ask is None:
        return [each.assumed for each in proposal.unknown]
    for each in proposal.unknown:
        proposal.answered(each, asked(ask, each.question, each.read))
    return []


@dataclass(frozen=True)
class Imported:
    """A recording that is now a session.

    Attributes:
        session: its number.
        rows: rows stored.
        seconds: from the first row to the last.
        kept: where its column map is kept; None where it needs none, or had one.
        same_as: another session with the same times, most likely the same drive; 0 for none.

    """

    session: int
    rows: int
    seconds: float
    kept: Path | None
    same_as: int


def store_recording(found: Opened, path: Path, store: Path, machine: Machine | None, progress: Progress) -> Imported:
    """Write a recording into the store as a session, and keep a new map beside it.

    Args:
        found: what to store.
        path: the file it is in; its name is kept with the session.
        store: the store's file.
        machine: machine file to keep with it, by which it will be judged.
        progress: says how far it is.

    Raises:
        RecordingError: a mistake further down in the file; what came before it is stored.
        StoreError: the store cannot be written; says what is left of the file there.

    """
    return asyncio.run(_stored(found, path, store, machine, progress))


async def _stored(found: Opened, path: Path, store: Path, machine: Machine | None, progress: Progress) -> Imported:
    from telemetry.store.writer import StoreWriter

    recording, rows, end, mistake = progress.watched(found.recording), 0, found.recording.start, None
    started, session = _began(recording, path) if found.began is None else found.began, 0
    try:
        with StoreWriter.open(store) as writer:
            session = writer.begin_session(
                machine.name if machine is not None else found.machine or path.name.split(".")[0],
                machine.text if machine is not None else recording.machine_text,
                "import",
                recording.time_basis,
                started,
                recording.start,
                path.name,
            )
            try:
                for span in recording.spans():
                    await writer.room(span.value_count)
                    await asyncio.sleep(0)  # where ctrl-c is heard
                    writer.offer(span)
                    rows, end = rows + sum(map(len, span.batches)), span.end
            except RecordingError as error:
                mistake = error
            except asyncio.CancelledError:  # by ctrl-c: nothing half-written stays
                writer.end_session(started + end - recording.start)
                writer.delete_session(session)
                raise
            refused = writer.end_session(started + end - recording.start).refused
            if refused:
                raise StoreError(f"{refused} values found no room in the store {printable(store, 200)}")
    except StoreError as error:
        raise StoreError(f"{error}; {_without(store, session, path)}") from None
    kept = None
    if found.is_new and found.column_map is not None:
        kept = keep_map(found.column_map, path.name, maps_of(store))
    if mistake is not None:
        raise RecordingError(f"{mistake}; the {rows} rows before it are session {session}")
    return Imported(session, rows, (end - recording.start) / MICROSECONDS, kept, _same_times(store, session))


def _without(store: Path, session: int, path: Path) -> str:
    """Take away what was stored of a file before the store refused the rest; return what is left of it, a clause."""
    from telemetry.store.writer import StoreWriter

    name = printable(path.name)
    if not session:
        return f"{name} was not imported"
    try:
        with StoreWriter.open(store) as writer:
            writer.delete_session(session)
    except StoreError:
        return (
            f"session {session} is a part of {name}: delete it once the store can be written, and import {name} again"
        )
    return f"nothing of {name} was kept: import it again then"


def _same_times(store: Path, session: int) -> int:
    """Return the first other session whose rows begin and end at the same times; 0 for none."""
    from telemetry.store.reader import StoreReader

    with StoreReader.open(store) as reader:
        records = {record.id: record for record in reader.sessions()}
    new = records.pop(session)
    return next((record.id for record in records.values() if _alike(record, new)), 0)


def _alike(record: SessionRecord, new: SessionRecord) -> bool:
    """Return whether both have rows at the same times: to two seconds, for an export leaves out what has no rows."""
    apart_s = abs(new.started - record.started) / MICROSECONDS, abs(new.duration_s - record.duration_s)
    return record.time_basis == new.time_basis and record.ended is not None and max(apart_s) <= _SAME_S


def _began(recording: Recording, path: Path) -> int:
    """Return when the recording began; without dates in it, when its file was last written."""
    return recording.start if recording.time_basis == "absolute" else round(path.stat().st_mtime * MICROSECONDS)
