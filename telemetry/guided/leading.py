"""Leads a driver through the steps: what to do now in one word, how far it has come, and why to do it again.

It only recognises and says; marks tell a recording which steps were led, so that the recording is all that is kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.priorities import priority_of
from telemetry.guided.attempts import Attempt
from telemetry.guided.recogniser import Recogniser
from telemetry.guided.steps import LED, Reading, Step, again_mark
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.events import AlarmChange
from telemetry.model.signals import pack_temperature_number

Cue = Literal["begin", "good", "again"]
State = Literal["offered", "going", "measuring", "let off", "done", "over"]
SAID_S: Final = 6.0
"""How long the outcome of an attempt stands large. Ours."""
SILENT_S: Final = 3.0
"""After so long without a reading the driver is told. Ours."""
WARM_C: Final = 5.0
"""So much above the lowest temperature at which the cells may be charged a drive with regen begins; practice."""
_MANOEUVRES: Final = {"launches": "pulls"}
_MAY_HAVE_BEGUN: Final = frozenset({"zero", "recovery", "charge", "work"})
"""What goes on for minutes may have begun before the driver said go: the key was off already."""
_ENDS_BY_HAND: Final = frozenset({"recovery", "run-to-low", "charge", "close"})
"""Steps that are judged afterwards: the driver says when they are done."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What is asked of the driver.

    Attributes:
        word: the one large word; never one of an alarm.
        step: its number and title; ``count``: which attempts it still takes, such as ``2 of 6``.
        do: what must be read, a sentence or two; empty while the machine may move. ``detail``: what the driver has
            read before, a caution, or why an attempt did not count.
        share: how far the manoeuvre has come, 0 to 1.
    """

    word: str
    step: str
    count: str
    do: str
    detail: str = ""
    share: float = 0.0


class Leader:
    """Leads through steps in their order.

    Args:
        machine: what its owner states.
        steps: those still to be done, at least one.
        counted: by step, the good attempts of each part that earlier drives hold.
        again: whether the steps are repeated: then earlier attempts no longer count.

    Attributes:
        cue: what is to be heard since it was last taken; None for nothing.
    """

    def __init__(
        self,
        machine: Machine,
        steps: Sequence[Step],
        counted: Mapping[str, Mapping[str, int]] | None = None,
        *,
        again: bool = False,
    ) -> None:
        self._recogniser = Recogniser(machine)
        self._steps, self._place = tuple(steps), 0
        self._earlier, self._again = counted or {}, again
        cold = machine.pack.cold_charge_cutoff_c
        self._least_c = (machine.pack.cell.charge_low_c if cold is None else cold) + WARM_C
        self._coldest_c: dict[str, float] = {}
        self._state: State = "offered"
        self._since = self._now = 0
        self._counted = dict(self._earlier.get(self._steps[0].name, {}))
        self._last: Attempt | None = None
        self._why = ""
        self._implement_on = False
        self.cue: Cue | None = None

    @property
    def step(self) -> Step | None:
        """The step that is on; None once all are over, or it was stopped."""
        return self._steps[self._place] if self._state not in ("done", "over") else None

    def take(self, span: Span) -> None:
        """Look at what came; an alarm of high priority ends the step that goes on."""
        self._now = span.end
        for batch in span.batches:
            for name in batch.group.signals:
                if pack_temperature_number(name) is not None and len(batch):
                    self._coldest_c[name] = float(batch.values[-1, batch.group.place(name) or 0])
        for attempt in self._recogniser.advance(span):
            if self._state == "going" and attempt.step == self._steps[self._place].name:
                self._note(attempt)
        for event in span.events:
            if self._state != "going" or not isinstance(event, AlarmChange) or event.state != "raised":
                continue
            if priority_of(event.limit, event.level) == "high":
                self._state, self._why = "let off", f"{alarm_name(event.limit)} ended the step"

    def _note(self, attempt: Attempt) -> None:
        begun = attempt.end if attempt.step in _MAY_HAVE_BEGUN else attempt.start
        if begun < self._since:
            return
        self._last = attempt
        self.cue = "good" if attempt.accepted else "again"
        if attempt.accepted:
            self._counted[attempt.part] = self._counted.get(attempt.part, 0) + 1
        if not self._wanting():
            self._done()

    def _done(self) -> None:
        """Ask for the step's meter reading, where it has one; else go on to the next."""
        if self._steps[self._place].reading is None:
            self._next()
        else:
            self._state = "measuring"

    @property
    def reading(self) -> Reading | None:
        """What is to be typed now; None for nothing."""
        return self._steps[self._place].reading if self._state == "measuring" else None

    def read(self, value: float) -> str:
        """Take the reading that was typed; return the words of the mark that keeps it."""
        reading = self.reading
        if reading is None:
            return ""
        self._next()
        return reading.mark(value)

    def _wanting(self) -> list[str]:
        """Return what the step still takes, such as ``2 of 6``."""
        step = self._steps[self._place]
        return [
            f"{self._counted.get(part, 0)} of {count}{f' {part}' if part else ''}"
            for part, count in step.wanted.items()
            if self._counted.get(part, 0) < count
        ]

    def _next(self) -> None:
        self._place += 1
        self._state, self._implement_on = "offered", False
        if self._place == len(self._steps):
            self._place, self._state = len(self._steps) - 1, "done"
        self._counted = dict(self._earlier.get(self._steps[self._place].name, {}))

    def go(self) -> str:
        """Take the driver's go; return the words of the mark that it sets, empty where it sets none."""
        step = self.step
        if step is None or self._state == "measuring" or (self._state != "going" and self.withheld):
            return ""
        if self._state in ("offered", "let off"):
            self._state, self._since, self._last, self.cue = "going", self._now, None, "begin"
            return again_mark(step) if self._again else f"{LED}: {step.name.replace('-', ' ')}"
        if step.name in _ENDS_BY_HAND:
            self._done()
            return f"{LED}: {step.name} done"
        if step.name == "implement":
            self._implement_on = not self._implement_on
            return f"{LED}: implement {'on' if self._implement_on else 'off'}"
        return f"{LED}: turned round" if step.name == "coast-down" else ""

    def skip(self) -> str:
        """Leave the step that is on or offered for another day; return the words of the mark."""
        step = self.step
        if step is None:
            return ""
        self._next()
        return f"{LED}: {step.name} skipped"

    def stop(self) -> str:
        """Lead no further; return the words of the mark."""
        text = "" if self._state == "done" else f"{LED}: stopped"
        self._state = "over"
        return text

    @property
    def withheld(self) -> str:
        """Why no step may begin now; empty where one may."""
        coldest = min((each for each in self._coldest_c.values() if not math.isnan(each)), default=math.inf)
        if coldest < self._least_c:
            return f"The pack is at {coldest:.0f} °C: warm it above {self._least_c:.0f} °C first."
        return ""

    def _to_read(self, word: str, title: str, wanting: str, do: str) -> Ask:
        """Return what must be read once the machine stands; until then the word is enough where room is short."""
        return Ask(word, title, wanting, "", do) if self._recogniser.moves else Ask(word, title, wanting, do)

    @property
    def ask(self) -> Ask | None:
        """What is asked of the driver now; None for nothing."""
        step = self.step
        if self._state == "done":
            return Ask(
                "DONE", "Guided drive", "that was the last step", "Press q to leave, x to go on without the guide."
            )
        if step is None:
            return None
        title, wanting = f"{self._place + 1}/{len(self._steps)} {step.title}", ", ".join(self._wanting())
        if self._state == "let off":
            return Ask(
                "LET OFF", title, wanting, f"{self._why}. Stop and look at it; g tries the step again, k skips it."
            )
        if (reading := self.reading) is not None:
            measure = f"Measure: {reading.question}, in {reading.unit}."
            do = " ".join(filter(None, ("Stand, key off.", reading.caution, measure, "g types it, k leaves it out.")))
            return self._to_read("MEASURE", title, wanting, do)
        if self._state == "offered":
            if self.withheld:
                return Ask("WARM UP", title, wanting, self.withheld)
            do = " ".join((step.do, *step.cautions, "g starts, k skips, x ends the guide."))
            return self._to_read("READY", title, wanting, do)
        if self._now - max(self._recogniser.last or 0, self._since) > SILENT_S * MICROSECONDS:
            return Ask("WAIT", title, wanting, "Nothing is read: slow down and stop, and look at the links.", step.do)
        manoeuvre = self._recogniser.manoeuvres.get(_MANOEUVRES.get(step.name, step.name))
        share = 0.0 if manoeuvre is None else manoeuvre.share
        last = self._last
        if share > 0.0:
            return Ask(step.words[1], title, wanting, "Carry on like this.", share=share)
        if last is not None and self._now - last.end < SAID_S * MICROSECONDS:
            if last.accepted:
                return Ask("GOOD", title, wanting, "", step.do)
            return Ask("AGAIN", title, wanting, last.refused, step.do)
        ends = "Press g when it is done." if step.name in _ENDS_BY_HAND else ""
        turns = "Press g at every turn." if step.name == "coast-down" else ""
        return Ask(step.words[0], title, wanting, ends or turns, step.do)
