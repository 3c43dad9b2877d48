"""The past of a stored session: its minutes at once, its rows as they are needed, read by a thread of its own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from telemetry.analysis.columns import Joins, Pieces
from telemetry.analysis.series import Series
from telemetry.machine.machine_file import Machine
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import ShakedownError
from telemetry.model.events import AlarmChange
from telemetry.model.recording import Recording
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.past import Past, Stretch
from telemetry.runs.alarms_anew import AlarmsAnew
from telemetry.runs.past_phases import PHASE_SIGNALS, phases_of
from telemetry.store.minutes import MINUTE
from telemetry.store.reader import SessionRecord, StoreReader
from telemetry.store.rows import StoredSeries
from telemetry.store.stored_recording import by_group

MOST_ROWS = 3_000_000
"""Rows of a signal that are read whole; of more only those around the window, where it shows less than minutes."""


@dataclass(frozen=True, eq=False)
class _Loaded:
    """Rows of one signal from ``first`` to ``last``, None for no bound."""

    pieces: Pieces
    limit: float
    first: int | None
    last: int | None

    def covers(self, first: int, last: int) -> bool:
        return (self.first is None or self.first <= first) and (self.last is None or last <= self.last)


_Job = Callable[[StoreReader], Callable[[], None]]
"""What the thread does; it returns what the screen's thread then takes over."""


class StoredPast(Past):
    """One session of a store; see :class:`~telemetry.pipeline.past.Past`.

    Args:
        path: the store.
        session: which.
        anew: its alarms are found anew, in place of those that were raised when it was recorded; of an import, which
            no run has seen, also what a run derives.
        machine: states the limits for that; None: there are none.

    Raises:
        InputError, StoreError: there is no such session, or it cannot be read.

    Attributes:
        record: what is known of the session without its rows.

    """

    def __init__(self, path: Path, session: int, anew: bool = False, machine: Machine | None = None) -> None:
        self._reader = StoreReader.open(path)
        try:
            self.record: SessionRecord = self._reader.session(session)
            super().__init__(self.record.start, self.record.time_basis)
            self._carriers = self._reader.carriers(self.record.id)
            summed = self._reader.summed(self.record.id)
            is_open = self.record.ended is None
            self._known = tuple(signal for signal in self._carriers if is_open or signal in summed)
            self._minutes: dict[str, tuple[Pieces, int]] = {}
            self._loaded: dict[str, _Loaded] = {}
            self._phases: Sequence[Stretch] = ()
            events = self._reader.events(self.record.id)
            self.all_events = [event for event in events if not (anew and isinstance(event, AlarmChange))]
            for event in self.all_events:
                self.take_event(event)
        except BaseException:
            self._reader.close()
            raise
        lengths = [self.start + round(self.record.duration_s * MICROSECONDS), self.start]
        self.end = max([*lengths, *(event.t for event in events)])
        self.grows = False
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._asked: set[object] = set()
        self._open = 0
        self._made = LivePast(self.start, self.time_basis) if anew and self.record.origin == "import" else None
        derived = None if self._made is None else self._made.take
        found = self._reader.recording(self.record.id) if anew else None
        self._alarms = None if found is None else AlarmsAnew(found, machine, derived)
        self._thread = threading.Thread(target=self._work, args=(path,), name="rows of a session", daemon=True)
        self._thread.start()

    @property
    def signals(self) -> Sequence[str]:
        """The signals of the session of which a value is known; all of them while it is being recorded."""
        return self._known if self._made is None else (*self._known, *self._made.signals)

    @property
    def phases(self) -> Sequence[Stretch]:
        """What the machine did; empty until the rows are read."""
        return self._phases

    def extremes(self, signal: str) -> tuple[float, float] | None:
        """Return lowest and highest value of the session."""
        known = [pieces for pieces in self.blocks(signal)[0] if len(pieces)]
        if not known:
            return None
        return min(float(p.low.min()) for p in known), max(float(p.high.max()) for p in known)

    def blocks(self, signal: str) -> tuple[Sequence[Pieces], float]:
        """Return its rows as far as they are read, around them its minutes."""
        if signal not in self._carriers and self._made is not None:
            return self._made.blocks(signal)
        minutes, _ = self._minutes_of(signal)
        loaded = self._loaded.get(signal)
        if loaded is None:
            return ([minutes] if len(minutes) else []), float(MINUTE)
        if loaded.first is None or loaded.last is None:
            return ([loaded.pieces] if len(loaded.pieces) else []), loaded.limit
        before = int(np.searchsorted(minutes.last, loaded.first))
        after = int(np.searchsorted(minutes.first, loaded.last))
        parts = (minutes.between(0, before), loaded.pieces, minutes.between(after, len(minutes)))
        return [part for part in parts if len(part)], float(MINUTE)

    def _minutes_of(self, signal: str) -> tuple[Pieces, int]:
        """Return the minutes of a signal and how many rows they sum up."""
        if signal not in self._minutes:
            if signal not in self._carriers:
                nothing = np.empty(0, np.int64)
                return Joins().pieces(nothing, nothing, np.empty(0), np.empty(0)), 0
            found = self._reader.minutes(self._carriers[signal], signal)
            first = found.minute * MINUTE
            joined = np.append(False, np.diff(found.minute) == 1)[: len(first)]
            pieces = Pieces(first, first + MINUTE - 1, found.low, found.high, joined)
            self._minutes[signal] = (pieces, int(found.n.sum()))
        return self._minutes[signal]

    def want(self, signals: Sequence[str], first: int, last: int, width: int, /) -> None:
        """Ask for the rows of these signals, where they are not here already."""
        whole: list[str] = []
        part: list[str] = []
        for signal in dict.fromkeys([*signals, *(() if self._phases else PHASE_SIGNALS)]):
            if signal not in self._carriers:
                continue
            loaded = self._loaded.get(signal)
            if self._minutes_of(signal)[1] <= MOST_ROWS:
                if loaded is None:
                    whole.append(signal)
            elif signal in signals and width < MINUTE and (loaded is None or not loaded.covers(first, last)):
                part.append(signal)
        around = last - first
        for names, begin, end in ((whole, None, None), (part, first - around, last + around)):
            for same in self._by_series(names):
                self._ask((same, begin, end), partial(self._load, same, begin, end))

    def _by_series(self, signals: Iterable[str]) -> list[tuple[str, ...]]:
        found: dict[int, list[str]] = {}
        for signal in signals:
            found.setdefault(id(self._carriers[signal]), []).append(signal)
        return [tuple(names) for names in found.values()]

    def _ask(self, what: object, job: _Job) -> None:
        """Let the thread do it, once."""
        if what not in self._asked and not self.trouble:
            self._asked.add(what)
            self._open += 1
            self._jobs.put(job)
        self._say()

    def _say(self) -> None:
        self.doing = "reading rows" if self._open else ""

    def poll(self) -> None:
        """Take over what the thread has done."""
        while not self._done.empty():
            self._open -= 1
            self._done.get()()
            self.version += 1
            self._say()
        if self._alarms is not None and not self._open:
            self._alarms.poll(self)

    def _load(
        self, signals: tuple[str, ...], first: int | None, last: int | None, reader: StoreReader
    ) -> Callable[[], None]:
        found = _rows(reader, self._carriers[signals[0]], signals, first, last)

        def take() -> None:
            self._loaded |= found
            if first is not None:  # of a session too long to be held whole, one window after another
                self._asked.discard((signals, first, last))
            if set(PHASE_SIGNALS) & set(self._carriers) <= set(self._loaded):
                self._ask("phases", self._find_phases)

        return take

    def _find_phases(self, _: StoreReader) -> Callable[[], None]:
        rows = {name: loaded.pieces for name in PHASE_SIGNALS if (loaded := self._loaded.get(name)) is not None}
        found = phases_of({name: Series(p.first, p.low) for name, p in rows.items()}, self.all_events)
        return lambda: setattr(self, "_phases", found)

    def _work(self, path: Path) -> None:
        """Do one job after the other, until None comes."""
        reader: StoreReader | None = None
        try:
            while (job := self._jobs.get()) is not None:
                try:
                    reader = reader or StoreReader.open(path)
                    self._done.put(job(reader))
                except ShakedownError as error:
                    self._done.put(partial(setattr, self, "trouble", str(error)))
        finally:
            if reader is not None:
                reader.close()

    def recent(self, first: int, last: int) -> Sequence[Batch]:
        """Return the rows of a stretch, all groups."""
        found = []
        for group, parts in by_group(self._reader.series(self.record.id)).items():
            t, values = self._reader.rows(parts, group.signals, first, last)
            if len(t):
                found.append(Batch(group, t, values))
        return found if self._made is None else [*found, *self._made.recent(first, last)]

    def recording(self, first: int, last: int) -> Recording:
        """Return the measured rows of a stretch."""
        return self._reader.recording(self.record.id).between(first, last)

    def close(self) -> None:
        """Stop reading; safe twice."""
        if self._alarms is not None:
            self._alarms.close()
        self._jobs.put(None)
        self._thread.join()
        self._reader.close()


def _rows(
    reader: StoreReader, parts: Sequence[StoredSeries], signals: tuple[str, ...], first: int | None, last: int | None
) -> dict[str, _Loaded]:
    t, values = reader.rows(parts, signals, first, last)
    found = {}
    for place, signal in enumerate(signals):
        joins, column = Joins(), np.ascontiguousarray(values[:, place])
        found[signal] = _Loaded(joins.pieces(t, t, column, column), joins.limit, first, last)
    return found
