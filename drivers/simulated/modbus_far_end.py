"""A pack behind a Modbus TCP server on this computer: a far end for the modbus driver.

By default it holds the SunSpec models 1, 802 and 803 from register 40000 on. Asked for a table, it holds each signal
of its machine as a signed number of thousandths in two registers; the table that describes them comes with the
settings. On demand it misbehaves.
"""

from __future__ import annotations

import math
import random
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import Any, Literal, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.signals import cell_number, pack_temperature_number

from ..decode import sunspec
from ..links.modbus_link import RegisterServer
from .serving import machine_by

HOST = "127.0.0.1"
UNKNOWN = -(2**31)
BASE = sunspec.BASES[0]
COMMON_LENGTH = 66
# Exponents of ten that the models are served with.
_FACTORS = {
    "V_SF": -2,
    "A_SF": -1,
    "AMax_SF": 0,
    "W_SF": 0,
    "SoC_SF": -1,
    "SoH_SF": 0,
    "CellV_SF": -3,
    "ModTmp_SF": -1,
}

Speech = Literal["sunspec", "table"]


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    @property
    def groups(self) -> Sequence[Group]:
        """The groups that it gives."""
        ...

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


def encoded(
    number: int,
    values: Mapping[str, float],
    repeats: Sequence[Mapping[str, float]] = (),
    factors: Mapping[str, int] = _FACTORS,
) -> list[int]:
    """Return the registers of a SunSpec model, its number and length first; what has no value is not implemented."""
    layout = sunspec.LAYOUTS[number]
    length = layout.fixed_width + len(repeats) * layout.repeated_width - 2
    values = {**factors, **values, "ID": number, "L": length}
    words = _part(layout.fixed, layout.fixed_width, values, factors)
    for repeat in repeats:
        words += _part(layout.repeated, layout.repeated_width, repeat, factors)
    return words


def _part(
    points: Sequence[sunspec.Point], width: int, values: Mapping[str, float], factors: Mapping[str, int]
) -> list[int]:
    words = [0] * width
    for point in points:
        value = values.get(point.name, math.nan)
        raw = sunspec.MISSING[point.type]
        if not math.isnan(value):
            raw = round(value / 10.0 ** factors.get(point.scale, 0))
        for place in range(sunspec.WIDTHS[point.type]):
            words[point.place + sunspec.WIDTHS[point.type] - 1 - place] = raw >> 16 * place & 0xFFFF
    return words


class SunSpecSpeech:
    """The registers of a SunSpec battery with one string."""

    def __init__(self) -> None:
        self.blocks = [(BASE, len(self.registers({})))]
        self.table: list[dict[str, Any]] = []

    @staticmethod
    def registers(newest: Mapping[str, float]) -> list[int]:
        """Return all registers for the newest values, by signal."""
        cells = [value for signal, value in newest.items() if cell_number(signal)] or [math.nan]
        warmth = [value for signal, value in newest.items() if pack_temperature_number(signal)] or [math.nan]
        voltage, current = newest.get("pack_voltage", math.nan), newest.get("pack_current", math.nan)
        soc = newest.get("soc_reported", math.nan)
        low, high = min(cells), max(cells)
        status = math.nan if math.isnan(current) else 3 if current > 0 else 4 if current < 0 else 6
        battery = {"V": voltage, "A": current, "SoC": soc, "CellVMin": low, "CellVMax": high, "W": voltage * current}
        battery |= {"ChaSt": status, "State": 3, "Typ": 4, "SoH": 100, "Evt1": 0}
        cold, hot = min(warmth), max(warmth)
        bank = {"NStr": 1, "NStrCon": 1, "StrVAvg": voltage, "StrVMax": voltage, "StrVMin": voltage}
        bank |= {"StrAAvg": current, "StrAMax": current, "StrAMin": current}
        bank |= {"ModTmpMax": hot, "ModTmpMin": cold, "ModTmpAvg": sum(warmth) / len(warmth)}
        string = {"StrNMod": 1, "StrA": current, "StrSoC": soc, "StrCellVMin": low, "StrCellVMax": high}
        string |= {"StrModTmpMax": hot, "StrModTmpMin": cold, "StrEvt1": 0}
        common = [1, COMMON_LENGTH, *[0] * COMMON_LENGTH]
        return [*sunspec.MARKER, *common, *encoded(802, battery), *encoded(803, bank, [string]), sunspec.END, 0]


class TableSpeech:
    """Each signal in two registers, as thousandths."""

    def __init__(self, signals: Sequence[str]) -> None:
        self._signals = signals
        self.blocks = [(0, 2 * len(signals))]
        common = {"type": "s32", "scale": 0.001, "unknown": [UNKNOWN]}
        self.table = [{"address": 2 * n, "signal": signal, **common} for n, signal in enumerate(signals)]

    def registers(self, newest: Mapping[str, float]) -> list[int]:
        """Return all registers for the newest values, by signal."""
        words: list[int] = []
        for signal in self._signals:
            value = newest.get(signal, math.nan)
            raw = UNKNOWN if math.isnan(value) else round(value * 1000)
            words += [raw >> 16 & 0xFFFF, raw & 0xFFFF]
        return words


class ModbusFarEnd:
    """The pack. Use as an async context manager; it answers for as long as that is open.

    Args:
        machine: what it measures.
        clock: real time; the machine follows it.
        speech: what its registers hold.
        interval_s, timeout_s: what the settings that reach it say.
        seed: of the garbage.

    Attributes:
        server: the Modbus server, which knows what was asked of it.
        refusal: exception code to refuse every read with; 0 for none.

    """

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        speech: Speech = "sunspec",
        interval_s: float = 0.2,
        timeout_s: float = 0.5,
        seed: int = 0,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._times = {"interval_s": interval_s, "timeout_s": timeout_s}
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        signals = dict.fromkeys(signal for group in machine.groups for signal in group.signals)
        self._speech = SunSpecSpeech() if speech == "sunspec" else TableSpeech(list(signals))
        self._newest: dict[str, float] = {}
        self._silent = False
        self._garbage_until = 0
        self.refusal = 0
        self.server = RegisterServer(self._speech.blocks, self._refresh, self._outgoing)

    async def __aenter__(self) -> ModbusFarEnd:
        await self.server.start()
        return self

    async def __aexit__(self, *exc: object) -> None:
        self.server.stop()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack."""
        reach: dict[str, Any] = {"host": HOST, "tcp_port": self.server.tcp_port, **self._times}
        return reach | ({"register": self._speech.table} if self._speech.table else {})

    async def connect(self) -> None:
        """Listen again."""
        await self.server.start()

    def disconnect(self) -> None:
        """Break every connection, and listen no more until :meth:`connect`."""
        self.server.stop()

    def cut_mid_line(self) -> None:
        """Send the first part of an answer, then break the connection."""
        self.server.stop(b"\x00\x01\x00\x00\x00\x0b\x01\x03\x08\x00")

    def be_silent(self, silent: bool = True) -> None:
        """Answer nothing, with the connection open, or answer again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Send random bytes in place of answers for a while."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    def _refresh(self, _address: int, _count: int, registers: list[int]) -> int:
        for batch in self._machine.advance_to(self._clock.now()):
            if len(batch):
                self._newest |= dict(zip(batch.group.signals, batch.values[-1].tolist(), strict=True))
        words = self._speech.registers(self._newest)
        registers[: len(words)] = words
        return self.refusal

    def _outgoing(self, answer: bytes) -> bytes:
        if self._clock.now() < self._garbage_until:
            return self._random.randbytes(60)
        return b"" if self._silent else answer


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine behind a Modbus TCP server, and give the settings that reach it.

    Args:
        settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = machine_by(settings, clock)
    async with ModbusFarEnd(machine, clock) as far_end:
        yield far_end.settings
