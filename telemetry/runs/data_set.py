"""Every session as a Parquet data set that query engines read: parted by machine and month, a file a session.

Two tables, ``rows`` and ``events``; a session that is there already is not written again, so that adding new ones
leaves the old files alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from telemetry.recordings.export.events_table import write_events
from telemetry.recordings.writing import write_recording
from telemetry.runs.exporting import happened
from telemetry.store.reader import SessionRecord, StoreReader


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
