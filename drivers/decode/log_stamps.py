"""The time that a terminal program or logger wrote in front of each line of a device. Pure.

::

    2026-05-01 10:00:00.123 52.31,14.2          a date, in the zone it states, else this computer's
    [2026-05-01T08:00:00,123Z] 52.31,14.2
    (1777622400.123456) 52.31,14.2              seconds since 1970; few where the clock was not set yet
    [10:00:00.123] 52.31,14.2                   the time of day: the recording counts from its first line
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

from telemetry.model.batch import MICROSECONDS

_DAY_US = 86_400 * MICROSECONDS
_BACK_TO_MIDNIGHT = _DAY_US // 2
_AFTER = rb"\s*[\])]?[ \t,;|>:]*"
_DATE = re.compile(rb"\s*[\[(]?(\d{4}-\d\d-\d\d)[ T](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?(Z|[+-]\d\d:?\d\d)?" + _AFTER)
_UNIX = re.compile(rb"\s*[\[(]\s*(\d{9,10})(?:\.(\d{1,9}))?" + _AFTER)
_CLOCK = re.compile(rb"\s*[\[(]?(\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?(?=[\s\])])" + _AFTER)


def _micro(digits: bytes | None) -> int:
    return int((digits or b"0").ljust(6, b"0")[:6])


def _date(found: re.Match[bytes]) -> int:
    zone = (found[4] or b"").decode().replace("Z", "+00:00")
    moment = datetime.fromisoformat(f"{found[1].decode()}T{found[2].decode()}{zone}")
    return round(moment.timestamp()) * MICROSECONDS + _micro(found[3])


def _unix(found: re.Match[bytes]) -> int:
    return int(found[1]) * MICROSECONDS + _micro(found[2])


def _clock(found: re.Match[bytes]) -> int:
    return (int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3])) * MICROSECONDS + _micro(found[4])


_FORMS = {_DATE: _date, _UNIX: _unix, _CLOCK: _clock}
_UNSET = re.compile(_UNIX.pattern.replace(rb"{9,10}", rb"{1,10}"))
"""Seconds since 1970 of a clock that nobody set: too few digits to know a log by, but read in one that is known."""


class LogStamps:
    """Takes the times off the lines of one log.

    Args:
        beginning: its first lines; the form that most of them have is that of the log.

    Attributes:
        is_found: whether most have a time.
        is_absolute: whether it is a date.
        restarts: how often the clock fell back by more than a day: its logger was switched on anew, and not set yet.

    """

    def __init__(self, beginning: Iterable[bytes]) -> None:
        lines = [line for line in beginning if line.strip()]
        counts = {form: sum(form.match(line) is not None for line in lines) for form in _FORMS}
        self._form = max(counts, key=counts.__getitem__)
        self.is_found = 2 * counts[self._form] > len(lines)
        self.is_absolute = self._form is not _CLOCK
        self._last, self._days = 0, 0
        self._first: int | None = None
        self._carried = self.restarts = 0

    @property
    def told(self) -> tuple[str, ...]:
        """What the user should know of the times, once all lines are read."""
        times = "once" if self.restarts == 1 else f"{self.restarts} times"
        said = f"{times} the logger's clock began again; what followed is kept right after what was before"
        return (said,) if self.restarts else ()

    def taken_off(self, line: bytes) -> tuple[int, bytes]:
        """Return a line's time, microseconds, and the rest; a line without one has that of the line before."""
        found = (_UNSET if self._form is _UNIX else self._form).match(line)
        if found is None:
            return self._last, line
        try:
            t = _FORMS[self._form](found)
        except (ValueError, OverflowError, OSError):
            return self._last, line
        if not self.is_absolute:
            self._first = t if self._first is None else self._first
            t += self._days - self._first
            if t < self._last - _BACK_TO_MIDNIGHT:
                self._days, t = self._days + _DAY_US, t + _DAY_US
        elif t + self._carried < self._last - _DAY_US:
            self._carried, self.restarts = self._last - t, self.restarts + 1
        elif t >= self._last:
            self._carried = 0
        t += self._carried
        self._last = t
        return t, line[found.end() :]
