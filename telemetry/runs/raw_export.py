"""The raw bytes kept around high alarms, written to a file that can be read again."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from pathlib import Path

from telemetry.driver import WritesRaw
from telemetry.model.capture import CapturedPiece, CaptureWriter
from telemetry.model.errors import InputError, printable
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.pipeline.registry import load_driver
from telemetry.runs.subjects import open_subject
from telemetry.store.reader import StoreReader
from telemetry.store.stored_recording import StoredRecording


def export_raw(name: str, store: Path, out: Path, replace: bool) -> tuple[int, str]:
    """Write the raw bytes of session ``name`` to ``out``; return how many pieces, and of which sources.

    A name that ends as a driver's own logs do (``.log`` for CAN) takes the frames of that driver's sources, as such a
    log. Any other takes every source, as ``watch --capture`` writes them.

    Raises:
        InputError: no session, none kept, or the file cannot be written.
        StoreError: the store cannot be read.

    """
    recording = open_subject(name, store)
    if not isinstance(recording, StoredRecording):
        raise InputError(f"{printable(name, 200)} is a file and holds no raw bytes; give a session's number or last")
    with StoreReader.open(store) as reader:
        links, _ = reader.raw_links(recording.session)
        if not links:
            raise InputError(
                f"no raw bytes are kept with {recording.name}; watch keeps them around high alarms, for links"
            )
        drivers = {each.source: each.driver for each in links}
        suffixes = {name: _suffix(driver) for name, driver in drivers.items()}
        own = [name for name, suffix in suffixes.items() if suffix and suffix == out.suffix.lower()]
        if not own and out.suffix.lower() in (".csv", ".gz", ".parquet"):
            raise InputError(f"{printable(out, 200)}: raw bytes are not a table; give a name that ends in .txt")
        sources = own or sorted(drivers)
        counted = _Counted(reader.raw_pieces(recording.session, sources))
        with whole_or_not_at_all(out, replace) as stream:
            text = io.TextIOWrapper(stream, "ascii", newline="\n")
            if own:
                writer_of_logs = load_driver(str(drivers[own[0]]))
                assert isinstance(writer_of_logs, WritesRaw), "its suffix was found"
                writer_of_logs.write_raw(counted, text)
            else:
                writer = CaptureWriter(text, recording.start)
                for piece in counted:
                    writer.write(piece)
            text.flush()
            text.detach()
    return counted.count, ", ".join(printable(each, 60) for each in sources)


def _suffix(driver: str | None) -> str | None:
    try:
        found = None if driver is None else load_driver(driver)
        return found.raw_suffix if isinstance(found, WritesRaw) else None
    except InputError:  # a driver that is not installed here
        return None


class _Counted:
    """Counts what passes."""

    def __init__(self, pieces: Iterable[CapturedPiece]) -> None:
        self._pieces = pieces
        self.count = 0

    def __iter__(self) -> Iterator[CapturedPiece]:
        for piece in self._pieces:
            self.count += 1
            yield piece
