"""What answers at a place that the owner names; against pymodbus's own server, and a port on which nobody answers."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import tty
from pathlib import Path

import pytest

from drivers.links import modbus_asking
from drivers.links.modbus_asking import ask_place
from telemetry.cli import main
from telemetry.model.clock import SystemClock
from telemetry.runs.discover import heard_lines
from tests.drivers.peers import UnrulyModbus
from tests.drivers.test_modbus_driver import Steady


def place_of(settings) -> str:
    return f"{settings['host']}:{settings['tcp_port']}"


async def test_a_sunspec_device_is_found_and_only_reads_are_sent() -> None:
    async with UnrulyModbus(Steady(), SystemClock()) as pack:
        heard = await ask_place(place_of(pack.settings))
        assert set(pack.server.function_codes) == {3}
        reach = {key: pack.settings[key] for key in ("host", "tcp_port")}
        assert heard.settings == {"driver": "modbus", **reach, "unit": 1}
    assert heard.speaks == "SunSpec over Modbus, unit 1"
    assert 'driver = "modbus"' in heard_lines([heard])


@pytest.mark.parametrize(("refusal", "said"), [(0, "no SunSpec marker"), (2, "it refuses: illegal data address")])
async def test_a_device_without_the_marker_is_told_with_what_to_do(refusal: int, said: str) -> None:
    async with UnrulyModbus(Steady(), SystemClock(), "table") as pack:
        pack.refusal = refusal
        heard = await ask_place(place_of(pack.settings))
    assert heard.speaks.startswith("Modbus, unit 1: no SunSpec marker")
    assert said in heard.speaks
    assert "[[source.register]]" in heard.speaks
    assert heard.settings == {}


async def test_a_gateway_with_nobody_behind_it_is_no_device() -> None:
    async with UnrulyModbus(Steady(), SystemClock(), "table") as pack:
        pack.refusal = 11
        heard = await ask_place(place_of(pack.settings))
    assert "unit 1:" not in heard.speaks


async def test_a_closed_port_and_a_place_that_is_none_are_one_sentence() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        closed = f"127.0.0.1:{free.getsockname()[1]}"
    assert (await ask_place(closed)).speaks.startswith("not asked: ")
    assert "name a serial port" in (await ask_place("what is this")).speaks


async def test_a_serial_device_that_says_nothing_is_asked_at_each_setting_and_given_up(monkeypatch) -> None:
    monkeypatch.setattr(modbus_asking, "_ANSWER_S", 0.03)
    plain = tuple(line for line in modbus_asking.LINES if line["parity"] == "none")
    monkeypatch.setattr(modbus_asking, "LINES", plain)  # a pseudo-terminal takes no other
    ours, theirs = os.openpty()
    tty.setraw(ours)
    try:
        heard = await ask_place(os.ttyname(theirs))
        os.set_blocking(ours, False)
        sent = b""
        with contextlib.suppress(BlockingIOError):
            while piece := os.read(ours, 4096):
                sent += piece
    finally:
        os.close(ours)
        os.close(theirs)
    assert heard.speaks.startswith("no answer to Modbus reads")
    assert len(sent) == 8 * len(modbus_asking.UNITS) * len(modbus_asking.LINES)  # one read of eight bytes each
    assert {sent[at : at + 4] for at in range(0, len(sent), 8)} == {
        bytes([unit, 3, 0x9C, 0x40]) for unit in (1, 2, 3)
    }


def test_the_command_sends_nothing_unless_somebody_agrees(capsys, tmp_path: Path) -> None:
    async def counted(arguments: list[str]) -> int:
        async with UnrulyModbus(Steady(), SystemClock()) as pack:
            await asyncio.to_thread(main, ["sources", "--ask", place_of(pack.settings), *arguments])
            return len(pack.server.function_codes)

    assert asyncio.run(counted([])) == 0
    assert "nobody is at a terminal" in capsys.readouterr().err
    assert asyncio.run(counted(["--yes"])) > 0
    assert "SunSpec over Modbus, unit 1" in capsys.readouterr().out
