"""The bytes of Modbus, against published frames.

Sources: MODBUS application protocol specification V1.1b3, sections 6.3, 6.4 and 7; the RTU frames with their CRCs
were worked out by crccheck (CRC-16/MODBUS) and pymodbus.
"""

from __future__ import annotations

import asyncio
import os
from contextlib import suppress

import pytest
from crccheck.crc import CrcModbus

from drivers.links.modbus_link import Answer, ModbusLink, Reach
from drivers.links.serial_port import PortSettings
from telemetry.model.errors import LinkLost, LinkUnavailable


class Device:
    """Says what it is told to, after whatever it is asked, on a pseudo-terminal."""

    def __init__(self, line):
        self.line, self.asked, self.answer = line, b"", b""
        os.set_blocking(line.master, False)
        asyncio.get_running_loop().add_reader(line.master, self._hear)

    def _hear(self):
        self.asked += os.read(self.line.master, 1000)
        if len(self.asked) >= 8 and self.answer:
            answer, self.answer = self.answer, b""
            os.write(self.line.master, answer)

    def leave(self):
        asyncio.get_running_loop().remove_reader(self.line.master)


@pytest.fixture
async def device(line):
    device = Device(line)
    yield device
    if line.master >= 0:
        device.leave()


def over(line, unit, timeout_s=0.5):
    return ModbusLink(Reach(PortSettings(port=line.port, baud_rate=19200, parity="none"), unit, timeout_s))


@pytest.mark.parametrize(
    ("unit", "kind", "address", "count", "asked", "answer", "expected"),
    [
        (0x11, "holding", 107, 3, "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", [555, 0, 100]),
        (
            *(0x11, "holding", 107, 3, "11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD"),
            [0xAE41, 0x5652, 0x4340],
        ),
        (0x11, "input", 8, 1, "11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4", [10]),
        (0x01, "holding", 0, 2, "01 03 00 00 00 02 C4 0B", "01 83 02 C0 F1", None),
    ],
)
async def test_the_published_frames_on_a_serial_line(
    line, device, unit, kind, address, count, asked, answer, expected
):
    device.answer = bytes.fromhex(answer)
    link = over(line, unit)
    await link.open()
    reply = await link.read(kind, address, count)
    await link.close()
    assert device.asked == bytes.fromhex(asked)
    assert reply == (Answer(None, 2) if expected is None else Answer(expected))
    for frame in (bytes.fromhex(asked), bytes.fromhex(answer)):
        assert CrcModbus.calc(frame[:-2]) == int.from_bytes(frame[-2:], "little")


async def test_the_published_registers_over_tcp():
    heard = []

    async def answer(reader, writer):
        heard.append(await reader.readexactly(12))
        writer.write(heard[0][:4] + bytes.fromhex("00 09 11 03 06 02 2B 00 00 00 64"))
        await reader.read()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    link = ModbusLink(Reach(server.sockets[0].getsockname()[:2], 0x11))
    await link.open()
    assert await link.read("holding", 107, 3) == Answer([555, 0, 100])
    await link.close()
    server.close()
    # Header: transaction number, protocol 0, six bytes to follow, unit (MODBUS messaging on TCP/IP V1.0b).
    assert heard[0][2:] == bytes.fromhex("00 00 00 06 11 03 00 6B 00 03")


@pytest.mark.parametrize(
    "rest",
    [
        "00 03 11 55 00",  # a function that there is not
        "00 09 11 03 40 02 2B 00 00 00 64",  # says that it is longer than it is
        "00 05 11 03 02 02 2B",  # one register for three
        "00 03 11 83",  # no exception code
        "00 02 11 03",
        "00 09 12 03 06 02 2B 00 00 00 64",  # another unit's
    ],
)
async def test_a_nonsensical_answer_over_tcp_is_none_or_ends_the_connection(rest):
    async def answer(reader, writer):
        head = (await reader.readexactly(12))[:4]
        writer.write(head + bytes.fromhex(rest))
        await reader.read()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    link = ModbusLink(Reach(server.sockets[0].getsockname()[:2], 0x11, 0.1))
    await link.open()
    with suppress(LinkLost):
        assert await link.read("holding", 107, 3) == Answer(None)
    await link.close()
    server.close()


@pytest.mark.parametrize(
    "answer",
    [
        "11 03 06 02 2B 00 00 00 64 C8 BB",  # wrong CRC
        "11 03 04 02 2B 00 00 4A DA",  # two registers for three; CRC worked out below
        "12 03 06 02 2B 00 00 00 64 FB BA",  # another device's
        "11 03",
        "",
    ],
)
async def test_what_is_no_whole_answer_is_none(line, device, answer):
    frame = bytes.fromhex(answer)
    if len(frame) == 9 or frame[:1] == b"\x12":
        frame = frame[:-2] + CrcModbus.calc(frame[:-2]).to_bytes(2, "little")
    device.answer = frame
    link = over(line, 0x11, 0.1)
    await link.open()
    assert await link.read("holding", 107, 3) == Answer(None)
    await link.close()


async def test_an_answer_that_comes_too_late_is_not_taken_for_the_next(line, device):
    link = over(line, 0x11, 0.2)
    await link.open()
    assert await link.read("holding", 107, 3) == Answer(None)
    reading = asyncio.create_task(link.read("holding", 200, 3))
    await asyncio.sleep(0.05)
    line.send(bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD"))  # to the first question
    await asyncio.sleep(0.05)
    device.asked, device.answer = b"", bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
    assert await reading == Answer([555, 0, 100])
    await link.close()


async def test_a_port_that_goes_is_lost(line, device):
    link = over(line, 0x11, 2)
    await link.open()
    reading = asyncio.create_task(link.read("holding", 0, 1))
    await asyncio.sleep(0.05)
    device.leave()
    line.drop()
    with pytest.raises(LinkLost):
        await asyncio.wait_for(reading, 1)
    await link.close()


async def test_what_cannot_be_reached_is_said_with_its_reason():
    cases = [
        (PortSettings(port="/dev/no-such-port"), "there is no port /dev/no-such-port"),
        (("127.0.0.1", 1), "127.0.0.1:1 cannot be reached .Connection refused.; check host and tcp_port"),
    ]
    for where, said in cases:
        link = ModbusLink(Reach(where))
        with pytest.raises(LinkUnavailable, match=said):
            await link.open()
        with pytest.raises(LinkLost):
            await link.read("holding", 0, 1)
        await link.close()
        await link.close()


async def test_a_port_that_refuses_its_settings_is_not_called_in_use(line):
    """A pseudo-terminal has no parity bit, as some adapters have none; where it takes one, nothing is refused."""
    link = ModbusLink(Reach(PortSettings(port=line.port, baud_rate=19200, parity="even"), 1, 0.5))
    try:
        await link.open()
    except LinkUnavailable as refused:
        assert "does not take these settings; try another baud_rate, parity or stop_bits" in str(refused)  # noqa: PT017
    else:
        await link.close()
