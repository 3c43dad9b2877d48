"""What speaks in the bytes of an unknown device, or in the frames of an unknown bus. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from telemetry.model.batch import Batch, Group
from telemetry.model.capture import CapturedPiece
from telemetry.model.tables import settings_of

from .can_batches import BETTER_WITHIN_US, CanBatches
from .can_frames import CanFrame, identifier_text
from .can_standards import FILES, DecodingSettings, standard_messages
from .guess_frames import guess_kinds
from .position_sentences import PositionSentences
from .text_batches import TextBatches
from .text_settings import TextSettings

LEAST_ROWS = 2
"""Lines of numbers, or sentences, by which it is told; ours."""
LEAST_PRINTABLE = 0.95
LEAST_BYTES = 20
_SHOWN = 6


@dataclass(frozen=True)
class Guess:
    """What it seems to be.

    Attributes:
        score: how sure, for comparing rates: 3 for sentences with checksums, 2 for lines or frames with one, 1 for
            frames without, 0 for none of these; of a bus, the signals that were read.
        speaks: in words.
        settings: of a source that reads it, less how to reach it; empty where none is known yet.
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


def heard_bytes(pieces: Sequence[tuple[int, bytes]]) -> Guess:
    """Say what pieces, time in microseconds and bytes, seem to be: sentences, text, frames, or noise."""
    data = b"".join(piece for _, piece in pieces)
    if not data:
        return Guess(0, "nothing")
    read = [_Piece(t, piece) for t, piece in pieces]
    sentences = PositionSentences("found", "position")
    batches = [sentences.feed(read), sentences.finish()]
    if sentences.figures.sentences:
        return Guess(3, "NMEA 0183 sentences", {"driver": "satellite-position"}, _latest(batches))
    printable = sum(byte in b"\r\n\t" or 32 <= byte < 127 for byte in data) / len(data)
    if printable >= LEAST_PRINTABLE and data.count(b"\n") >= LEAST_ROWS:
        lines = TextBatches(Group("found", "lines", ()), settings_of(TextSettings, {}))
        values = _latest([lines.feed(read)])
        names = "" if values else "; its columns have no names yet, see docs/serial-text.md"
        return Guess(2, f"lines of text{names}", {"driver": "serial-text"}, values)
    kinds = guess_kinds(CapturedPiece(t, "found", "in", piece) for t, piece in pieces)
    if kinds and len(data) >= LEAST_BYTES:
        kind = kinds[0]
        checksum = f", checksum {kind.checksum.split(chr(34))[1]}" if kind.checksum else ""
        start = f" that begin with {kind.start.hex(' ').upper()}" if kind.start else ""
        speaks = f"frames of {kind.length} bytes{start}{checksum}; docs/frame-map.md says how to describe them"
        return Guess(2 if kind.checksum else 1, speaks, {"driver": "serial-frames", "map": "pack.toml"})
    return Guess(0, f"{len(data)} bytes in no known format")


def heard_frames(frames: Sequence[CanFrame]) -> Guess:
    """Say what frames, in the order of arrival, seem to be: the standard that gives the most signals."""
    if not frames:
        return Guess(0, "nothing")
    found = [read for standard in FILES if (read := _read(standard, frames)) is not None]
    if found:
        return max(found, key=lambda read: read.score)
    heard = Counter(frame.key for frame in frames)
    shown = ", ".join(identifier_text(key) for key, _ in heard.most_common(_SHOWN))
    return Guess(0, f"{len(frames)} frames of no standard known here: {shown}; they need the maker's catalogue")


def _read(standard: str, frames: Sequence[CanFrame], instance: int | None = None) -> Guess | None:
    keys: dict[str, Any] = {"standard": [standard]} | ({} if instance is None else {"instance": instance})
    batches = CanBatches("found", standard_messages(settings_of(DecodingSettings, keys), set()), 250_000)
    # What waits for a better message need not wait here: all that was heard lies before us.
    batches.feed(frame._replace(arrival=frame.arrival + BETTER_WITHIN_US * (n > 0)) for n, frame in enumerate(frames))
    batches.close_due(frames[-1].arrival + 2 * BETTER_WITHIN_US)
    values = _latest(batches.taken())
    others = [number for number in batches.figures.other_instances if number >= 0]
    if not values and others and instance is None:
        return _read(standard, frames, min(others))
    if not values:
        return None
    left_out = ", ".join(batches.figures.filtered)
    more = f"; batteries {', '.join(map(str, sorted(others)))} too" if others else ""
    speaks = f"{standard}{more}{f'; left out: {left_out}' if left_out else ''}"
    return Guess(len(values), speaks, keys, values)


def _latest(batches: Iterable[Batch | None]) -> dict[str, float]:
    """Return the latest known value of each signal."""
    found: dict[str, float] = {}
    for batch in filter(None, batches):
        for row in batch.values.tolist():
            found |= {s: value for s, value in zip(batch.group.signals, row, strict=True) if value == value}
    return found
