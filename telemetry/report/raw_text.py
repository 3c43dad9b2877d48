"""Which raw bytes are kept around the high alarms of a session, and how to get them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import printable
from telemetry.model.raw_bytes import RawMissing
from telemetry.model.time_text import clock
from telemetry.store.kept_raw import RawLink


@dataclass(frozen=True)
class KeptRaw:
    """What is kept of one link around one alarm, and what is missing; times in seconds from the start."""

    digits: ClassVar = 3

    source: str
    alarm_s: float
    from_s: float
    to_s: float
    bytes: int = 0
    missing_bytes: int = 0
    missing_why: str = ""


def kept_raw(links: Sequence[RawLink], missing: Sequence[RawMissing], start: int) -> tuple[KeptRaw, ...]:
    """Return what is kept and missing of each link around each alarm; ``start`` in int microseconds."""
    found = {(each.alarm_t, each.source): replace(_around(each, start), bytes=each.bytes) for each in links}
    for gone in missing:
        key = (gone.alarm_t, gone.source)
        entry = found.get(key) or _around(gone, start)
        found[key] = replace(entry, missing_bytes=entry.missing_bytes + gone.lost_bytes, missing_why=gone.why)
    return tuple(found[key] for key in sorted(found))


def _around(each: RawLink | RawMissing, start: int) -> KeptRaw:
    alarm_s, from_s, to_s = ((t - start) / MICROSECONDS for t in (each.alarm_t, each.start, each.end))
    return KeptRaw(each.source, alarm_s, from_s, to_s)


def raw_sentences(raw: Sequence[KeptRaw], recording: str) -> list[str]:
    """Return what is kept, what is missing, and the command that writes it to a file."""
    lines = []
    for alarm_s in sorted({each.alarm_s for each in raw}):
        here = [each for each in raw if each.alarm_s == alarm_s]
        kept = [each for each in here if each.bytes]
        if kept:
            names = ", ".join(printable(each.source, 60) for each in kept)
            size = size_text(sum(each.bytes for each in kept))
            begin, end = min(each.from_s for each in kept), max(each.to_s for each in kept)
            lines.append(f"{clock(begin)} to {clock(end)}: raw bytes of {names} are kept ({size}).")
        lines += [
            f"{clock(each.from_s)}: {size_text(each.missing_bytes)} of raw bytes of {printable(each.source, 60)} "
            f"are missing: {each.missing_why}."
            for each in here
            if each.missing_bytes
        ]
    if any(each.bytes for each in raw):
        lines.append(f"To read them with another map: shakedown export {recording.split()[-1]} raw.txt --raw")
    return lines


def size_text(count: int) -> str:
    """Return a number of bytes with a fitting unit."""
    for unit, size in (("MB", 1_000_000), ("kB", 1000)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"
