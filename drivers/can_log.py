"""A log of CAN frames in a file, decoded as a bus is: played as a source, or handed over as a recording.

Reads what the can-utils print (.log, .txt, .candump) and what python-can reads (.asc, .blf, .csv in its own layout,
.trc, and .mf4 with the package asammdf), each also in .gz. See ``docs/can-messages.md``.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

import numpy as np

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import Batch, Span
from telemetry.model.errors import InputError, Problem, printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.keys import keys_of, setting
from telemetry.model.kinds import FileName, number
from telemetry.model.tables import Rules, settings_of

from .can_messages import close_after_us, messages_of
from .decode import message_catalogue
from .decode.can_recording import CanRecording
from .decode.can_standards import DecodingSettings
from .links import can_logs
from .links.can_settings import Channel

AHEAD_US = 50_000
"""Rows are given out so long before they are due at the most."""
_ROWS_AT_ONCE = 1024


def _file(s: CanLogSettings) -> Iterator[Problem]:
    yield from _check_file(Path(s.file).expanduser())


@dataclass(frozen=True, kw_only=True)
class CanLogSettings(DecodingSettings):
    """What a ``[[source]]`` of this driver states."""

    rules: ClassVar[Rules] = (_file,)
    file: str = setting(FileName(), "the log", "where you recorded it", "drive.asc", required=True)
    channel: str | int | None = setting(Channel(), "the one channel to read; else all", "the log", 1)
    silence_s: float | None = number(0.1, 3600, "not used: a log ends by itself", "leave it out", 5.0)


class CanLogDriver:
    """Plays a log at the pace at which it was recorded; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "plan"
    table: ClassVar = CanLogSettings
    log_of: ClassVar = ("can-messages",)
    reads_any_text: ClassVar = False

    def __init__(self, context: DriverContext) -> None:
        self.silence_s: float | None = None
        self._context = context
        self._recording: CanRecording | None = None

    async def open(self) -> None:
        """Read the catalogue and the log's first frame.

        Raises:
            InputError: one of them cannot be read.

        """
        settings = settings_of(CanLogSettings, self._context.settings)
        self._recording = await asyncio.to_thread(
            lambda: open_log(Path(settings.file).expanduser(), settings, self._context.source)
        )

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the log's rows as they fall due, moved to begin now, until it ends.

        Raises:
            RecordingError: a mistake further down in the log; everything before it has been given out.

        """
        assert self._recording is not None, "open() comes first"
        clock = self._context.clock
        shift: int | None = None
        for span in self._recording.spans(_ROWS_AT_ONCE):
            if shift is None:
                shift = clock.now() - min(int(batch.t[0]) for batch in span.batches)
            for first, batches in _slices(span):
                await clock.sleep_until(first + shift)
                for batch in batches:
                    yield Batch(batch.group, batch.t + shift, batch.values)

    async def close(self) -> None:
        """Let go of the log; its file is open only while it is read."""
        self._recording = None

    @staticmethod
    def fault_names(settings: Settings) -> dict[str, FaultNames]:
        """Return what the value tables of the owner's catalogue call a fault, by signal."""
        return message_catalogue.fault_names_of(settings_of(CanLogSettings, settings))

    @staticmethod
    def is_log(path: Path) -> bool:
        """Return whether it is a log of CAN frames."""
        return can_logs.is_can_log(path)

    @staticmethod
    def recording(path: Path, context: DriverContext) -> CanRecording:
        """Return the log as a recording, decoded as a source of this driver or of can-messages says.

        Raises:
            InputError: the catalogue or the log cannot be read.

        """
        known = {key.name for key in keys_of(DecodingSettings)}
        own = {key: value for key, value in context.settings.items() if key in known}
        return open_log(path, settings_of(DecodingSettings, own), context.source)


def open_log(path: Path, settings: DecodingSettings, source: str = "recording") -> CanRecording:
    """Return the log at ``path`` as a recording, decoded by ``settings`` (those of a CAN source).

    Raises:
        InputError: the log or the catalogue cannot be read.

    """
    for problem in _check_file(path):
        raise InputError(f"{printable(path, 200)} {problem.what}; {problem.right}")
    log = can_logs.CanLogFile(path, settings.channel if isinstance(settings, CanLogSettings) else None)
    return CanRecording(path.name, log, messages_of(settings), close_after_us(settings), source)


def _check_file(path: Path) -> list[Problem]:
    if can_logs.log_suffix(path) not in can_logs.SUFFIXES:
        return [Problem("file", "is not a log that can be read", f"name one in {', '.join(can_logs.SUFFIXES)}")]
    if not path.is_file():
        return [Problem("file", f"{printable(path, 200)} is not there", "check the name; it counts from this folder")]
    return []


def _slices(span: Span) -> list[tuple[int, list[Batch]]]:
    """Cut a span into slices of :data:`AHEAD_US`: the time of each one's first row, and its batches."""
    firsts = [int(batch.t[0]) for batch in span.batches]
    begin, found = min(firsts), []
    while True:
        stop = begin + AHEAD_US
        batches = []
        later = []
        for batch in span.batches:
            low, high = (int(n) for n in np.searchsorted(batch.t, (begin, stop), side="left"))
            if high > low:
                batches.append(batch.rows(low, high))
            if high < len(batch):
                later.append(int(batch.t[high]))
        found.append((begin, batches))
        if not later:
            return found
        begin = min(later)
