"""A log of NMEA 0183 sentences: when each was said, by the receiver's own time. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date

from telemetry.model.batch import MICROSECONDS

from .position_sentences import Fix, read_sentence

_DAY_US = 86_400 * MICROSECONDS
_MIDNIGHT_US = _DAY_US // 2
_CENTURY, _GPS_BEGAN = 2000, 80  # years of two digits: 1980 is the first that a receiver can mean
_RMC_DATE = 9


def holds_sentences(lines: Iterable[bytes]) -> bool:
    """Return whether any line is a sentence that is read, with a right checksum."""
    return any(_read(line) is not None for line in lines)


def date_of(lines: Iterable[bytes]) -> date | None:
    """Return the first date that an RMC sentence states; None where none does."""
    return next((day for line in lines if (day := _date(line)) is not None), None)


def timed(lines: Iterable[bytes], first: date | None) -> Iterator[tuple[int, bytes]]:
    """Give each line with its time, int microseconds: from 1970 on, or from the first instant where no date is known.

    Args:
        lines: of the log.
        first: the date of its first lines; the log's own dates follow.

    """
    day = 0 if first is None else _micro(first)
    last: int | None = None
    start = 0
    for line in lines:
        fix = _read(line)
        if fix is not None and fix.instant is not None:
            clock = fix.instant
            t = ((clock.hour * 60 + clock.minute) * 60 + clock.second) * MICROSECONDS + clock.microsecond
            if first is not None and (stated := _date(line)) is not None:
                day = _micro(stated)
            elif last is not None and day + t < last - _MIDNIGHT_US:
                day += _DAY_US  # the new date comes with the next RMC
            if last is None and first is None:
                start = t
            last = day + t
        yield (last or start) - start, line


def _micro(day: date) -> int:
    return (day - date(1970, 1, 1)).days * _DAY_US


def _read(line: bytes) -> Fix | None:
    try:
        return read_sentence(line[max(line.rfind(b"$"), 0) :].decode("ascii").strip())
    except (UnicodeDecodeError, ValueError):
        return None


def _date(line: bytes) -> date | None:
    """Return the date of an RMC sentence that is sound; None for any other line."""
    fields = line[max(line.rfind(b"$"), 0) :].split(b",")
    if fields[0][-3:] != b"RMC" or len(fields) <= _RMC_DATE or _read(line) is None:
        return None
    try:
        day, month, year = (int(fields[_RMC_DATE][at : at + 2]) for at in (0, 2, 4))
        return date(_CENTURY + year - (100 if year >= _GPS_BEGAN else 0), month, day)
    except ValueError:
        return None
