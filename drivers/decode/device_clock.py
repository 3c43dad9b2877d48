"""From a device's own time, or from the order of its lines, to our time. Pure; times are int microseconds.

Lines arrive in clumps: an adapter or a radio holds them back and lets them go together. A device that prints its own
time tells how they were spaced. Its time is laid on ours by an offset::

    ours = device + offset        offset follows the largest (arrival - device) of the last half minute

The largest, since a line can be late but never early. So rows lie a little ahead of their arrival rather than behind
what has been given out already; they are held until their time. When the largest delay falls (the device's crystal is
fast, or a hold-up is over), the offset follows it down so slowly that the spacing of lines is barely touched.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Literal

TimeUnit = Literal["s", "ms", "us"]
MICROSECONDS_IN: dict[str, int] = {"s": 1_000_000, "ms": 1_000, "us": 1}

MARGIN = 10_000
"""Aimed ahead of the largest delay: for the way to the span, beyond the 8 ms that a span itself waits for rows."""
FARTHEST_AHEAD = 2_000_000
"""A row bears at most this much more than its arrival."""
DELAY_WINDOW = 30_000_000
"""The largest delay is that of this time past; at least two clumps should fall into it."""
SLOWEST_FALL, FASTEST_FALL = 0.0005, 0.01
"""How fast the offset falls, as a share of time: above a crystal's error, below what an energy figure would feel."""
FALL_TIME = 20_000_000
"""In between, the excess falls with this time constant."""
DOUBT = 5_000_000
"""A step of device time may exceed the time between arrivals by this much: lines held up, let go together."""
FARTHEST_STEP = 60_000_000
"""In a log, where no arrival says how much time passed: a longer step is believed once another row confirms it."""
OUT_OF_ORDER = 2_000_000
"""Lines may overtake one another by this much; what lies further back is a restart."""


class PlayOut:
    """Lays steadily rising device times on ours: the offset, and that no time is behind one given out.

    Args:
        farthest_ahead: microseconds that a row may lie ahead of its arrival.

    """

    def __init__(self, farthest_ahead: int = FARTHEST_AHEAD) -> None:
        self._farthest_ahead = farthest_ahead
        self._delays: deque[tuple[int, int]] = deque()
        self._offset: float | None = None
        self._arrival = 0

    def relearn(self) -> None:
        """Forget the offset: the device's time has begun anew."""
        self._delays.clear()
        self._offset = None

    def offset(self, arrival: int, earliest: int, latest: int) -> int:
        """Return what to add to the device times of a clump, which run from ``earliest`` to ``latest``."""
        delay = arrival - earliest + MARGIN
        while self._delays and self._delays[-1][1] <= delay:
            self._delays.pop()
        self._delays.append((arrival, delay))
        while self._delays[0][0] < arrival - DELAY_WINDOW:
            self._delays.popleft()
        largest = self._delays[0][1]
        if self._offset is None or self._offset <= largest:
            self._offset = largest
        else:
            excess = self._offset - largest
            rate = min(max(excess / FALL_TIME, SLOWEST_FALL), FASTEST_FALL)
            self._offset = max(float(largest), self._offset - rate * (arrival - self._arrival))
        self._arrival = arrival
        self._offset = min(self._offset, arrival + self._farthest_ahead - latest)
        return round(self._offset)


class DeviceClock:
    """Maps one device's time column to our time.

    Args:
        unit: of the column.
        wraps_at: the count, in ``unit``, at which the device's time begins again at 0; None: it never does, or a
            wrap is as good as a restart.

    """

    def __init__(self, unit: TimeUnit, wraps_at: float | None = None) -> None:
        self._scale = MICROSECONDS_IN[unit]
        self._wraps_at = None if wraps_at is None else round(wraps_at * self._scale)
        self._play_out = PlayOut()
        self._highest: int | None = None
        self._arrival = 0
        self._candidate: int | None = None
        self._behind_since: int | None = None
        self._last: int | None = None
        self.restarts = 0
        self.untimed = 0

    def map(self, device: Sequence[float], arrival: int) -> list[int]:
        """Return our time of each row of a clump that arrived at ``arrival``; NaN for a row without device time.

        No time is behind one that an earlier clump was given. Within the clump times follow the device's, so that
        they fall where lines overtook one another; the caller sorts. A row without a usable device time gets
        the time of the row before it. One time that does not fit is such a row; two that fit each other are a
        restart of the device.
        """
        times: list[int] = []
        clump: list[int | None] = []
        for value in device:
            place = self._place(value, arrival)
            if place is None:
                self.untimed += 1
            elif place[1]:
                times += self._close(clump, arrival)
                clump = []
                self.restarts += 1
                self._play_out.relearn()
            clump.append(None if place is None else place[0])
        return times + self._close(clump, arrival)

    def _place(self, value: float, arrival: int) -> tuple[int, bool] | None:
        """Return the row's unwrapped device time in microseconds and whether the device has restarted, or None."""
        if not math.isfinite(value) or abs(value) > 2**62 / self._scale:
            return None
        raw = round(value * self._scale)
        if self._highest is None:
            self._highest, self._arrival = raw, arrival
            return raw, False
        step = self._step(raw, self._highest)
        most = arrival - self._arrival + DOUBT
        if 0 <= step <= most:
            self._accept(self._highest + step, arrival)
            return self._highest, False
        if -OUT_OF_ORDER <= step < 0 and not self._stays_behind(arrival):
            return self._highest + step, False
        if self._candidate is not None and 0 <= self._step(raw, self._candidate) <= most:
            self._accept(raw, arrival)
            return raw, True
        self._candidate = raw
        return None

    def _step(self, raw: int, since: int) -> int:
        """Return the signed device time from ``since`` (unwrapped) to ``raw``, by the shorter way round."""
        if self._wraps_at is None:
            return raw - since
        step = (raw - since) % self._wraps_at
        return step if step <= self._wraps_at // 2 else step - self._wraps_at

    def _accept(self, highest: int, arrival: int) -> None:
        self._highest, self._arrival = highest, arrival
        self._candidate = None
        self._behind_since = None

    def _stays_behind(self, arrival: int) -> bool:
        """Tell whether rows have been behind for too long to have been overtaken: a restart soon after another."""
        if self._behind_since is None:
            self._behind_since = arrival
        return arrival - self._behind_since > OUT_OF_ORDER // 4

    def _close(self, clump: list[int | None], arrival: int) -> list[int]:
        """Return the times of rows that share one offset; nothing behind the last clump's latest."""
        known = [place for place in clump if place is not None]
        floor = self._last
        times: list[int] = []
        if known:
            offset = self._play_out.offset(arrival, min(known), max(known))
        before = arrival if floor is None else max(floor, arrival)
        for place in clump:
            at = before if place is None else place + offset
            before = at if floor is None else max(at, floor)
            times.append(before)
        if times:
            self._last = max(times)
        return times


class ArrivalClock:
    """Times the lines of a device that prints no time of its own: by arrival.

    Several lines that arrive together get the same time, unless the device has shown that it prints at a steady
    interval: then they are spaced by it. The interval is learnt from how many lines came in how long.
    """

    FEWEST_LINES = 20
    """Lines in a window, at the least, and ..."""
    SHORTEST = 2_000_000
    """... microseconds."""
    STEADY = 0.02
    """Intervals of windows agree within this share."""
    WINDOWS_TO_AGREE = 3

    def __init__(self) -> None:
        self._play_out = PlayOut(farthest_ahead=500_000)
        self._intervals: deque[float] = deque(maxlen=8)
        self._started: int | None = None
        self._lines = 0
        self._count = 0.0
        self._last: int | None = None
        self.interval: float | None = None

    def map(self, count: int, arrival: int) -> list[int]:
        """Return our time of each of ``count`` lines that arrived at ``arrival``; never behind an earlier time."""
        if count == 0:
            return []
        self._learn(count, arrival)
        if self.interval is None:
            times = [arrival] * count
        else:
            places = [round(self._count + k * self.interval) for k in range(1, count + 1)]
            self._count += count * self.interval
            offset = self._play_out.offset(arrival, places[0], places[-1])
            times = [place + offset for place in places]
        if self._last is not None:
            times = [max(t, self._last) for t in times]
        self._last = times[-1]
        return times

    def _learn(self, count: int, arrival: int) -> None:
        """Close a window of lines now and then; the interval is known while the last windows agree."""
        if self._started is None:
            self._started = arrival
            return
        self._lines += count
        length = arrival - self._started
        if length < self.SHORTEST or self._lines < self.FEWEST_LINES:
            return
        latest = length / self._lines
        self._started, self._lines = arrival, 0
        if any(abs(latest - earlier) > self.STEADY * earlier for earlier in self._intervals):
            self._intervals.clear()
        self._intervals.append(latest)
        if len(self._intervals) < self.WINDOWS_TO_AGREE:
            self.interval = None
            self._play_out.relearn()
        else:
            self.interval = sum(self._intervals) / len(self._intervals)


class OwnTime:
    """A device's own time as it stands in a log, from 0 at the first row; of a restart the rest follows directly.

    A time that leaps counts once the next one confirms it; till then its row has the time of the row before.

    Args:
        unit, wraps_at: as in :class:`DeviceClock`.

    Attributes:
        restarts: how often the time began again: how long the breaks were is not known.

    """

    def __init__(self, unit: TimeUnit, wraps_at: float | None = None) -> None:
        self._scale = MICROSECONDS_IN[unit]
        self._wraps_at = None if wraps_at is None else round(wraps_at * self._scale)
        self._raw: int | None = None
        self._doubted: int | None = None
        self._t = 0
        self.restarts = 0

    def map(self, device: Sequence[float], arrival: int) -> list[int]:  # noqa: ARG002 - a log knows none
        """Return our time of each row, microseconds."""
        return [self._of(value) for value in device]

    @property
    def is_heard(self) -> bool:
        """Whether any row had a time."""
        return self._raw is not None

    def _of(self, value: float) -> int:
        if not math.isfinite(value) or abs(value) > 2**62 / self._scale:
            return self._t
        raw = round(value * self._scale)
        step = 0 if self._raw is None else raw - self._raw
        if self._wraps_at is not None and step < -OUT_OF_ORDER:
            step %= self._wraps_at
        if -OUT_OF_ORDER <= step <= FARTHEST_STEP:
            self._doubted = None
            self._raw, self._t = raw, self._t + step
            return self._t
        if self._doubted is None or not raw - self._doubted >= 0:
            self._doubted = raw
            return self._t
        self.restarts += step < 0
        self._t += step if step > 0 else raw - self._doubted
        self._raw, self._doubted = raw, None
        return self._t


class SteadyTime:
    """The times of rows in a log that shows none, from 0 at the first: one interval after another.

    Args:
        interval_s: seconds between rows.

    """

    def __init__(self, interval_s: float) -> None:
        self._interval = round(interval_s * MICROSECONDS_IN["s"])
        self._rows = 0

    @property
    def is_heard(self) -> bool:
        """Whether there was any row."""
        return self._rows > 0

    def map(self, device: Sequence[float], arrival: int) -> list[int]:  # noqa: ARG002 - a log knows none
        """Return our time of each row, microseconds."""
        first, self._rows = self._rows, self._rows + len(device)
        return [row * self._interval for row in range(first, self._rows)]
