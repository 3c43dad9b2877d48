"""Times and lengths of time as a person reads them, one way everywhere.

A moment within a session is ``h:mm:ss`` from its start; a length of time has its unit; a date is in the computer's
time zone, which is named. JSON keeps seconds and UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def clock(seconds: float, tenths: bool = False) -> str:
    """Return a moment of a session: ``0:01:35``; with ``tenths`` ``0:01:35.4``.

    Args:
        seconds: from the start of the session; below zero before it.
        tenths: give tenths, where what happened is shorter than a second.
    """
    parts = 10 if tenths else 1
    count = round(abs(seconds) * parts) if tenths else int(abs(seconds))
    whole, part = divmod(count, parts)
    sign = "-" if seconds < 0 and count else ""
    text = f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}.{part}" if tenths else text


def clock_at(t: int, start: int, tenths: bool = False) -> str:
    """Return moment ``t`` of a session that began at ``start``, both int microseconds, as :func:`clock` does."""
    return clock((t - start) / 1e6, tenths)


def length(seconds: float) -> str:
    """Return a length of time: ``0.4 s``, ``48 s``, ``28 min``, ``3 h 05 min``, ``41 days``."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 119.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 72 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes / 1440:.0f} days"


def local(moment: datetime) -> str:
    """Return a date and time in the computer's time zone, named: ``2026-05-09 10:30 UTC+2``.

    Args:
        moment: with a time zone.
    """
    there = moment.astimezone()
    offset = there.utcoffset()
    minutes = 0 if offset is None else round(offset.total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    away = f"{'-' if minutes < 0 else '+'}{hours}" if minutes else ""
    return f"{there:%Y-%m-%d %H:%M} UTC{away}{f':{rest:02d}' if rest else ''}"


def local_at(t: int) -> str:
    """Return ``t``, int microseconds since 1970 in UTC, as :func:`local` does."""
    return local(datetime.fromtimestamp(t / 1e6, UTC))


def utc(t: int) -> str:
    """Return microseconds since 1970 as ISO 8601 in UTC with all six digits."""
    return (_EPOCH + timedelta(microseconds=t)).isoformat(timespec="microseconds").replace("+00:00", "Z")
