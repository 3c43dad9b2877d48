"""What speaks at a port or on a bus that nobody has described: real devices behind real links."""

from __future__ import annotations

import asyncio
import tomllib
from pathlib import Path

import pytest

from drivers.decode.can_frames import EXTENDED, CanFrame
from drivers.decode.heard import heard_bytes, heard_frames
from drivers.links import trying
from drivers.simulated import text_peer
from drivers.simulated.machine import SimulatedMachine
from telemetry.driver import Listening
from telemetry.model.clock import SystemClock
from telemetry.runs.discover import heard_lines, keep_heard, source_lines
from tests.drivers.peers import UnrulyFrames, UnrulyPosition, UnrulyText
from tests.drivers.test_frame_guess import asked
from tests.faults.link_kinds import COUNT_FRAMES
from tests.faults.machines import Numbered


def tried(make, how=None):
    """Listen to a device, and return what was heard and what was written to it."""

    async def listen():
        clock = SystemClock()
        async with make(Numbered(clock.now(), "vehicle_speed", wrap=300), clock) as device:
            written = []
            device.heard = written.append
            only = [device.settings["port"]]
            (heard,) = await trying.try_ports(how or Listening(1.0, only))
            return heard, written, only

    return asyncio.run(listen())


@pytest.mark.parametrize(
    ("make", "speaks", "driver", "signal"),
    [
        (UnrulyText, "lines of text", "serial-text", None),
        (
            lambda machine, clock: UnrulyPosition(machine, clock, interval_us=50_000),
            "NMEA 0183",
            "satellite-position",
            "latitude",
        ),
        (
            lambda machine, clock: UnrulyFrames(machine, clock, COUNT_FRAMES),
            "frames of 11 bytes",
            "serial-frames",
            None,
        ),
    ],
    ids=["text", "position", "frames"],
)
def test_a_device_on_a_port_is_recognised_and_nothing_is_written_to_it(make, speaks, driver, signal) -> None:
    heard, written, (port,) = tried(make)
    assert heard.speaks.startswith(speaks)
    assert heard.speaks.endswith("at 115200 baud")
    assert (heard.settings["driver"], heard.settings["port"]) == (driver, port)
    assert signal is None or signal in heard.values
    assert written == []
    assert f'driver = "{driver}"' in heard_lines([heard])


def test_a_silent_port_and_one_that_is_not_there_say_so(monkeypatch) -> None:
    monkeypatch.setattr(trying, "BAUD_RATES", (115200, 9600))

    def silent(machine, clock):
        device = UnrulyText(machine, clock)
        device.be_silent()
        return device

    heard, _, _ = tried(silent)
    assert heard.speaks.startswith("silent: it may wait to be asked")
    assert heard.settings == {}
    (gone,) = asyncio.run(trying.try_ports(Listening(0.1, ["/dev/ttyNOTHERE9"])))
    assert gone.speaks.startswith("not heard: ")


def test_unknown_bytes_of_a_captured_pack_are_told_as_frames_with_their_checksum() -> None:
    from drivers.decode.frame_map import load_frame_map
    from drivers.simulated.frames_peer import PLAIN_PACK

    pieces = [(p.t, p.data) for p in asked(load_frame_map(PLAIN_PACK)) if p.direction == "in"]
    found = heard_bytes(pieces)
    assert "begin with A5 5A, checksum CRC-16/MODBUS" in found.speaks
    assert heard_bytes([(0, b"\x00\xff" * 3)]).speaks == "6 bytes in no known format"
    assert heard_bytes([]).speaks == "nothing"


def test_kept_bytes_are_a_capture_for_the_guess(tmp_path: Path) -> None:
    from telemetry.model.capture import read_capture

    def make(machine, clock):
        return UnrulyFrames(machine, clock, COUNT_FRAMES)

    async def listen():
        clock = SystemClock()
        async with make(Numbered(clock.now()), clock) as device:
            return await trying.try_ports(Listening(0.3, [device.settings["port"]], keep_s=0.3))

    found = asyncio.run(listen())
    keep_heard(found, tmp_path / "bytes.txt")
    assert sum(len(piece.data) for piece in read_capture(tmp_path / "bytes.txt")) > 50


RV_C = (EXTENDED | 0x19FFFD46, "02 78 05 04 E4 0A 35 77")
DRIVE = (EXTENDED | 0x09F40223, "01 00 40 1F 02 02 5F 01")
STORE = (EXTENDED | 0x0CF090F3, "FF FF FF FF 10 04 00 7D")


@pytest.mark.parametrize(
    ("sent", "speaks", "signal", "value"),
    [
        ([RV_C], "rv-c", "pack_voltage", 51.45),
        ([DRIVE], "nmea-2000", "motor_speed", 2000.0),
        ([STORE], "j1939", "pack_voltage", 52.0),
        ([(0x181, "C8 00 01")], "canopen-418", "pack_temperature_1", 25.0),
        ([(0x123, "01 02")], "3 frames of no standard known here: 123", None, None),
        ([], "nothing", None, None),
    ],
)
def test_the_standard_of_a_bus_is_told_by_its_frames(sent, speaks, signal, value) -> None:
    frames = [CanFrame(1000 * n, key, bytes.fromhex(text)) for n in range(3) for key, text in sent]
    found = heard_frames(frames)
    assert found.speaks.startswith(speaks)
    assert signal is None or found.values[signal] == pytest.approx(value)
    assert (found.settings != {}) == (signal is not None)


def test_a_second_battery_is_proposed_by_its_number() -> None:
    found = heard_frames([CanFrame(0, RV_C[0], bytes.fromhex(RV_C[1]))])
    assert found.settings == {"standard": ["rv-c"], "instance": 2}


def test_bit_rates_are_tried_only_where_nothing_is_acknowledged(monkeypatch) -> None:
    buses = [{"interface": "slcan", "channel": "/dev/ttyNOTHERE9"}, {"interface": "gs_usb", "channel": "0"}]
    monkeypatch.setattr(trying.can_bus, "buses_in_reach", lambda: buses)
    quiet, loud = asyncio.run(trying.try_buses(Listening(0.1)))
    assert quiet.speaks.startswith("not heard: ")
    assert "cannot listen without acknowledging" in loud.speaks


def test_a_simulated_machine_gives_what_the_proposal_promises(monkeypatch) -> None:
    monkeypatch.setattr(text_peer, "HEADER_EVERY_US", 100_000)

    async def listen():
        clock = SystemClock()
        machine = SimulatedMachine("orchard", 1, clock.now(), "simulated", rate_hz=20)
        async with UnrulyText(machine, clock) as board:
            (heard,) = await trying.try_ports(Listening(0.5, [board.settings["port"]]))
            return heard

    heard = asyncio.run(listen())
    assert 60 < heard.values["pack_voltage"] < 90
    assert any(line.startswith("#     pack_voltage = ") for line in heard_lines([heard]))


def test_a_port_that_several_drivers_could_read_is_said_to_be_one_device() -> None:
    found = [{"driver": "serial-text", "port": "/dev/ttyUSB0"}, {"driver": "bluetooth-le", "address": "C0:00"}]
    found += [{"driver": "modbus", "port": each} for each in ("/dev/ttyUSB0", "/dev/ttyUSB1")]
    lines = source_lines(found)
    place = lines.index("# /dev/ttyUSB0: one device, so keep one of these 2. What speaks there:")
    assert lines[place + 1] == "# shakedown sources --try /dev/ttyUSB0"
    assert [line for line in lines[place:] if line.startswith("driver")][:2] == [
        'driver = "serial-text"',
        'driver = "modbus"',
    ]
    assert sum(line.startswith("#") for line in lines) == 2
    assert sum(len(tables) for tables in tomllib.loads("\n".join(lines)).values()) == 4
