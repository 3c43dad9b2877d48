"""What is said of a silent Modbus link, from frames worked out by crccheck (CRC-16/MODBUS).

Source of the frames: MODBUS application protocol specification V1.1b3, section 6.3.
"""

from __future__ import annotations

import asyncio
import os

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from drivers.links.modbus_heard import Heard
from drivers.links.modbus_link import ModbusLink, Reach
from drivers.links.serial_port import PortSettings


def checksum(frame: bytes) -> bytes:
    return CrcModbus.calc(frame).to_bytes(2, "little")


def framed(data: str) -> bytes:
    return bytes.fromhex(data) + checksum(bytes.fromhex(data))


ASKED = framed("11 03 00 6B 00 03")
ANSWER = framed("11 03 06 02 2B 00 00 00 64")
"""The example of section 6.3, at address 11 hex."""


def advice(*came: bytes, unit: int = 0x11) -> str:
    heard = Heard(checksum)
    for piece in came or (b"",):
        heard.note(True, ASKED)
        heard.note(False, piece)
    return heard.on_a_line(unit)


@pytest.mark.parametrize(
    ("came", "says"),
    [
        ((), "nothing comes back"),
        ((ASKED, ASKED), "as an echo"),
        ((ANSWER,), "unit 17 answers with less"),
        ((b"\x00", framed("07 83 02")), "set unit = 7"),
        ((ANSWER[:-1] + b"\x00",), "another baud_rate and parity"),
    ],
)
def test_each_way_to_fail_is_told_apart(came: tuple[bytes, ...], says: str) -> None:
    assert says in advice(*came)


def test_another_unit_is_named_also_where_its_answer_comes_in_pieces() -> None:
    assert "unit 17 answers, and not unit 1: set unit = 17" in advice(ANSWER[:3], ANSWER[3:], unit=1)


@given(st.lists(st.binary(max_size=40), max_size=40))
def test_whatever_comes_there_is_one_piece_of_advice(came: list[bytes]) -> None:
    assert advice(*came).count(":") == 1
    assert Heard(checksum).on_a_line(1) == Heard(checksum).on_a_network(1) == ""


async def test_the_link_keeps_what_a_device_of_another_address_says(line) -> None:
    def hear() -> None:
        if os.read(line.master, 100):
            os.write(line.master, framed("07 03 02 00 0A"))

    link = ModbusLink(Reach(PortSettings(port=line.port, baud_rate=19200, parity="none"), 1, 0.2))
    asyncio.get_running_loop().add_reader(line.master, hear)
    try:
        await link.open()
        assert (await link.read("holding", 0, 1)).registers is None
        assert "set unit = 7" in link.advice()
    finally:
        asyncio.get_running_loop().remove_reader(line.master)
        await link.close()
