"""What a machine took on its earlier drives, so that one of them can be judged beside the others."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from telemetry.analysis.fault_isolation.isolate import pieces
from telemetry.analysis.fault_isolation.observations import observe
from telemetry.analysis.series import read_series
from telemetry.store.reader import SessionRecord, StoreReader

LATEST = 5
OF_EACH = 2
"""Pieces used of a long drive: some minutes show what the ground takes, and more only cost time."""
LONGEST_S = 2 * 3600.0
"""A drive that takes as long to read as all the others together is left out."""


def motion_resistances(store: Path, session: int) -> tuple[float, ...]:
    """Return the force against the motion over weight of the machine's latest drives before ``session``.

    Args:
        store: where sessions are.
        session: the drive that is judged; only what the machine of its name did before counts.

    Raises:
        StoreError: the store cannot be read.
        InputError: there is no such session.
    """
    with StoreReader.open(store) as reader:
        return tuple(islice(_levels(reader, reader.session(session)), LATEST))


def _levels(reader: StoreReader, judged: SessionRecord) -> Iterator[float]:
    """Yield them, the latest first."""
    for record in reversed(reader.sessions()):
        earlier = record.id < judged.id and record.machine == judged.machine and record.origin == "live"
        if not earlier or record.ended is None or record.duration_s > LONGEST_S:
            continue
        some = islice(pieces(read_series(reader.recording(record.id))), OF_EACH)
        known = [each.mean for piece in some if (each := observe(piece).force) is not None]
        if known:
            yield sum(known) / len(known)
