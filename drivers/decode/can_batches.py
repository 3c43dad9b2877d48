"""From CAN frames to batches: which frame is which message, from which device, and into which group. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import cast

from telemetry.model.batch import Batch, Group

from .can_frames import EXTENDED, CanFrame, FastPackets, identifier_text, parameter_group
from .can_groups import GroupRows
from .can_signals import Counts, MessageDecoder
from .can_standards import ReadMessage

DEVICE_SILENT_US = 5_000_000
"""After so long without a frame from the device that was read, another one of the same instance is."""
_MOST_KEYS = 4096
_TOLD = 6
"""Identifiers, or batteries, named in a message."""


@dataclass(slots=True)
class CanFigures:
    """What became of the frames so far.

    Attributes:
        frames: data frames that arrived.
        understood: those of a message that is read, the parts of long messages included.
        other_instances: messages about another battery than the one wanted, by its number.
        other_devices: messages given up since another device of the same instance is read.
        given_up: long messages of which a frame was missing.
        incomplete_rows: rows closed with a message missing.

    """

    frames: int = 0
    understood: int = 0
    other_instances: Counter[int] = field(default_factory=Counter)
    other_devices: int = 0
    given_up: int = 0
    incomplete_rows: int = 0


class _Message:
    """One message being read: its decoder, its columns, and the device that it is read from."""

    def __init__(self, message: ReadMessage, rows: GroupRows) -> None:
        self.rows = rows
        decoder = MessageDecoder(message.wanted.takes)
        self.decode = decoder.decode
        self.places = [place for s in decoder.signals if (place := rows.group.place(s)) is not None]
        run = list(range(self.places[0], self.places[0] + len(self.places)))
        self.start = None if decoder.is_multiplexed or self.places != run else self.places[0]
        self.is_whole = decoder.signals == rows.group.signals and not decoder.is_multiplexed
        self.fast_packet = message.fast_packet
        self.one_device = message.one_device
        self.instance = None if message.instance is None else Counts(message.instance[0])
        self.wanted_instance = 0 if message.instance is None else message.instance[1]
        self.only = [(Counts(where), counts) for where, counts in message.only]
        self.priority = None if message.priority is None else Counts(message.priority)
        self._sender = -1
        self._sender_priority = -1
        self._heard = 0

    def is_from_the_device(self, frame: CanFrame, data: bytes) -> bool:
        """Tell whether the frame is from the device that is read: the highest priority, else the first heard."""
        sender = frame.key & 0xFF
        priority = (self.priority.read(data) or 0) if self.priority is not None else 0
        if sender != self._sender:
            current = self._sender >= 0 and frame.arrival - self._heard <= DEVICE_SILENT_US
            if current and priority <= self._sender_priority:
                return False
            self._sender = sender
        self._sender_priority = priority
        self._heard = frame.arrival
        return True


class CanBatches:
    """Decodes the frames of one bus.

    Args:
        source: the source's name.
        messages: what is read.
        limit_us: how long a row over several messages may stay open, microseconds.

    """

    def __init__(self, source: str, messages: Iterable[ReadMessage], limit_us: int) -> None:
        messages = list(messages)
        signals: dict[str, list[str]] = {}
        for message in messages:
            known = signals.setdefault(message.group, [])
            known += [take.signal for take in message.wanted.takes if take.signal not in known]
        self._rows = {name: GroupRows(Group(source, name, tuple(s)), limit_us) for name, s in signals.items()}
        self._by_key: dict[int, list[_Message]] = {}
        self._by_group: dict[int, list[_Message]] = {}
        for message in messages:
            layout = message.wanted.layout
            made = _Message(message, self._rows[message.group])
            if layout.by_group:
                self._by_group.setdefault(parameter_group(layout.key), []).append(made)
            else:
                self._by_key.setdefault(layout.key, []).append(made)
        self._found: dict[int, list[_Message]] = {}
        self._fast_packets = FastPackets()
        self._figures = CanFigures()

    @property
    def figures(self) -> CanFigures:
        """What became of the frames so far."""
        self._figures.given_up = self._fast_packets.given_up
        self._figures.incomplete_rows = sum(rows.incomplete for rows in self._rows.values())
        return self._figures

    @property
    def groups(self) -> tuple[Group, ...]:
        """The groups, each in its widest layout."""
        return tuple(rows.group for rows in self._rows.values())

    def feed(self, frames: Iterable[CanFrame]) -> None:
        """Take frames in the order of arrival."""
        found = self._found
        seen = understood = 0
        for frame in frames:
            seen += 1
            key = frame.key
            messages = found[key] if key in found else self._look_up(key)
            if messages:
                understood += 1
                for message in messages:
                    self._read(message, frame)
        self._figures.frames += seen
        self._figures.understood += understood

    def close_due(self, now: int) -> None:
        """Close rows that have waited long enough for what is missing."""
        for rows in self._rows.values():
            rows.close_due(now)

    def frames_lost(self) -> None:
        """Say that frames were lost before the next: what is half received is given up."""
        self._fast_packets.restart()

    def taken(self) -> list[Batch]:
        """Give out the rows that are complete."""
        return [batch for rows in self._rows.values() if (batch := rows.taken()) is not None]

    def nothing_read(self) -> str:
        """Return what was heard where nothing of it is read, and what to change; empty where something is."""
        figures = self._figures
        if not figures.frames or figures.understood > sum(figures.other_instances.values()):
            return ""
        if figures.other_instances:
            others = sorted(figures.other_instances)
            heard = " and ".join("without a number" if number < 0 else str(number) for number in others[:_TOLD])
            asked = ", ".join(
                sorted({str(m.wanted_instance) for ms in self._found.values() for m in ms if m.instance})
            )
            return f"frames of batteries {heard} were seen, your file asks for {asked}; set instance to one of them"
        heard = ", ".join(identifier_text(key) for key in list(self._found)[:_TOLD])
        return (
            f"none of {figures.frames} frames is a message that is read; seen {heard}; check catalogue and standard"
        )

    def _look_up(self, key: int) -> list[_Message]:
        """Return the messages of an identifier; the answer is kept."""
        messages = list(self._by_key.get(key, ()))
        if key & EXTENDED:
            messages += self._by_group.get(parameter_group(key), ())
        if len(self._found) >= _MOST_KEYS:
            self._found.clear()
        self._found[key] = messages
        return messages

    def _read(self, message: _Message, frame: CanFrame) -> None:
        data = frame.data
        if message.fast_packet:
            whole = self._fast_packets.feed(frame)
            if whole is None:
                return
            data = whole
        if message.one_device and not self._is_wanted(message, frame, data):
            return
        values = message.decode(data)
        if message.is_whole:
            message.rows.add_whole(frame.arrival, cast("list[float]", values))
        elif message.start is not None:
            message.rows.add_run(frame.arrival, message.start, values)
        else:
            message.rows.add(frame.arrival, message.places, values)

    def _is_wanted(self, message: _Message, frame: CanFrame, data: bytes) -> bool:
        if message.instance is not None:
            instance = message.instance.read(data)
            if instance != message.wanted_instance:
                self._figures.other_instances[-1 if instance is None else instance] += 1
                return False
        if any(where.read(data) not in counts for where, counts in message.only):
            return False
        if not message.is_from_the_device(frame, data):
            self._figures.other_devices += 1
            return False
        return True
