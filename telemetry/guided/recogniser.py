"""Finds the attempts at every step, looking forward only: the same while driving and over a recording."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from telemetry.analysis.resistance import least_current
from telemetry.guided.attempts import Attempt, Calm, Manoeuvre
from telemetry.guided.charging import ChargeBack
from telemetry.guided.pulling import Climb, PullAway
from telemetry.guided.rows import GAP, Rows
from telemetry.guided.slowing import CoastDown, ElectricBraking
from telemetry.guided.standing import Rest, WheelsUp
from telemetry.guided.working import ImplementOnOff, UsualWork
from telemetry.machine.sections import Machine
from telemetry.model.batch import Span
from telemetry.model.events import Mark
from telemetry.model.recording import Recording, TimeBasis


class Recogniser:
    """Finds attempts in spans as they come.

    Args:
        machine: what its owner states.

    Attributes:
        manoeuvres: by the step that each is for first.
        last: end of the latest row, int microseconds; None before there is one.
        moves: whether the machine moves then, as far as the speed tells.
    """

    def __init__(self, machine: Machine) -> None:
        pack, capacity_ah = machine.pack, machine.pack.capacity_ah
        self._rows, self._calm = Rows(), Calm(capacity_ah)
        self.manoeuvres: Mapping[str, Manoeuvre] = {
            "zero": Rest(machine),
            "wheels-up": WheelsUp(),
            "pulls": PullAway(least_current(pack)),
            "climb": Climb(),
            "coast-down": CoastDown(),
            "braking": ElectricBraking(),
            "implement": ImplementOnOff(),
            "work": UsualWork(capacity_ah),
            "charge": ChargeBack(machine),
        }
        self._marks: list[Mark] = []
        self.last: int | None = None
        self.moves = False

    def advance(self, span: Span) -> Iterator[Attempt]:
        """Give the attempts that ended in ``span``."""
        self._marks += [event for event in span.events if isinstance(event, Mark) and not event.taken_back]
        for row in self._rows.advance(span):
            if self.last is not None and row.t - self.last > GAP:
                yield from self.end()
            self.last = row.t
            while self._marks and self._marks[0].t <= row.t:
                mark = self._marks.pop(0)
                for each in self.manoeuvres.values():
                    each.mark(mark.text)
            now = self._calm.moment(row)
            self.moves = not now.stands
            for each in self.manoeuvres.values():
                yield from each.take(now)

    def end(self) -> Iterator[Attempt]:
        """Give what the end of the recording, or a gap in it, leaves."""
        for each in self.manoeuvres.values():
            yield from each.end()


class Stamp:
    """SHA-256 over the measured rows of a recording, group by group, however its spans are cut."""

    def __init__(self) -> None:
        self._groups: dict[tuple[str, str], Any] = {}

    def add(self, span: Span) -> None:
        """Take the rows of a span."""
        for batch in span.batches:
            digest = self._groups.setdefault(batch.group.key, hashlib.sha256())
            for t, row in zip(batch.t.tolist(), batch.values, strict=True):
                digest.update(t.to_bytes(8, "little", signed=True) + row[~np.isnan(row)].tobytes())

    def text(self) -> str:
        """Return it in hexadecimal."""
        whole = hashlib.sha256()
        for key in sorted(self._groups):
            whole.update("/".join(key).encode() + self._groups[key].digest())
        return whole.hexdigest()


class Watched:
    """A recording in which the attempts are found while somebody else reads it.

    Args:
        recording: it.
        machine: what its owner states.

    Attributes:
        attempts: those found so far, in the order in which they ended.
        stamp: says whether the rows are those that were judged; complete once all is read.
    """

    def __init__(self, recording: Recording, machine: Machine) -> None:
        self._recording, self._recogniser = recording, Recogniser(machine)
        self.name: str = recording.name
        self.time_basis: TimeBasis = recording.time_basis
        self.start: int = recording.start
        self.groups = recording.groups
        self.machine_text: str | None = recording.machine_text
        self.attempts: list[Attempt] = []
        self.stamp = Stamp()

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know of it; complete once it has been read."""
        return self._recording.warnings

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Give the spans, and find the attempts in them."""
        for span in self._recording.spans(rows):
            self.attempts += self._recogniser.advance(span)
            self.stamp.add(span)
            yield span
        self.attempts += self._recogniser.end()
