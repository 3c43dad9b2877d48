"""Sending requests through the reading thread: order, failures, and a time limit on waiting for an answer."""

from __future__ import annotations

import asyncio
import os

import pytest

from drivers.links.pump import Pump
from drivers.links.serial_port import PortSettings, open_serial
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkLost


def pump_on(line):
    return Pump(lambda: open_serial(PortSettings(port=line.port)), SystemClock(), "peer")


def heard(line):
    os.set_blocking(line.master, False)
    try:
        return os.read(line.master, 65536)
    except BlockingIOError:
        return b""


async def all_heard(line, count):
    """What the other end hears, once it is ``count`` bytes."""
    came = heard(line)
    async with asyncio.timeout(60):
        while len(came) < count:
            await asyncio.sleep(0.01)
            came += heard(line)
    return came


async def test_requests_go_out_whole_and_in_order(line):
    pump = pump_on(line)
    await pump.start()
    for n in range(50):
        pump.send(bytes([n]) * 10)
    assert await all_heard(line, 500) == b"".join(bytes([n]) * 10 for n in range(50))
    await pump.stop()


async def test_a_request_does_not_lose_what_is_being_read(line):
    pump = pump_on(line)
    await pump.start()
    came = b""
    for n in range(100):
        line.send(bytes([n]))
        pump.send(b"\x01")
        for piece in await pump.take(0.001):
            came += piece.data
    async with asyncio.timeout(60):
        while len(came) < 100:
            for piece in await pump.take(1.0):
                came += piece.data
    assert came == bytes(range(100))
    assert await all_heard(line, 100) == b"\x01" * 100
    await pump.stop()


async def test_waiting_has_a_limit_and_loses_nothing(line):
    pump = pump_on(line)
    await pump.start()
    assert await pump.take(0.02) == []
    line.send(b"\x42")
    (piece,) = await pump.take(2.0)
    assert piece.data == b"\x42"
    assert await pump.take(0.0) == []
    await pump.stop()


async def test_a_peer_that_takes_nothing_is_a_broken_link(line):
    pump = pump_on(line)
    await pump.start()
    for _ in range(40):
        pump.send(bytes(4096))
    with pytest.raises(LinkLost, match="takes no request"):
        await asyncio.wait_for(pump.take(), 5)
    pump.send(b"\x01")  # too late, and harmless
    await pump.stop()
    pump.send(b"\x01")


async def test_a_link_that_breaks_while_it_is_written_to_is_lost(line):
    pump = pump_on(line)
    await pump.start()
    line.drop()
    pump.send(b"\x01")
    with pytest.raises(LinkLost):
        await asyncio.wait_for(pump.take(), 5)
    await pump.stop()


class Listening:
    """A link that cannot be written to."""

    def read(self):
        return None

    def close(self):
        pass


async def test_a_link_that_only_listens_is_not_written_to():
    pump = Pump(Listening, SystemClock(), "peer")
    with pytest.raises(TypeError, match="only listens"):
        pump.send(b"\x01")
    await pump.start()
    with pytest.raises(TypeError, match="only listens"):
        pump.send(b"\x01")
    await pump.stop()


async def test_waking_a_closed_port_touches_no_other_file(line):
    link = open_serial(PortSettings(port=line.port))
    link.close()
    reads, writes = os.pipe()
    for _ in range(20):
        link.wake()
    os.set_blocking(reads, False)
    with pytest.raises(BlockingIOError):
        os.read(reads, 10)
    os.close(reads)
    os.close(writes)
