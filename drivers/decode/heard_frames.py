"""Which open standards the frames of an unknown bus speak. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from telemetry.model.tables import settings_of

from .can_batches import BETTER_WITHIN_US, CanBatches
from .can_frames import CanFrame, identifier_text
from .can_standards import FILES, DecodingSettings, standard_messages

_SHOWN = 6


@dataclass(frozen=True)
class HeardFrames:
    """What they seem to be.

    Attributes:
        speaks: in words.
        settings: of a source that reads it, less how to reach the bus; empty where none is known.
        values: the latest, by signal.

    """

    speaks: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)


def heard_frames(frames: Sequence[CanFrame]) -> HeardFrames:
    """Say what frames, in the order of arrival, seem to be: the standard that gives the most signals."""
    if not frames:
        return HeardFrames("nothing")
    found = [read for standard in FILES if (read := _read(standard, frames)) is not None]
    if found:
        return max(found, key=lambda read: len(read.values))
    heard = Counter(frame.key for frame in frames)
    shown = ", ".join(identifier_text(key) for key, _ in heard.most_common(_SHOWN))
    return HeardFrames(f"{len(frames)} frames of no standard known here: {shown}; they need the maker's catalogue")


def _read(standard: str, frames: Sequence[CanFrame], instance: int | None = None) -> HeardFrames | None:
    keys: dict[str, Any] = {"standard": [standard]} | ({} if instance is None else {"instance": instance})
    batches = CanBatches("found", standard_messages(settings_of(DecodingSettings, keys), set()), 250_000)
    # What waits for a better message need not wait here: all that was heard lies before us.
    batches.feed(frame._replace(arrival=frame.arrival + BETTER_WITHIN_US * (n > 0)) for n, frame in enumerate(frames))
    batches.close_due(frames[-1].arrival + 2 * BETTER_WITHIN_US)
    values = {
        signal: value
        for batch in batches.taken()
        for row in batch.values.tolist()
        for signal, value in zip(batch.group.signals, row, strict=True)
        if value == value
    }
    others = [number for number in batches.figures.other_instances if number >= 0]
    if not values and others and instance is None:
        return _read(standard, frames, min(others))
    if not values:
        return None
    left_out = ", ".join(batches.figures.filtered)
    more = f"; batteries {', '.join(map(str, sorted(others)))} too" if others else ""
    return HeardFrames(f"{standard}{more}{f'; left out: {left_out}' if left_out else ''}", keys, values)
