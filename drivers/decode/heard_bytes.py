"""What bytes of an unknown device seem to be: sentences, lines of text, frames, or noise of a wrong rate. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from telemetry.model.batch import Batch, Group
from telemetry.model.capture import CapturedPiece
from telemetry.model.tables import settings_of

from .guess_frames import guess_kinds
from .position_sentences import PositionSentences
from .text_batches import TextBatches
from .text_settings import TextSettings

LEAST_ROWS = 2
"""Lines of numbers, or sentences, by which it is told; ours."""
LEAST_PRINTABLE = 0.95
LEAST_BYTES = 20


@dataclass(frozen=True)
class HeardBytes:
    """What they seem to be.

    Attributes:
        score: how sure, for comparing rates: 3 for sentences with checksums, 2 for lines or frames with one, 1 for
            frames without, 0 for none of these.
        speaks: in words.
        settings: of a source that reads it; empty where none is known yet.
        values: the latest, by signal.

    """

    score: int
    speaks: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)


class _Piece(NamedTuple):
    arrival: int
    data: bytes
    lost_before: int = 0


def heard_bytes(pieces: Sequence[tuple[int, bytes]]) -> HeardBytes:
    """Say what pieces, time in microseconds and bytes, seem to be."""
    data = b"".join(piece for _, piece in pieces)
    if not data:
        return HeardBytes(0, "nothing")
    read = [_Piece(t, piece) for t, piece in pieces]
    sentences = PositionSentences("found", "position")
    batches = [sentences.feed(read), sentences.finish()]
    if sentences.figures.sentences:
        return HeardBytes(3, "NMEA 0183 sentences", {"driver": "satellite-position"}, _latest(batches))
    printable = sum(byte in b"\r\n\t" or 32 <= byte < 127 for byte in data) / len(data)
    if printable >= LEAST_PRINTABLE and data.count(b"\n") >= LEAST_ROWS:
        lines = TextBatches(Group("found", "lines", ()), settings_of(TextSettings, {}))
        values = _latest([lines.feed(read)])
        names = "" if values else "; its columns have no names yet, see docs/serial-text.md"
        return HeardBytes(2, f"lines of text{names}", {"driver": "serial-text"}, values)
    kinds = guess_kinds(CapturedPiece(t, "found", "in", piece) for t, piece in pieces)
    if kinds and len(data) >= LEAST_BYTES:
        kind = kinds[0]
        checksum = f", checksum {kind.checksum.split(chr(34))[1]}" if kind.checksum else ""
        start = f" that begin with {kind.start.hex(' ').upper()}" if kind.start else ""
        speaks = f"frames of {kind.length} bytes{start}{checksum}; docs/frame-map.md says how to describe them"
        return HeardBytes(2 if kind.checksum else 1, speaks, {"driver": "serial-frames", "map": "pack.toml"})
    return HeardBytes(0, f"{len(data)} bytes in no known format")


def _latest(batches: Sequence[Batch | None]) -> dict[str, float]:
    """Return the latest known value of each signal."""
    found: dict[str, float] = {}
    for batch in filter(None, batches):
        for row in batch.values.tolist():
            found |= {s: value for s, value in zip(batch.group.signals, row, strict=True) if value == value}
    return found
