"""A guided drive while it goes on: the leader fed from the bus, and what it asks made heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from telemetry.guided.leading import Leader
from telemetry.model.batch import Span

if TYPE_CHECKING:
    from telemetry.screen.sound import Sounder
    from telemetry.screen.voice import Voice


_EXPLAINED = ("READY", "AGAIN", "LET OFF", "WARM UP", "WAIT", "MEASURE", "DONE")
"""Words that are spoken with what is to be done; of the others the word is enough."""


class Guiding:
    """A direct listener of the bus.

    Args:
        leader: is given every span.
        sounder: plays a tone at every change; None for silence. Alarms come first.
        voice: speaks what is asked; None where nothing does.

    """

    def __init__(self, leader: Leader, sounder: Sounder | None, voice: Voice | None) -> None:
        self._leader, self._sounder, self._voice = leader, sounder, voice
        self._spoken = ""

    def take(self, span: Span) -> None:
        """Lead on, and make heard what is new; an alarm that nobody has seen keeps the voice silent."""
        self._leader.take(span)
        cue, self._leader.cue = self._leader.cue, None
        sounder, voice, ask = self._sounder, self._voice, self._leader.ask
        if cue is not None and sounder is not None:
            sounder.cue(cue)
        if voice is None or ask is None:
            return
        if sounder is not None and sounder.alarms:
            voice.hush()
            return
        text = f"{ask.word}. {ask.do}" if ask.word in _EXPLAINED else ask.word
        if text != self._spoken:
            self._spoken = text
            voice.say(text)
