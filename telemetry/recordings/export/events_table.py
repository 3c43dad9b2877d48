"""What happened in a session as a table of Parquet: alarms with how long they lasted, and marks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from telemetry.model.whole_file import whole_or_not_at_all


class Happened(NamedTuple):
    """One row: ``alarm`` or ``mark``, when (int microseconds), for how long, and the limit's name or the words."""

    kind: str
    t: int
    seconds: float
    what: str


def write_events(path: Path, session: int, rows: Sequence[Happened]) -> None:
    """Write ``rows`` of one session to ``path``, in place of what is there.

    Raises:
        InputError: it cannot be written.

    """
    import pyarrow as pa
    from pyarrow import parquet

    columns = {
        "session": pa.array([session] * len(rows), pa.int64()),
        "kind": pa.array([row.kind for row in rows], pa.string()),
        "time": pa.array([row.t for row in rows], pa.timestamp("us", tz="UTC")),
        "seconds": pa.array([row.seconds for row in rows], pa.float64()),
        "what": pa.array([row.what for row in rows], pa.string()),
    }
    with whole_or_not_at_all(path, replace=True) as stream:
        parquet.write_table(pa.table(columns), stream)
