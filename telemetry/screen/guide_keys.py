"""The keys of a guided drive, and what it asks of the driver as the band shows it."""

from __future__ import annotations

import math
from collections.abc import Callable

from telemetry.guided.leading import Ask, Leader
from telemetry.pipeline.control import RunControl
from telemetry.screen.keys import Need
from telemetry.screen.line_entry import LineEntry
from telemetry.screen.words import Headline

BAR = 20
"""Cells of the bar that shows how far a manoeuvre has come."""


class GuideKeys:
    """What ``g``, ``k`` and ``x`` do while a step is led; nothing in any other run.

    Args:
        leader: what leads; None where nothing does.
        control: sets marks.
        say: shows one sentence.

    """

    def __init__(self, leader: Leader | None, control: RunControl, say: Callable[[str], None]) -> None:
        self._leader, self._control, self._say = leader, control, say

    @property
    def leads(self) -> bool:
        """Whether a drive is guided."""
        return self._leader is not None

    @property
    def needs(self) -> set[Need]:
        """What holds now of what keys of the footer need."""
        return {"guided"} if self.prompt is not None else set()

    @property
    def prompt(self) -> Headline | None:
        """What is asked of the driver, in blue; None for nothing."""
        ask = None if self._leader is None else self._leader.ask
        return None if ask is None else headline_of(ask)

    def guide_go(self) -> LineEntry | None:
        """Go on with the step; return the line to type where a meter reading is due."""
        reading = None if self._leader is None else self._leader.reading
        if reading is not None:
            return LineEntry(f"{reading.question}, {reading.unit}", "", self._read, longest=8)
        self._act(lambda leader: leader.go())
        return None

    def _read(self, text: str) -> None:
        """Take a reading as it was typed."""
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            self._say("type the reading as digits, such as 12.5; g asks again")
            return
        self._act(lambda leader: leader.read(value))

    def guide_skip(self) -> None:
        """Skip the step."""
        self._act(lambda leader: leader.skip())

    def guide_stop(self) -> None:
        """End the guided drive; the recording goes on."""
        if self._act(lambda leader: leader.stop()):
            self._say("guided drive ended here; the recording goes on, q leaves")

    def _act(self, act: Callable[[Leader], str]) -> bool:
        """Do it and set its mark; tell whether a step is led at all."""
        if self._leader is None or self._leader.ask is None:
            return False
        text = act(self._leader)
        keeps = bool(text) and not self._control.is_replay  # a rehearsal keeps no marks
        trouble = self._control.mark(text) if keeps else ""
        if trouble:
            self._say(trouble)
        return True


def headline_of(ask: Ask) -> Headline:
    """Return what is asked as the band says it: the word large, blue, with a bar while a manoeuvre goes on."""
    full = round(BAR * ask.share)
    bar = f"{'█' * full}{'░' * (BAR - full)}" if ask.share > 0.0 else ""
    do = f"{bar} {ask.do}".strip()
    return Headline(ask.word, ask.step, ask.count, do, details=(ask.detail,) if ask.detail else (), meaning="act")
