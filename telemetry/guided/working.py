"""What the machine is for: the implement switched on and off, and usual work."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from telemetry.analysis.phase_implement import mark_engages
from telemetry.guided.attempts import CALM_A, Attempt, Manoeuvre, Moment, too_short, too_slow
from telemetry.guided.rows import ROW, Row
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import ON

ROW_S: Final = ROW / MICROSECONDS
ON_S: Final = 5.0
BEFORE_S: Final = 2.0
START_S: Final = 1.5
"""In so long a started implement has its peak behind it. Ours."""
WORK_S: Final = 1800.0
WORK_C: Final = 0.25
MOVING_SHARE: Final = 0.7
WORK_TOLD_S: Final = 300.0
PAUSE_S, REST_S = 600.0, 120.0
"""A longer pause ends a job; one that was long enough ends at the second. Ours."""


class ImplementOnOff(Manoeuvre):
    """Recognises the implement switched on and off again, by its signal, else by the operator's marks."""

    def __init__(self) -> None:
        self._marked: bool | None = None
        self._before: deque[Moment] = deque()
        self._on: list[Moment] = []
        self._was_on: bool | None = None

    @property
    def share(self) -> float:
        """How far it has come."""
        return min(1.0, self._seconds() / ON_S)

    def _seconds(self) -> float:
        return (self._on[-1].row.t - self._on[0].row.t) / MICROSECONDS if self._on else 0.0

    def mark(self, text: str) -> None:
        """Take note of 'implement on' and 'implement off'."""
        engages = mark_engages(text)
        self._marked = self._marked if engages is None else engages

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        engaged = self._marked if math.isnan(row.engaged) else row.engaged >= ON
        if engaged is None or math.isnan(row.current):
            return
        if engaged and (self._on or self._was_on is False):
            self._on.append(now)
        elif self._on:
            yield from self._over("")
        if not engaged:
            self._before.append(now)
            while row.t - self._before[0].row.t > BEFORE_S * MICROSECONDS:
                self._before.popleft()
        self._was_on = engaged

    def end(self) -> Iterator[Attempt]:
        """Give what ended."""
        yield from self._over("it was not switched off again")
        self._before.clear()
        self._was_on = None

    def _over(self, still_on: str) -> Iterator[Attempt]:
        seconds, moments, before = self._seconds(), self._on, list(self._before)
        self._on = []
        if not moments or not before:
            return
        standing = all(each.stands and not math.isnan(each.row.speed) for each in (*before, *moments))
        unknown = math.isnan(moments[0].row.speed)
        part = "standing" if standing else "driving"
        level = sum(each.row.current for each in before) / len(before)
        first = moments[0].row.t
        starting = [each.row for each in moments if each.row.t <= first + START_S * MICROSECONDS]
        running = [each.row for each in moments if each.row.t > first + START_S * MICROSECONDS] or starting
        peak, mean = max(row.current for row in starting), sum(row.current for row in running) / len(running)
        lowest = min((row.controller for row in starting), default=math.nan)
        facts = {"peak_a": peak - level, "running_a": mean - level, "lowest_v": lowest}
        facts["running_w"] = (
            sum(row.current * row.voltage for row in running) / len(running) - level * before[-1].row.voltage
        )
        refused = too_slow(max(each.row.age_s for each in moments)) or too_short(seconds + ROW_S, ON_S) or still_on
        if not refused and unknown:
            refused = "no speed is recorded, so nothing shows whether it stood"
        if not refused and max(peak, mean) - level < CALM_A:
            refused = f"the current did not rise while it was on: by {max(peak, mean) - level:.1f} A"
        yield Attempt("implement", first, moments[-1].row.t, part, refused, facts)


@dataclass
class _Job:
    """Sums from a first movement to the last: when, how long known and how long it moved, s, and the charge used."""

    start: int
    last: int = 0
    known_s: float = 0.0
    moving_s: float = 0.0
    used_ah: float = 0.0

    def add(self, t: int, seconds: float, moving: bool, used_ah: float) -> None:
        """Take so many seconds more, up to ``t``."""
        self.last = t if moving else self.last
        self.known_s += seconds
        self.moving_s += seconds * moving
        self.used_ah += used_ah

    @property
    def lasts_s(self) -> float:
        return (self.last - self.start) / MICROSECONDS

    @property
    def mostly_moves(self) -> bool:
        return self.moving_s >= MOVING_SHARE * self.known_s


class UsualWork(Manoeuvre):
    """Recognises a job: half an hour, or a quarter of the charge, mostly moving; what was done before it is left out.

    Args:
        capacity_ah: of the pack.
    """

    def __init__(self, capacity_ah: float) -> None:
        self._capacity_ah = capacity_ah
        self._before: Row | None = None
        self._reset()

    def _reset(self) -> None:
        self._all: _Job | None = None  # since the first movement
        self._job: _Job | None = None  # since the last time from which on it mostly moved
        self._done: _Job | None = None  # the job as it was at its last movement, once it was long enough

    @property
    def share(self) -> float:
        """How far the job has come."""
        return 0.0 if self._job is None else min(1.0, self._come(self._job))

    def _come(self, job: _Job) -> float:
        return max(job.lasts_s / WORK_S, job.used_ah / (WORK_C * self._capacity_ah))

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row, before = now.row, self._before
        self._before = row
        if math.isnan(row.current):
            return
        moving = not now.stands if not math.isnan(row.speed) else abs(now.over_a) >= CALM_A
        if moving:
            self._all = self._all or _Job(row.t, row.t)
            self._job = self._job or _Job(row.t, row.t)
        if self._all is None:
            return
        if row.t - self._all.last > (PAUSE_S if self._done is None else REST_S) * MICROSECONDS:
            yield from self.end()
            return
        seconds = 0.0 if before is None else (row.t - before.t) / MICROSECONDS
        for job in filter(None, (self._all, self._job)):
            job.add(row.t, seconds, moving, max(0.0, row.current) * seconds / 3600.0)
        if self._job is not None and not self._job.mostly_moves:
            self._job = None
        if moving:
            long = [job for job in (self._all, self._job) if job and job.mostly_moves and self._come(job) >= 1.0]
            self._done = replace(long[0]) if long else self._done

    def end(self) -> Iterator[Attempt]:
        """Give the job that ended; the pause after it does not count."""
        whole, job = self._all, self._done
        self._before = None
        if job is not None:
            yield self._attempt(job, "")
        elif whole is not None and whole.lasts_s >= WORK_TOLD_S:
            went = f"{whole.lasts_s // 60:.0f} of {WORK_S / 60:.0f} min"
            charge = f"{100 * whole.used_ah / self._capacity_ah // 1:.0f} of {100 * WORK_C:.0f} % of the charge"
            share = f"{100 * whole.moving_s / whole.lasts_s // 1:.0f} of {100 * MOVING_SHARE:.0f} % of the time"
            short, still = f"too short: {went}, {charge}", f"mostly standing: it moved for {share}"
            yield self._attempt(whole, short if self._come(whole) < 1.0 else still)
        self._reset()

    def _attempt(self, job: _Job, refused: str) -> Attempt:
        moving = job.moving_s / max(job.lasts_s, 1.0)
        facts = {"moving": moving, "charge_share": job.used_ah / self._capacity_ah}
        return Attempt("work", job.start, job.last, "", refused, facts)
