"""From CAN frames to batches: which frame is which message, from which device, and into which group. Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import cast

from telemetry.model.batch import Batch, Group

from .can_frames import EXTENDED, FRAME_BYTES, CanFrame, FastPackets, identifier_text, parameter_group
from .can_signals import Counts, MessageDecoder
from .can_standards import FIRST_HEARD, ReadMessage
from .can_transport import CONNECTION, DATA, TransportProtocol
from .row_assembly import RowAssembly

DEVICE_SILENT_US = 5_000_000
"""After so long without a frame from the device that was read, another one of the same instance is."""
BETTER_WITHIN_US = 2_000_000
"""For so long from the first frame on it is waited for a message that gives a signal better, microseconds; ours."""
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
        filtered: messages that are about something else, by what they say: ``DcDetailedStatus: SourceType 1``.
        given_up: long messages of which a frame was missing.
        incomplete_rows: rows closed with a message missing.

    """

    frames: int = 0
    understood: int = 0
    other_instances: Counter[int] = field(default_factory=Counter)
    other_devices: int = 0
    filtered: Counter[str] = field(default_factory=Counter)
    given_up: int = 0
    incomplete_rows: int = 0

    @property
    def others(self) -> int:
        """Messages about another battery or something else."""
        return self.other_instances.total() + self.filtered.total()


class _Message:
    """One message being read: its decoder, its columns, and the device that it is read from."""

    def __init__(self, message: ReadMessage, rows: RowAssembly) -> None:
        self.rows = rows
        decoder = MessageDecoder(message.wanted.takes)
        self.decode = decoder.decode
        places = [place for s in decoder.signals if (place := rows.group.place(s)) is not None]
        run = range(places[0], places[0] + len(places))
        self.places: Sequence[int] = run if places == list(run) else places
        self.is_multiplexed = decoder.is_multiplexed
        self.is_whole = decoder.signals == rows.group.signals and not decoder.is_multiplexed
        self.fast_packet = message.fast_packet
        self.is_long = message.wanted.layout.length > FRAME_BYTES and not message.fast_packet and message.one_device
        self.one_device = message.one_device
        self.instance = None if message.instance is None else Counts(message.instance[0])
        self.wanted_instance = 0 if message.instance is None else message.instance[1]
        self.name = message.wanted.layout.name
        self.only = [(where.name, Counts(where), counts) for where, counts in message.only]
        aside = {signal: name for signal, (before, name) in message.shared.items() if before}
        self.shared = [
            (
                place,
                signal,
                *message.shared[signal][:1],
                None if signal not in aside else rows.group.place(aside[signal]),
            )
            for place, signal in enumerate(decoder.signals)
            if signal in message.shared
        ]
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
            known += [name for before, name in message.shared.values() if before and name not in known]
        self._rows = {
            name: RowAssembly(Group(source, name, tuple(some)), limit_us, range(len(some)))
            for name, some in signals.items()
        }
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
        self._fast_packets, self._transport = FastPackets(), TransportProtocol()
        self._has_long = any(m.wanted.layout.length > FRAME_BYTES and not m.fast_packet for m in messages)
        self._best: dict[str, int] = {}
        self._began: int | None = None
        self._figures = CanFigures()

    @property
    def figures(self) -> CanFigures:
        """What became of the frames so far."""
        self._figures.given_up = self._fast_packets.given_up + self._transport.given_up
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
                    self._read(message, frame, frame.data)
            elif self._has_long and key & EXTENDED and (key >> 16) & 0xFF in (CONNECTION, DATA):
                understood += self._in_packets(frame)
        self._figures.frames += seen
        self._figures.understood += understood

    def close_due(self, now: int) -> None:
        """Close rows that have waited long enough for what is missing."""
        for rows in self._rows.values():
            rows.close_due(now)

    def frames_lost(self) -> None:
        """Say that frames were lost before the next: what is half received is given up."""
        self._fast_packets.restart()
        self._transport.restart()

    def taken(self) -> list[Batch]:
        """Give out the rows that are complete."""
        return [batch for rows in self._rows.values() if (batch := rows.taken()) is not None]

    def nothing_read(self) -> str:
        """Return what was heard where nothing of it is read, and what to change; empty where something is."""
        figures = self._figures
        if not figures.frames or figures.understood > figures.others:
            return ""
        if figures.other_instances:
            others = sorted(figures.other_instances)
            heard = " and ".join("without a number" if number < 0 else str(number) for number in others[:_TOLD])
            asked = ", ".join(
                sorted(
                    {
                        str(m.wanted_instance)
                        for ms in self._found.values()
                        for m in ms
                        if m.instance and m.wanted_instance >= 0
                    }
                )
            )
            return f"frames of batteries {heard} were seen, your file asks for {asked}; set instance to one of them"
        if figures.filtered:
            left = ", ".join(f"{what} ({count} times)" for what, count in figures.filtered.most_common(_TOLD))
            return f"all frames that are read are about something else: {left}; check the device's settings"
        return (
            f"none of {figures.frames} frames is a message it reads; seen {self.seen()}; check catalogue and standard"
        )

    def seen(self) -> str:
        """Return the identifiers of frames that came, those that are not read first, a few."""
        keys = sorted(self._found, key=lambda key: bool(self._found[key]))
        return ", ".join(identifier_text(key) for key in keys[:_TOLD])

    def _look_up(self, key: int) -> list[_Message]:
        """Return the messages of an identifier; the answer is kept."""
        messages = list(self._by_key.get(key, ()))
        if key & EXTENDED:
            messages += self._by_group.get(parameter_group(key), ())
        if len(self._found) >= _MOST_KEYS:
            self._found.clear()
        self._found[key] = messages
        return messages

    def _in_packets(self, frame: CanFrame) -> bool:
        """Take a frame of the transport protocol; return whether it completes a message that is read."""
        whole = self._transport.feed(frame)
        messages = [] if whole is None else self._by_group.get(whole.group, [])
        for message in messages:
            if whole is not None and message.is_long:
                self._read(message, frame, whole.data)
        return bool(messages)

    def _read(self, message: _Message, frame: CanFrame, data: bytes) -> None:
        if message.is_long and len(data) <= FRAME_BYTES:
            return
        if message.fast_packet:
            whole = self._fast_packets.feed(frame)
            if whole is None:
                return
            data = whole
        if message.one_device and not self._is_wanted(message, frame, data):
            return
        values = message.decode(data)
        if message.shared:
            message.rows.add_whole(frame.arrival, self._by_rank(message, frame.arrival, cast("list[float]", values)))
        elif message.is_whole:
            message.rows.add_whole(frame.arrival, cast("list[float]", values))
        else:
            places = message.places
            if message.is_multiplexed:  # it brings some of them
                places = [place for place, value in zip(places, values, strict=True) if value is not None]
                values = [value for value in values if value is not None]
            message.rows.add(frame.arrival, places, places, cast("list[float]", values))

    def _by_rank(self, message: _Message, arrival: int, values: list[float]) -> list[float]:
        """Return a row in which a signal that a better message gives is kept aside.

        Once such a message has been heard its signal stays with it: what falls silent is not replaced by what may be
        the voltage of another battery.
        """
        if self._began is None:
            self._began = arrival
        row = values + [math.nan] * (len(message.rows.group.signals) - len(values))
        for place, signal, rank, aside in message.shared:
            if math.isnan(row[place]):
                continue
            best = self._best[signal] = min(rank, self._best.get(signal, rank))
            if aside is not None and (best < rank or arrival - self._began < BETTER_WITHIN_US):
                row[aside], row[place] = row[place], math.nan
        return row

    def _is_wanted(self, message: _Message, frame: CanFrame, data: bytes) -> bool:
        if message.instance is not None:
            instance = message.instance.read(data)
            if message.wanted_instance == FIRST_HEARD and instance is not None:
                message.wanted_instance = instance
            if instance != message.wanted_instance:
                self._figures.other_instances[-1 if instance is None else instance] += 1
                return False
        for name, where, counts in message.only:
            said = where.read(data)
            if said not in counts:
                self._figures.filtered[f"{message.name}: {name} {said}"] += 1
                return False
        if not message.is_from_the_device(frame, data):
            self._figures.other_devices += 1
            return False
        return True
