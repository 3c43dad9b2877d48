"""A pack behind a Modbus TCP server on this computer, with SunSpec models 1, 802 and 803 from register 40000 on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack
from typing import Any

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock
from telemetry.model.signals import cell_number, pack_temperature_number

from ..decode import sunspec
from ..links.modbus_link import RegisterServer
from .peer import Machine, Peer

HOST = "127.0.0.1"
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


def sunspec_registers(newest: Mapping[str, float]) -> list[int]:
    """Return all registers of a SunSpec battery with one string, for the newest values by signal."""
    cells = [value for signal, value in newest.items() if cell_number(signal)] or [math.nan]
    celsius = [value for signal, value in newest.items() if pack_temperature_number(signal)] or [math.nan]
    voltage, current = newest.get("pack_voltage", math.nan), newest.get("pack_current", math.nan)
    soc = newest.get("soc_reported", math.nan)
    low, high = min(cells), max(cells)
    status = math.nan if math.isnan(current) else 3 if current > 0 else 4 if current < 0 else 6
    battery = {"V": voltage, "A": current, "SoC": soc, "CellVMin": low, "CellVMax": high, "W": voltage * current}
    battery |= {"ChaSt": status, "State": 3, "Typ": 4, "SoH": 100, "Evt1": 0}
    cold, hot = min(celsius), max(celsius)
    bank = {"NStr": 1, "NStrCon": 1, "StrVAvg": voltage, "StrVMax": voltage, "StrVMin": voltage}
    bank |= {"StrAAvg": current, "StrAMax": current, "StrAMin": current}
    bank |= {"ModTmpMax": hot, "ModTmpMin": cold, "ModTmpAvg": sum(celsius) / len(celsius)}
    string = {"StrNMod": 1, "StrA": current, "StrSoC": soc, "StrCellVMin": low, "StrCellVMax": high}
    string |= {"StrModTmpMax": hot, "StrModTmpMin": cold, "StrEvt1": 0}
    common = [1, COMMON_LENGTH, *[0] * COMMON_LENGTH]
    return [*sunspec.MARKER, *common, *encoded(802, battery), *encoded(803, bank, [string]), sunspec.END, 0]


class ModbusPeer(Peer):
    """The pack; see :class:`.peer.Peer`. It speaks only when it is asked.

    Attributes:
        server: the Modbus server, which knows what was asked of it.

    """

    blocks: Sequence[tuple[int, int]] = ((BASE, len(sunspec_registers({}))),)

    def __init__(self, machine: Machine, clock: Clock, interval_s: float = 0.2, timeout_s: float = 0.5) -> None:
        super().__init__(machine, clock)
        self._times = {"interval_s": interval_s, "timeout_s": timeout_s}
        self._newest: dict[str, float] = {}
        self.server = RegisterServer(self.blocks, self.refresh, self.outgoing)

    async def begin(self, stack: AsyncExitStack) -> None:
        """Listen."""
        await self.server.start()
        stack.callback(self.server.stop)

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack."""
        return {"host": HOST, "tcp_port": self.server.tcp_port, **self._times}

    def pieces(self, batches: Sequence[Batch]) -> list[Any]:
        """Take note of every row, and say nothing."""
        for batch in batches:
            if len(batch):
                self._newest |= dict(zip(batch.group.signals, batch.values[-1].tolist(), strict=True))
        return []

    def say(self, piece: Any) -> None:
        """Never called: there are no pieces."""

    def refresh(self, _address: int, _count: int, registers: list[int]) -> int:
        """Bring the registers up to date; return 0, or the exception code to refuse with."""
        self.pieces(self.machine.advance_to(self.clock.now()))
        words = self.words(self._newest)
        registers[: len(words)] = words
        return 0

    def words(self, newest: Mapping[str, float]) -> list[int]:
        """Return what the registers hold."""
        return sunspec_registers(newest)

    def outgoing(self, answer: bytes) -> bytes:
        """Return what is sent as an answer."""
        return answer
