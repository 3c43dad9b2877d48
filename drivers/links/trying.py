"""Listens on ports and buses that nobody has described, and says what speaks there. Nothing is ever sent.

A serial port is opened at one usual rate after the other. A CAN bus is opened as it is set up; other bit rates are
tried only on adapters that can be told to listen without acknowledging, for to acknowledge at a wrong rate disturbs
the machine's own bus.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from typing import Any

from telemetry.driver import Heard, Listening
from telemetry.model.capture import CapturedPiece
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkError

from ..decode.can_frames import CanFrame
from ..decode.heard import Guess, heard_bytes, heard_frames
from . import can_bus, serial_port
from .can_settings import BusSettings
from .ports import is_network_port, port_problem

BAUD_RATES = (115200, 9600, 19200, 38400, 57600, 4800)
"""Usual rates, the most usual first; common practice."""
SURE = 2
"""Score from which no other rate is tried."""
BIT_RATES = (250_000, 500_000, 125_000, 1_000_000)
"""Usual bit rates of machines; common practice."""
SILENT = (
    "silent: it may wait to be asked, and nothing is sent here. If you know that it speaks Modbus: "
    "shakedown sources --ask {}. A pack that is polled needs its maker's requests in a frame map"
)


async def try_ports(how: Listening) -> list[Heard]:
    """Listen on serial ports at each rate, all ports at once."""
    ports = [place for place in how.only if not is_network_port(place) and port_problem(place) is None]
    if not how.only:
        ports = [device for device, _ in await asyncio.to_thread(serial_port.serial_ports)]
    return list(await asyncio.gather(*(asyncio.to_thread(_try_port, port, how) for port in ports)))


def _try_port(port: str, how: Listening) -> Heard:
    silent = Guess(0, SILENT.format(port))
    best, best_rate = silent, BAUD_RATES[0]
    for rate in BAUD_RATES:
        try:
            found = heard_bytes(_listened(port, rate, how.seconds))
        except LinkError as error:
            return Heard(port, f"not heard: {error}")
        if found.score > best.score or (found.score == best.score == 0 and found.speaks != "nothing"):
            best, best_rate = found, rate
        if best.score >= SURE:
            break
    reach = {"port": port, "baud_rate": best_rate}
    settings = {"driver": best.settings["driver"]} | reach | dict(best.settings) if best.settings else {}
    kept: tuple[CapturedPiece, ...] = ()
    if how.keep_s and best is not silent:
        kept = tuple(CapturedPiece(t, port, "in", data) for t, data in _listened(port, best_rate, how.keep_s))
    return Heard(port, f"{best.speaks}{f' at {best_rate} baud' if best.score else ''}", settings, best.values, kept)


def _listened(port: str, rate: int, seconds: float) -> list[tuple[int, bytes]]:
    """Return what came within ``seconds`` at one rate.

    Raises:
        LinkUnavailable, LinkLost: it cannot be opened, or has gone.

    """
    clock, pieces = SystemClock(), list[tuple[int, bytes]]()
    link = serial_port.open_serial(serial_port.PortSettings(port=port, baud_rate=rate))
    try:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            data = link.read()
            if data:
                pieces.append((clock.now(), data))
    finally:
        link.close()
    return pieces


async def try_buses(how: Listening) -> list[Heard]:
    """Listen on the CAN buses in reach; those that are named, by channel."""
    buses = await asyncio.to_thread(can_bus.buses_in_reach)
    buses = [bus for bus in buses if not how.only or str(bus["channel"]) in how.only]
    return list(await asyncio.gather(*(asyncio.to_thread(_try_bus, bus, how.seconds) for bus in buses)))


def _try_bus(bus: dict[str, Any], seconds: float) -> Heard:
    name = f"{bus['interface']} {bus['channel']}"
    rates: Sequence[int | None] = (None,)
    if bus["interface"] != "socketcan":
        if not can_bus.listens_without_acknowledging(bus["interface"]):
            why = "not tried: this adapter cannot listen without acknowledging, and at a wrong bit rate it"
            return Heard(name, f"{why} would disturb the bus; write its bit_rate")
        rates = BIT_RATES
    for rate in rates:
        reach = bus | ({} if rate is None else {"bit_rate": rate})
        try:
            frames = _frames_of(BusSettings(**reach), seconds)
        except LinkError as error:
            return Heard(name, f"not heard: {error}")
        found = heard_frames(frames)
        if frames:
            settings = {"driver": "can-messages"} | reach | dict(found.settings) if found.settings else {}
            return Heard(name, found.speaks + (f" at {rate} bit/s" if rate else ""), settings, found.values)
    return Heard(name, "silent: no frame came; is the bus switched on, and the adapter at its bit rate?")


def _frames_of(settings: BusSettings, seconds: float) -> list[CanFrame]:
    link = can_bus.open_can(settings, SystemClock())
    frames: list[CanFrame] = []
    try:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            frames += link.read().frames
    finally:
        link.close()
    return frames
