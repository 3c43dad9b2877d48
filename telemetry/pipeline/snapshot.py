"""What is known now: the latest value of every signal, links, alarms, totals, strips. The screen reads it.

A snapshot is a direct listener of the bus. It is also what the summary at the end is made from, so that the
figures on the screen and in the summary cannot differ.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict, deque
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

import numpy as np
import numpy.typing as npt

from telemetry.alarms.standing import StandingAlarms
from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Span
from telemetry.model.cell_figures import CellFigures
from telemetry.model.events import (
    AlarmChange,
    AlarmFinding,
    Event,
    Gap,
    LinkChange,
    Loss,
    Mark,
    MarkChange,
    SavingChange,
    Situation,
)
from telemetry.model.signals import ON
from telemetry.pipeline.cell_minute import CellMinute
from telemetry.pipeline.link_log import LinkLog
from telemetry.pipeline.strip import Strip

_FULL_PCT = 100.0


Direction = Literal["discharge", "charge", "rest"]
_PACK_SIGNALS = ("pack_voltage", "pack_current", "cell_min_voltage")
_REST_A = 0.05
_REST_SHARE = 0.002
STRIP_SIGNALS = (
    *("pack_power", "pack_voltage", "pack_current", "cell_min_voltage", "cell_max_voltage", "cell_spread"),
    "vehicle_speed",
)
_LEAST_RISE = 2.0
_STALE_INTERVALS = 3.0
_STALE_AT_LEAST = 2_000_000
_STALE_AT_MOST = 60_000_000
_THEN = 2_000_000


@dataclass(slots=True)
class Reading:
    """The latest known value of one signal.

    Attributes:
        value: in the signal's unit; never NaN.
        t: when it was measured, int microseconds.
        source: which source it came from; ``derived`` for ours.
        interval: typical microseconds between known values, 0 until the second one.
    """

    value: float
    t: int
    source: str
    interval: float = 0.0

    def age_s(self, now: int) -> float:
        """Return seconds since it was measured."""
        return max(0.0, (now - self.t) / 1e6)

    def is_stale(self, now: int) -> bool:
        """Tell whether it is older than three of its own intervals (at least 2 s, at most 60 s)."""
        limit = min(max(_STALE_INTERVALS * self.interval, _STALE_AT_LEAST), _STALE_AT_MOST)
        return now - self.t > limit


class Snapshot:
    """The present state of a run; see the module's docstring.

    Attributes:
        limits: the limits in force, by name.
        start: zero of ``t`` in all that is shown as seconds from the start, int microseconds.
        end: end of the latest span, int microseconds; ``start`` before the first. ``situation``: what the machine was
            doing then.
        last_rows: time of the latest measured row by source, int microseconds.
        first_row, last_row: times of the first and the latest measured row; None before there is one.
        readings: latest known value by signal name.
        links: latest change by source, in the order of first appearance; ``logs`` tells more of each.
        alarms: standing alarms by (limit, signal).
        flood: the alarm flood that is on; None where none is. ``chattering``: the latest finding by (limit, signal).
        marks, gaps, alarm_changes: the latest few.
        gaps_s: seconds of gaps by signal.
        peak_power: highest ``pack_power`` as sampled, W, and ``peak_power_at`` its time; None before there is one.
        extremes: lowest and highest value so far of each signal that has a strip.
        lost: values not taken, by listener.
        cells: each cell against the others in the last minute; ``cell_figures``: with the load counted, None before
            it has told anything.
        held_since: end of the oldest span that a listener cannot write now, int microseconds, by listener.
    """

    def __init__(self, limits: Mapping[str, Limit] | None = None, start: int = 0) -> None:
        self.limits: dict[str, Limit] = dict(limits or {})
        self.start = start
        self.end = start
        self.situation: Situation = "driving"
        self.first_row: int | None = None
        self.last_row: int | None = None
        self.last_rows: dict[str, int] = {}
        self.readings: dict[str, Reading] = {}
        self.links: dict[str, LinkChange] = {}
        self.logs: dict[str, LinkLog] = {}
        self.alarms = StandingAlarms()
        self.flood: AlarmFinding | None = None
        self.chattering: dict[tuple[str, str], AlarmFinding] = {}
        self.marks: deque[Mark] = deque(maxlen=50)
        self.alarm_changes: deque[AlarmChange] = deque(maxlen=50)
        self.gaps: deque[Gap] = deque(maxlen=50)
        self.gaps_s: defaultdict[str, float] = defaultdict(float)
        self.peak_power: float | None = None
        self.peak_power_at: int | None = None
        self.extremes: dict[str, tuple[float, float]] = {}
        self.lost: Counter[str] = Counter()
        self.held_since: dict[str, int] = {}
        self._charge_from: tuple[int, float] | None = None
        self.strips: dict[str, Strip] = {name: Strip() for name in STRIP_SIGNALS}
        self.cells = CellMinute()
        self.cell_figures: CellFigures | None = None

    def become(self, other: Snapshot) -> None:
        """Be what ``other`` is: who holds this one then reads that."""
        self.__dict__ = other.__dict__

    def take(self, span: Span) -> None:
        """Bring the snapshot up to the end of ``span``."""
        self.end, self.situation = span.end, span.situation or self.situation
        self.cell_figures = span.cells or self.cell_figures
        for batch in span.batches:
            self._take_batch(batch, span.frozen.get(batch.group.key))
        self._follow_charge()
        for event in span.events:
            self._take_event(event)
        self.alarms.follow(span)

    def _follow_charge(self) -> None:
        """Keep from when on, and from which reported state of charge, a charge goes on."""
        reported = self.readings.get("soc_reported")
        if self.situation != "charging" or reported is None:
            self._charge_from = None
        elif self._charge_from is None:
            self._charge_from = (self.end, reported.value)

    def watches_pack(self, source: str) -> bool:
        """Tell whether the pack's voltage, current or cells come from ``source``, or no source sends them."""
        known = [r for name in _PACK_SIGNALS if (r := self.readings.get(name)) is not None]
        return not known or any(reading.source == source for reading in known)

    def _take_batch(self, batch: Batch, repeats: npt.NDArray[np.bool_] | None) -> None:
        if batch.group.origin == "measured":
            if self.first_row is None:
                self.first_row = int(batch.t[0])
            self.first_row = min(self.first_row, int(batch.t[0]))
            self.last_row = max(self.last_row or 0, int(batch.t[-1]))
            self.last_rows[batch.group.source] = int(batch.t[-1])
            self.cells.take(batch)
        if len(batch) == 1 and repeats is None:  # the common case live
            t, source, count = int(batch.t[0]), batch.group.source, 0
            for signal, value in zip(batch.group.signals, batch.values[0].tolist(), strict=True):
                if value == value:
                    count += 1
                    if (strip := self._hear(signal, source, t, t, 1, value)) is not None:
                        strip.add(t, value)
                        self._extend(signal, value, value, t)
        else:
            count = self._take_rows(batch, repeats)
        if batch.group.origin == "measured":
            self._log(batch.group.source).take_rows(batch.t, count)

    def _take_rows(self, batch: Batch, repeats: npt.NDArray[np.bool_] | None) -> int:
        """Take any number of rows; return how many values are known."""
        known = ~np.isnan(batch.values)
        count = int(np.count_nonzero(known))
        if repeats is not None:  # what a frozen source repeats was measured long ago
            known &= ~repeats
        for place in np.flatnonzero(known.any(axis=0)).tolist():
            signal, rows = batch.group.signals[place], known[:, place]
            t, values = batch.t[rows], batch.values[rows, place]
            last = float(values[-1])
            strip = self._hear(signal, batch.group.source, int(t[0]), int(t[-1]), len(t), last)
            if strip is not None:
                strip.take(t, values)
                highest = int(np.argmax(values))
                self._extend(signal, float(values.min()), float(values[highest]), int(t[highest]))
        return count

    def _hear(self, signal: str, source: str, first: int, last: int, count: int, value: float) -> Strip | None:
        """Take the latest of ``count`` rows from ``first`` to ``last``; return the signal's strip, if it has one."""
        reading = self.readings.get(signal)
        if reading is None:
            interval = (last - first) / (count - 1) if count > 1 else 0.0
            self.readings[signal] = Reading(value, last, source, interval)
            if any(fnmatchcase(signal, limit.signal) for limit in self.limits.values()):
                self.strips.setdefault(signal, Strip())
        else:
            step = (last - reading.t) / count
            reading.interval += (step - reading.interval) * min(1.0, 0.2 * count) if reading.interval else step
            reading.value, reading.t, reading.source = value, last, source
        return self.strips.get(signal)

    def _extend(self, signal: str, lowest: float, highest: float, t: int) -> None:
        """Take the extremes of new rows, and the time of the highest."""
        low, high = self.extremes.get(signal, (math.inf, -math.inf))
        if lowest < low or highest > high:
            self.extremes[signal] = (min(low, lowest), max(high, highest))
            if signal == "pack_power" and highest > high:
                self.peak_power, self.peak_power_at = highest, t

    def _take_event(self, event: Event) -> None:
        match event:
            case LinkChange():
                self.links[event.source] = event
                self._log(event.source).take_change(event)
            case AlarmChange():
                self.alarm_changes.append(event)
                self.alarms.take(event, self._near(event.t))
            case AlarmFinding(what="flood"):
                self.flood = event if event.state == "began" else None
            case AlarmFinding():
                self.chattering[event.limit, event.signal] = event
            case Mark():
                self.marks.append(event)
            case MarkChange():
                self.marks = deque(map(event.applied, self.marks), maxlen=self.marks.maxlen)
            case Gap():
                self.gaps.append(event)
                self.gaps_s[event.signal] += event.duration_s
            case Loss():
                self.lost[event.listener] += event.values
            case SavingChange(since=None):
                self.held_since.pop(event.listener, None)
            case SavingChange(since=int(since)):
                self.held_since[event.listener] = since

    def _log(self, source: str) -> LinkLog:
        return self.logs.setdefault(source, LinkLog())

    def _near(self, t: int) -> dict[str, float]:
        """Return what was read at that moment; older and later readings are not known then."""
        return {name: r.value for name, r in self.readings.items() if abs(t - r.t) <= _THEN}

    def reading(self, signal: str) -> Reading | None:
        """Return the latest known value of ``signal``, or None."""
        return self.readings.get(signal)

    def fresh(self, signal: str, now: int) -> float | None:
        """Return the value of ``signal``, or None where none is known or it is stale at ``now``."""
        reading = self.readings.get(signal)
        return None if reading is None or reading.is_stale(now) else reading.value

    def direction(self, now: int) -> Direction | None:
        """Return which way current flows; ``rest`` below 0.05 A or 0.2 % of the discharge rating; None if unknown."""
        current = self.fresh("pack_current", now)
        if current is None:
            return None
        rating = self.limits.get("discharge-current")
        least = max(_REST_A, _REST_SHARE * (rating.trip or 0.0) if rating is not None else 0.0)
        return "rest" if abs(current) < least else "discharge" if current > 0.0 else "charge"

    def minutes_to_full(self, now: int) -> float | None:
        """Return minutes until the BMS will report 100 % at the rate of the rise so far; None where not known.

        A charge slows down before its end, which this does not foresee. Known after a rise of at least 2 %.
        """
        reported = self.fresh("soc_reported", now)
        if reported is None or self._charge_from is None:
            return None
        began, first = self._charge_from
        risen, minutes = reported - first, (now - began) / 60e6
        return (_FULL_PCT - reported) * minutes / risen if risen >= _LEAST_RISE and reported < _FULL_PCT else None

    @property
    def no_discharge(self) -> str:
        """Why nothing can flow out of the pack, in two words; empty where nothing says so.

        The latest word of the BMS holds until it sends another, however old it is.
        """
        allowed = self.readings.get("discharge_allowed")
        if allowed is not None and allowed.value < ON:
            return "discharge off"
        if any(alarm.active and alarm.change.limit == "supply-lost" for alarm in self.alarms.values()):
            return "power lost"
        if any(self.watches_pack(change.source) for change in self.failed_links()):
            return "link lost"
        return ""

    @property
    def no_discharge_alarmed(self) -> bool:
        """Whether an active alarm says the same."""
        limits = ("discharge-disabled", "supply-lost", "link")
        return any(alarm.active and alarm.change.limit in limits for alarm in self.alarms.values())

    def failed_links(self) -> list[LinkChange]:
        """Return the latest change of each link that was lost or fell silent, in the order of first appearance."""
        return [change for change in self.links.values() if change.state in ("lost", "silent")]
