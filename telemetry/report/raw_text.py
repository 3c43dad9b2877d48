"""Which raw bytes are kept around the high alarms of a session, and how to get them: as JSON and as sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.model.errors import printable
from telemetry.model.raw_bytes import RawMissing
from telemetry.model.time_text import clock
from telemetry.store.kept_raw import RawLink


def raw_objects(links: Sequence[RawLink], missing: Sequence[RawMissing], start: int) -> list[dict[str, Any]]:
    """Return one JSON object for each link and stretch; times in seconds from ``start`` (int microseconds)."""
    found: dict[tuple[int, str], dict[str, Any]] = {}
    for each in links:
        found[each.alarm_t, each.source] = _object(each, start) | {"bytes": each.bytes}
    for gone in missing:
        key = (gone.alarm_t, gone.source)
        entry = found.setdefault(key, _object(gone, start))
        entry["missing_bytes"] += gone.lost_bytes
        entry["missing_why"] = gone.why
    return [found[key] for key in sorted(found)]


def _object(each: RawLink | RawMissing, start: int) -> dict[str, Any]:
    return {
        "source": each.source,
        "alarm_s": round((each.alarm_t - start) / 1e6, 3),
        "from_s": round((each.start - start) / 1e6, 3),
        "to_s": round((each.end - start) / 1e6, 3),
        "bytes": 0,
        "missing_bytes": 0,
        "missing_why": "",
    }


def raw_sentences(objects: Sequence[Mapping[str, Any]], recording: str) -> list[str]:
    """Return what is kept, what is missing, and the command that writes it to a file."""
    lines = []
    for alarm_s in sorted({each["alarm_s"] for each in objects}):
        here = [each for each in objects if each["alarm_s"] == alarm_s]
        kept = [each for each in here if each["bytes"]]
        if kept:
            names = ", ".join(printable(each["source"], 60) for each in kept)
            size = size_text(sum(each["bytes"] for each in kept))
            begin, end = min(each["from_s"] for each in kept), max(each["to_s"] for each in kept)
            lines.append(f"{clock(begin)} to {clock(end)}: raw bytes of {names} are kept ({size}).")
        lines += [
            f"{clock(each['from_s'])}: {size_text(each['missing_bytes'])} of raw bytes of"
            f" {printable(each['source'], 60)} are missing: {each['missing_why']}."
            for each in here
            if each["missing_bytes"]
        ]
    if any(each["bytes"] for each in objects):
        lines.append(f"To read them with another map: shakedown export {recording.split()[-1]} raw.txt --raw")
    return lines


def size_text(count: int) -> str:
    """Return a number of bytes with a fitting unit."""
    for unit, size in (("MB", 1_000_000), ("kB", 1000)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"
