"""The CAN driver on buses that really carry frames: virtual, UDP multicast, and a serial adapter on a pty."""

from __future__ import annotations

import asyncio
import socket

import can
import pytest

from drivers.can_messages import CanMessagesDriver, messages_of
from drivers.decode.can_frames import EXTENDED, CanFrame
from drivers.decode.can_standards import DecodingSettings
from drivers.decode.candump import as_bytes, log_line
from drivers.links import can_bus
from drivers.links.can_bus import ERRORS_BEFORE_LOST, SendingBus
from drivers.links.can_logs import CanLogFile
from drivers.links.pump import Piece
from drivers.simulated.can_peer import CanPeer
from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.capture import CapturedPiece
from telemetry.model.clock import SystemClock
from telemetry.model.errors import InputError, LinkLost, LinkUnavailable
from telemetry.model.tables import settings_of
from tests.drivers.declared import problems_of
from tests.drivers.peers import SerialAdapter, UnrulyCan

PACK = Group("machine", "pack", ("pack_voltage", "pack_current", "soc_reported"))
CELLS = Group("machine", "cells", tuple(f"cell_{n:02d}_voltage" for n in range(1, 15)))
VOLTS = [3.3 + n / 1000 for n in range(14)]


class Steady:
    """A machine whose readings do not change: a row of each group every 20 ms."""

    groups = (PACK, CELLS)

    def __init__(self, start):
        self._next = start

    def advance_to(self, t):
        batches = []
        while self._next <= t:
            batches.append(Batch.of_rows(PACK, [self._next], [(51.45, -35.1, 80.0)]))
            batches.append(Batch.of_rows(CELLS, [self._next], [VOLTS]))
            self._next += 20_000
        return batches


def driver(settings):
    assert problems_of(CanMessagesDriver, settings) == []
    return CanMessagesDriver(DriverContext("pack", settings, SystemClock()))


async def rows(opened, count, seconds=10.0):
    """The last row of each group, once so many have come, as signal -> value."""
    seen, found = 0, {}
    async with asyncio.timeout(seconds):
        async for batch in opened.readings():
            seen += len(batch)
            found |= dict(zip(batch.group.signals, batch.values[-1].tolist(), strict=True))
            if seen >= count:
                break
    return found


class OverMulticast(CanPeer):
    """Its port is its own: Linux gives what comes to a port to every socket there, whatever group it joined."""

    def __init__(self, machine, clock):
        super().__init__(machine, clock)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as tried:
            tried.bind(("", 0))
            port = tried.getsockname()[1]
        self.way = {"interface": "udp_multicast", "channel": "239.74.163.77", "options": {"port": port}}


def devices_on(bus=None, make=UnrulyCan):
    clock = SystemClock()
    machine = Steady(clock.now())
    return make(machine, clock) if make is OverMulticast else make(machine, clock, bus, rv_c=True)


def send_error(bus):
    """Send an error frame, as a bus of another bit rate shows."""
    bus._bus.send(can.Message(is_error_frame=True))


def multicast_works():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as tried:
        try:
            tried.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
            tried.sendto(b"", ("239.74.163.2", 43113))
        except OSError:
            return False
    return True


async def test_frames_kept_as_raw_bytes_are_a_log_that_python_can_reads(tmp_path):
    kept = []
    async with devices_on("shed") as devices:
        context = DriverContext("front bus", devices.settings, SystemClock(), capture=kept.append)
        opened = CanMessagesDriver(context)
        await opened.open()
        await rows(opened, 20)
        await opened.close()
    assert {(piece.source, piece.direction) for piece in kept} == {("front bus", "in")}
    kept.append(CapturedPiece(kept[-1].t, "front bus", "in", (0x7F).to_bytes(4, "big")))
    with (tmp_path / "trip.log").open("w") as log:
        CanMessagesDriver.write_raw(kept, log)
    read = list(CanLogFile(tmp_path / "trip.log").frames())
    assert [(frame.arrival, as_bytes(frame)) for frame in read] == [(piece.t, piece.data) for piece in kept]
    assert {len(frame.data) for frame in read} >= {0, 8}
    assert any(frame.key & EXTENDED for frame in read)


@pytest.mark.parametrize(
    ("bus", "make"),
    [
        pytest.param("garden", UnrulyCan, id="virtual"),
        pytest.param(
            None,
            OverMulticast,
            id="udp-multicast",
            marks=pytest.mark.skipif(not multicast_works(), reason="this computer has no route for multicast"),
        ),
        pytest.param(None, UnrulyCan, id="serial-adapter"),
    ],
)
async def test_what_the_devices_send_arrives(bus, make):
    async with devices_on(bus, make) as devices:
        opened = driver(devices.settings)
        await opened.open()
        got = await rows(opened, 40)
        await opened.close()
    assert got["pack_voltage"] == pytest.approx(51.45, abs=0.025)
    assert got["pack_current"] == pytest.approx(-35.1, abs=0.0005)
    assert got["soc_reported"] == 80.0
    assert [got[name] for name in CELLS.signals] == pytest.approx(VOLTS)


async def test_not_one_frame_is_ever_sent():
    watching = can.Bus(interface="virtual", channel="quiet")
    try:
        async with devices_on("quiet") as devices:
            opened = driver(devices.settings)
            await opened.open()
            await rows(opened, 60)
            await opened.close()
            sent = devices.sent
        heard = 0
        while watching.recv(0) is not None:
            heard += 1
    finally:
        watching.shutdown()
    assert heard == sent > 0, "the bus carried the devices' frames and no other"


async def test_an_adapter_is_only_told_to_open_listening_and_to_close():
    async with devices_on() as devices:
        opened = driver(devices.settings)
        await opened.open()
        await rows(opened, 20)
        await opened.close()
        await asyncio.sleep(0.05)
    way = devices.adapter
    assert "L" in way.commands
    assert {command[0] for command in way.commands} <= {"C", "S", "L", "O", "Y"}
    assert "S5" in way.commands  # 250 kbit/s in the line protocol
    assert way.commands.index("L") > way.commands.index("S5")
    after = way.commands[way.commands.index("L") :]
    assert "O" not in after, "never put back on the air"


async def test_error_frames_are_counted_and_explained():
    settings = {"interface": "virtual", "channel": "noisy", "bit_rate": 500_000, "standard": ["rv-c"]}
    bus = SendingBus("virtual", "noisy")
    opened = driver(settings)
    await opened.open()
    for _ in range(ERRORS_BEFORE_LOST - 1):
        send_error(bus)
    bus.send(EXTENDED | 0x19FFFD46, bytes.fromhex("01780504E40A3577"))
    assert (await rows(opened, 1))["pack_voltage"] == pytest.approx(51.45)
    for _ in range(ERRORS_BEFORE_LOST):
        send_error(bus)
    with pytest.raises(LinkLost, match=r"virtual noisy gave 50 error frames .* bit_rate = 500000 is probably not"):
        await rows(opened, 1)
    assert opened.error_frames == 2 * ERRORS_BEFORE_LOST - 1
    await opened.close()
    bus.close()


async def test_what_came_before_the_link_was_lost_is_given_out(tmp_path):
    way = SerialAdapter(tmp_path / "adapter")
    way.line.connect()
    opened = driver(way.settings | {"standard": ["rv-c"]})
    await opened.open()
    await asyncio.sleep(0.1)
    for _ in range(5):
        way.send(EXTENDED | 0x19FFFD46, bytes.fromhex("01780504E40A3577"))
    bus = SendingBus("virtual", "last words")
    other = driver({"interface": "virtual", "channel": "last words", "standard": ["rv-c"]})
    await other.open()
    for _ in range(5):
        bus.send(EXTENDED | 0x19FFFD46, bytes.fromhex("01780504E40A3577"))
    for _ in range(ERRORS_BEFORE_LOST):
        send_error(bus)
    for one in (opened, other):
        assert (await rows(one, 5))["pack_voltage"] == pytest.approx(51.45)
    way.line.disconnect()
    for one in (opened, other):
        with pytest.raises(LinkLost):
            await rows(one, 1)
        await one.close()
    bus.close()


async def test_a_bus_of_which_nothing_is_understood_is_told():
    settings = {"interface": "virtual", "channel": "strange", "standard": ["rv-c"]}
    bus = SendingBus("virtual", "strange")
    opened = driver(settings)
    await opened.open()
    for n in range(500):
        bus.send(0x123 if n % 2 else EXTENDED | 0x18FEF100, b"12345678")
    with pytest.raises(TimeoutError):
        await rows(opened, 1, 0.3)
    said = opened.advice()
    assert "none of " in said
    assert "123" in said
    assert "18FEF100 (group 65265)" in said
    await opened.close()
    bus.close()


async def test_another_batterys_number_is_told():
    bus = SendingBus("virtual", "second")
    opened = driver({"interface": "virtual", "channel": "second", "standard": ["rv-c"]})
    await opened.open()
    for _ in range(300):
        bus.send(EXTENDED | 0x19FFFD46, bytes.fromhex("02780504E40A3577"))
    with pytest.raises(TimeoutError):
        await rows(opened, 1, 0.3)
    told = "frames of batteries 2 were seen, your file asks for 1; set instance to one of them"
    assert opened.advice() == told
    await opened.close()
    bus.close()


async def test_a_row_with_a_message_missing_is_given_in_time(tmp_path):
    async with devices_on("gaps") as devices:
        devices.be_silent()
        settings = devices.settings | {"close_after_s": 0.1}
        opened = driver(settings)
        await opened.open()
        bus = SendingBus("virtual", "gaps")
        bus.send(0x300 + 1, (3300).to_bytes(2, "little") * 4)
        got = await rows(opened, 1, 2.0)
        assert sum(value == value for value in got.values()) in (2, 4)
        assert opened.figures.decoded.incomplete_rows == 1
        bus.close()
        await opened.close()


async def test_noise_on_an_adapters_line_is_passed_over_and_counted():
    async with devices_on() as devices:
        opened = driver(devices.settings)
        await opened.open()
        await rows(opened, 10)
        devices.print_garbage(3600.0)
        reading = asyncio.create_task(rows(opened, 200, 120.0))
        async with asyncio.timeout(60.0):
            while not opened.unreadable:  # noqa: ASYNC110 - another task counts
                await asyncio.sleep(0.01)
        devices.print_garbage(0.0)
        assert (await reading)["pack_voltage"] == pytest.approx(51.45, abs=0.025)
        await opened.close()


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"interface": "slcan", "channel": "/dev/no-such-adapter"}, "there is no port /dev/no-such-adapter; plug"),
        ({"interface": "slcan", "channel": "/dev/null"}, "/dev/null is not a serial device"),
        ({"interface": "slcan"}, "without a channel; name"),
        ({"interface": "gs_usb", "channel": "0"}, "install"),
        ({"interface": "pcan", "channel": "PCAN_USBBUS1"}, "pcan PCAN_USBBUS1"),
    ],
)
async def test_what_cannot_be_opened_is_one_sentence(settings, sentence):
    opened = driver(settings | {"standard": ["rv-c"]})
    with pytest.raises(LinkUnavailable) as refused:
        await opened.open()
    said = str(refused.value)
    assert sentence in said
    assert "; " in said
    assert "Traceback" not in said
    await opened.close()


@pytest.mark.skipif(not hasattr(socket, "AF_CAN"), reason="only Linux has these sockets")
async def test_a_linux_interface_that_is_not_there_is_told():
    opened = driver({"interface": "socketcan", "channel": "can77", "standard": ["rv-c"]})
    with pytest.raises(LinkUnavailable, match=r"socketcan can77|no CAN interface can77|no CAN sockets"):
        await opened.open()
    await opened.close()


async def test_what_is_half_received_is_given_up_where_frames_were_lost():
    # NMEA 2000 127506 in two frames: bytes decoded by the PyPI package nmea2000.
    frames = [bytes.fromhex(text) for text in ("000B05010050605A", "01000C005F00FFFF")]
    first, second = (can_bus.CanRead([CanFrame(0, EXTENDED | 0x19F21223, data)], 0, 0) for data in frames)
    opened = driver({"interface": "virtual", "channel": "lossy", "standard": ["nmea-2000"], "instance": 1})
    await opened.open()
    assert list(opened.decode([Piece(0, first), Piece(1, second, lost_before=3)])) == []
    (batch,) = opened.decode([Piece(2, first), Piece(3, second)])
    assert batch.column("soc_reported").tolist() == [80.0]
    assert opened.figures.decoded.given_up == 1
    await opened.close()


async def test_frames_without_data_of_their_own_give_nothing():
    opened = driver({"interface": "virtual", "channel": "asking", "standard": ["rv-c"]})
    await opened.open()
    bus = SendingBus("virtual", "asking")
    bus._bus.send(can.Message(arbitration_id=0x19FFFD46, is_remote_frame=True, dlc=8))
    bus.send(EXTENDED | 0x19FFFD46, bytes.fromhex("01780504E40A3577"))
    assert (await rows(opened, 1))["pack_voltage"] == pytest.approx(51.45)
    assert opened.figures.decoded.frames == 1, "a request for data is none"
    await opened.close()
    bus.close()


def test_a_catalogue_changed_since_it_was_checked_so_that_it_gives_nothing_is_told(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_text('VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: D\n\nBO_ 1 Odd: 8 D\n SG_ Odd : 0|8@1+ (1,0) [0|0] "" D\n')
    with pytest.raises(InputError, match="no longer gives any signal of ours; check catalogue and signals"):
        messages_of(settings_of(DecodingSettings, {"catalogue": str(path)}))


@pytest.mark.parametrize("size", [0, 3])
def test_raw_bytes_too_few_for_an_identifier_are_no_frame(size):
    with pytest.raises(ValueError, match=f"{size} bytes are no CAN frame"):
        log_line(CapturedPiece(0, "bus", "in", bytes(size)))


def test_every_interface_that_is_told_to_listen_exists():
    known = set(can_bus.interfaces())
    assert set(can_bus._LISTEN_ONLY) | set(can_bus._PASSIVE_STATE) <= known


async def test_discovery_gives_settings_that_pass():
    for found in await CanMessagesDriver.discover():
        assert problems_of(CanMessagesDriver, found | {"standard": ["rv-c"]}) == []


async def test_what_a_catalogue_names_must_come_and_a_message_nobody_reads_is_seen(tmp_path):
    """A standard names more than any one device sends; only the owner's catalogue is a promise."""
    path = tmp_path / "pack.dbc"
    messages = "".join(
        f'BO_ {key} {name}: 8 D\n SG_ {name} : 0|16@1+ (0.01,0) [0|0] "" D\n\n'
        for key, name in ((512, "Voltage"), (513, "Current"))
    )
    path.write_text(f'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: D\n\n{messages}')
    names = {"Voltage": "pack_voltage", "Current": "pack_current"}
    settings = {"interface": "virtual", "channel": "mapped", "catalogue": str(path), "signals": names}
    opened = driver(settings | {"standard": ["rv-c"]})
    await opened.open()
    assert sorted(opened.mapped()) == ["pack_current", "pack_voltage"]
    bus = SendingBus("virtual", "mapped")
    bus.send(0x300, bytes(8))
    bus.send(512, bytes.fromhex("8813000000000000"))
    assert (await rows(opened, 1))["pack_voltage"] == pytest.approx(50.0)
    assert opened.seen() == "300, 200"
    await opened.close()
    bus.close()
