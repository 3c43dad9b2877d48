"""The keys of a ``[[source]]`` that say how to reach a Modbus device, how often it is asked, and which registers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from telemetry.model.errors import Problem
from telemetry.model.keys import setting
from telemetry.model.kinds import choice, count, number, text
from telemetry.model.tables import Rules, Table

from ..decode.register_table import Register, RegisterEntries
from . import serial_port
from .modbus_link import Reach

_LAST_UNIT = 247
"""On a serial line: MODBUS over Serial Line V1.02."""
_LINE_KEYS = frozenset(("port", "baud_rate", "parity", "stop_bits"))


def _reach(s: ModbusSettings) -> Iterator[Problem]:
    if s.host is None and s.port is None:
        right = 'write host = "192.168.1.20" for Modbus TCP, or port = "/dev/ttyUSB0" for a serial line'
        yield Problem("host", "is missing, and so is port", right)
    for key in sorted(s.stated.keys() & _LINE_KEYS) if s.host is not None else ():
        yield Problem(key, "is for a serial line and cannot be used with host", "keep one way to reach the device")
    if s.host is None and "tcp_port" in s.stated:
        yield Problem("tcp_port", "needs host", "leave it out for a serial line")


def _unit(s: ModbusSettings) -> Iterator[Problem]:
    if s.host is None and not 1 <= s.unit <= _LAST_UNIT:
        yield Problem("unit", "is no whole number from 1 to 247", "write unit = 1, say")


def _times(s: ModbusSettings) -> Iterator[Problem]:
    if s.silence_s <= s.interval_s + s.timeout_s:
        right = f"write silence_s = {2 * (s.interval_s + s.timeout_s):g}, say"
        yield Problem("silence_s", "is no longer than interval_s and timeout_s together", right)


@dataclass(frozen=True, kw_only=True)
class ModbusSettings(Table):
    """What a ``[[source]]`` of this driver states."""

    rules: ClassVar[Rules] = (_reach, _unit, _times)
    host: str | None = text(
        "name or address, for Modbus TCP; either this or port", "the device's display, or your router", "192.168.1.20"
    )
    tcp_port: int = count(1, 65535, "the port number on that host", "the device's sheet", 1502, default=502)
    port: str | None = setting(
        serial_port.Port(200), "serial device for RTU", "`shakedown sources` lists those in reach", "/dev/ttyUSB0"
    )
    baud_rate: int = count(
        50, 12_000_000, "bits a second of that", "the device's sheet; many are set to 9600", 9600, default=19200
    )
    parity: serial_port.Parity = choice(
        serial_port.PARITIES,
        "parity bit of each byte",
        'the device\'s sheet; many are set to "none"',
        "none",
        default="even",
    )
    stop_bits: float = choice(serial_port.STOP_BITS, "stop bits of each byte", "the device's sheet", 2, default=1)
    unit: int = count(
        *(0, 255, "the device's address, 1 to 247; behind a gateway the unit identifier, 0 to 255"),
        *("the device's settings", 1),
        default=1,
    )
    interval_s: float = number(0.02, 3600, "seconds from poll to poll", "how often you want values", 1.0, default=1.0)
    timeout_s: float = number(0.02, 10, "how long an answer is waited for", "the device's sheet", 1.0, default=1.0)
    silence_s: float = number(
        *(0.1, 36000, "seconds without a row after which the link counts as failed; longer than those two together"),
        *("the two above", 5.0),
        default=5.0,
    )
    register: tuple[Register, ...] = setting(
        RegisterEntries(),
        "the device's registers, if it is not SunSpec",
        "the device's register table",
        [],
        default=(),
    )

    @property
    def reach(self) -> Reach:
        """How to reach the device."""
        if self.host is not None:
            return Reach((self.host, self.tcp_port), self.unit, self.timeout_s)
        line = serial_port.PortSettings(
            port=self.port or "", baud_rate=self.baud_rate, parity=self.parity, stop_bits=self.stop_bits
        )
        return Reach(line, self.unit, self.timeout_s)
