"""A recording as an MDF 4 file (ASAM MDF 4.1): a channel group for each group, units, marks and alarms as events."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import InputError, printable
from telemetry.model.recording import Recording
from telemetry.model.signals import find_signal
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.recordings.export.events_table import Happened

_SPAN_ROWS = 16384
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MDF_EXTRA = "needs an extra: pip install 'shakedown[mdf]'"


def write_mdf(recording: Recording, path: Path, happened: Iterable[Happened], *, replace: bool) -> int:
    """Write every row as it was measured; return how many.

    Values keep their bits, unknown ones are NaN. Times are seconds from the recording's start, which the head dates;
    a recording without dates gets the year 1970 there.

    Raises:
        InputError: the extra is not installed, there are no signals, or the file cannot be written.

    """
    try:
        from asammdf import MDF
        from asammdf.blocks.v4_blocks import EventBlock
        from asammdf.blocks.v4_constants import EVENT_CAUSE_TOOL, EVENT_SYNC_TYPE_S, EVENT_TYPE_MARKER
    except ImportError:
        raise InputError(f"{printable(path, 200)} {MDF_EXTRA}") from None
    if not recording.groups:
        raise InputError(f"{printable(path, 200)}: the recording holds no signals, so there is nothing to write")
    rows, places = 0, dict[tuple[str, str], int]()
    groups = {group.key: group for group in recording.groups}
    with whole_or_not_at_all(path, replace) as stream, MDF(version="4.10") as mdf:
        is_dated = recording.time_basis == "absolute"
        mdf.header.start_time = _EPOCH + timedelta(microseconds=recording.start if is_dated else 0)
        mdf.header.comment = recording.machine_text or ""
        for span in recording.spans(_SPAN_ROWS):
            for batch in span.batches:
                wide = batch.as_wide_as(groups[batch.group.key])
                _put(mdf, places, wide, recording.start)
                rows += len(wide)
        for each in happened:
            event = EventBlock(
                event_type=EVENT_TYPE_MARKER,
                sync_type=EVENT_SYNC_TYPE_S,
                cause=EVENT_CAUSE_TOOL,
                sync_base=each.t - recording.start,
                sync_factor=1 / MICROSECONDS,
            )
            event.name, event.comment = each.kind, each.what
            mdf.events.append(event)
        mdf.save(cast("Any", stream), overwrite=True, compression=2)
    return rows


def _put(mdf: Any, places: dict[tuple[str, str], int], batch: Batch, start: int) -> None:
    """Append a batch to its channel group, which its first makes."""
    from asammdf import Signal

    seconds, columns = (batch.t - start) / MICROSECONDS, batch.values.T.copy()
    key = batch.group.key
    if key in places:
        mdf.extend(places[key], [(seconds, None), *((column, None) for column in columns)])
        return
    signals = [
        Signal(column, seconds, unit=signal.unit if (signal := find_signal(name)) is not None else "", name=name)
        for name, column in zip(batch.group.signals, columns, strict=True)
    ]
    places[key] = mdf.append(signals, acq_name=f"{key[0]}: {key[1]}", comment="", common_timebase=True)
