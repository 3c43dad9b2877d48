"""Looks at a table by another logger and proposes how to read it."""

from __future__ import annotations

import gzip
import zlib
from contextlib import suppress
from io import BufferedIOBase
from pathlib import Path

from telemetry.model.errors import RecordingError, printable
from telemetry.recordings.columns import TIME_COLUMNS
from telemetry.recordings.foreign.column_map import ColumnMap
from telemetry.recordings.foreign.find_signals import find_sign, find_signals
from telemetry.recordings.foreign.find_time import find_time
from telemetry.recordings.foreign.parquet_cells import is_parquet, parquet_layout
from telemetry.recordings.foreign.proposal import Proposal
from telemetry.recordings.foreign.text_layout import SAMPLE_BYTES, TextLayout, layout_of


def layout_in(path: Path, called: Path | None = None) -> TextLayout:
    """Return how the table in the file ``path`` is laid out; messages name ``called``.

    Raises:
        RecordingError: it cannot be read, or is no table.

    """
    file = printable(called or path, 200)
    if is_parquet(path):
        return parquet_layout(path, called or path)
    try:
        with path.open("rb") as stream:
            data = _sample(gzip.GzipFile(fileobj=stream) if path.suffix.lower() == ".gz" else stream)
    except (OSError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordingError(f"{file}: it cannot be read: {printable(reason)}; copy it again") from None
    return layout_of(data, file)


def _sample(stream: BufferedIOBase) -> bytes:
    """Return the beginning of a file; of a compressed one that is cut short, what there is."""
    data = b""
    with suppress(EOFError):
        while len(data) < SAMPLE_BYTES and (piece := stream.read1(SAMPLE_BYTES - len(data))):
            data += piece
    return data


def proposed(path: Path, called: Path | None = None) -> Proposal:
    """Return what the table in the file ``path`` seems to be; messages name ``called``.

    Raises:
        RecordingError: it is no table, or none of its columns is a signal.

    """
    file, layout = printable(called or path, 200), layout_in(path, called)
    found = _read(layout)
    if not found.column_map.columns:
        shown = ", ".join(printable(name, 20) for name in layout.header[:6])
        raise RecordingError(
            f"{file}: none of its columns is a signal we know ({shown}); say in a column map, given with --map, what"
            " they are"
        )
    find_sign(path, found)
    return found


def is_another_loggers(path: Path) -> bool:
    """Tell whether a file is a table with signals in it, and no recording of ours."""
    try:
        layout = layout_in(path)
    except RecordingError:
        return False
    ours = layout.delimiter == "," and layout.decimal == "." and not TIME_COLUMNS.keys().isdisjoint(layout.header)
    return not ours and bool(_read(layout).column_map.columns)


def _read(layout: TextLayout) -> Proposal:
    """Return what the layout's columns seem to be; the current's sign is left open."""
    found = Proposal(
        ColumnMap(
            header=layout.header,
            encoding=layout.encoding,
            delimiter=layout.delimiter,
            decimal=layout.decimal,
            time_is="rows",
            interval_s=1.0,
            columns={},
        )
    )
    find_time(layout, found)
    find_signals(layout, found)
    return found
