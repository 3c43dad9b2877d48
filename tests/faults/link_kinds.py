"""Each kind of link with the simulated device behind it: how to say anything at all on it, and what adds up."""

from __future__ import annotations

import binascii
import random
import shutil
import struct
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

from drivers.bluetooth_le import BluetoothLeDriver
from drivers.can_messages import CanMessagesDriver
from drivers.modbus import ModbusDriver
from drivers.satellite_position import SatellitePositionDriver
from drivers.serial_frames import SerialFramesDriver
from drivers.serial_text import SerialTextDriver
from drivers.simulated.position_peer import with_checksum
from telemetry.model.clock import Clock
from tests.drivers.peers import UnrulyCan, UnrulyFrames, UnrulyModbus, UnrulyPosition, UnrulyText
from tests.faults.machines import WRAP, Numbered

COUNT_FRAMES = Path(__file__).parents[1] / "drivers" / "count_frames.toml"
FRAME_BYTES = 11
OTHER_BASE_V, OTHER_CELLS = 60.0, 12
"""Of the other device: another voltage, and as many cells as the first has not."""


@dataclass(frozen=True)
class Kind:
    """One kind of link.

    Attributes:
        name: in the table.
        driver: its class.
        device: makes the simulated device.
        say: puts bytes on the link as they are; None where only the device itself can.
        tail: the end of a frame, as a reader sees it that joins midway.
        other: what another device sends, piece by piece.
        owns_other: whether a row can be the other device's, where it says itself what its values are.
        adds_up: says what does not, of the figures of all drivers, the rows stored and the bytes read.
        number: the signal that counts.
        wrap: the count starts over here.
        every_row: each row that the device sends is to be stored; else it is asked, or says the newest.
        lacks: what this computer lacks for it.
        turn: held during a try where the process can have only one at a time.

    """

    name: str
    driver: Any
    device: Callable[[Numbered, Clock], Any]
    say: Callable[[Any, bytes], None] | None = None
    tail: bytes = b""
    other: Callable[[random.Random], Iterator[bytes]] | None = None
    owns_other: Callable[[Mapping[str, float]], bool] = field(default=lambda row: False)
    adds_up: Callable[[list[Any], int, int], str] = field(default=lambda figures, rows, read: "")
    number: str = "motor_speed"
    wrap: int = WRAP
    every_row: bool = True
    lacks: str = ""
    turn: AbstractContextManager[Any] = field(default_factory=nullcontext)


def _balance(**sides: tuple[int, int]) -> str:
    """Return the first pair that differs, as a sentence; empty where all agree."""
    wrong = [f"{name.replace('_', ' ')}: {a} and {b}" for name, (a, b) in sides.items() if a != b]
    return "; ".join(wrong)


def _text_adds_up(figures: list[Any], rows: int, read: int) -> str:
    assert not any(each.queue.drops for each in figures)
    return _balance(
        bytes_read_and_decoded=(read, sum(each.decoded.bytes for each in figures)),
        rows_decoded_and_stored=(sum(each.decoded.rows for each in figures), rows),
    )


def _frames_add_up(frames: list[Any], rows: int, read: int, size: int) -> str:
    total = sum(each.bytes for each in frames)
    good = size * sum(sum(each.frames.values()) for each in frames)
    passed = sum(each.bytes_passed_over for each in frames)
    held = total - good - passed
    wrong = _balance(
        bytes_read_and_decoded=(read, total),
        rows_decoded_and_stored=(sum(each.rows for each in frames), rows),
    )
    # what an opening holds when it ends is the start of one frame at the most
    return wrong or ("" if 0 <= held < size * len(frames) else f"{held} bytes are neither decoded nor rejected")


def _can_adds_up(figures: list[Any], rows: int, read: int) -> str:
    strange = sum(each.decoded.frames - each.decoded.understood for each in figures)
    wrong = _balance(rows_decoded_and_stored=(sum(each.decoded.understood for each in figures), rows))
    return wrong or ("" if strange >= 0 else f"{-strange} more frames understood than came")


def _position_adds_up(figures: list[Any], rows: int, read: int) -> str:
    return _balance(
        bytes_read_and_decoded=(read, sum(each.decoded.bytes for each in figures)),
        rows_decoded_and_stored=(sum(each.decoded.rows for each in figures), rows),
    )


def _modbus_adds_up(figures: list[Any], rows: int, read: int) -> str:
    return _balance(rows_decoded_and_stored=(sum(each.rows for each in figures), rows))


def _other_lines(rng: random.Random) -> Iterator[bytes]:
    names = ",".join(f"cell_{n:02d}_voltage" for n in range(1, OTHER_CELLS + 1))
    for number in range(rng.randrange(1000), 10**9):
        if number % 10 == 0:
            yield f"pack_voltage,{names}\r\n".encode()
        yield f"{OTHER_BASE_V + number % 997 / 100:.2f}{',3.3' * OTHER_CELLS}\r\n".encode()


def _is_other_line(row: Mapping[str, float]) -> bool:
    cells = [value for name, value in row.items() if name.startswith("cell_")]
    return "motor_speed" not in row and row.get("pack_voltage", 0.0) >= OTHER_BASE_V and cells == [3.3] * OTHER_CELLS


def _headless_device(machine: Numbered, clock: Clock) -> Any:
    return Headless(machine, clock)


class Headless(UnrulyText):
    """A board that prints no header; the machine file names its columns."""

    @property
    def settings(self) -> dict[str, Any]:
        """The keys that reach it."""
        return {
            "port": str(self.line.port),
            "columns_in_order": ["ms", "motor_speed", "pack_voltage"],
            "time_column": "ms",
        }

    def pieces(self, batches: Any) -> Iterator[bytes]:
        return (line for line in super().pieces(batches) if not line.startswith(b"ms"))


def _other_bare_lines(rng: random.Random) -> Iterator[bytes]:
    """The same without its header: nothing but the number of its cells tells it from the first."""
    return (line for line in _other_lines(rng) if not line.startswith(b"pack"))


def _other_frames(rng: random.Random) -> Iterator[bytes]:
    while True:
        body = b"\x5a" + struct.pack(">IfI", rng.randrange(2**32), OTHER_BASE_V, rng.randrange(2**32))
        yield body + struct.pack(">H", binascii.crc_hqx(body, 0))


def _other_messages(rng: random.Random) -> Iterator[bytes]:
    while True:
        yield f"t{rng.choice((0x1A0, 0x301, 0x7FF)):03X}8{rng.randbytes(8).hex().upper()}\r".encode()


def _other_sentences(rng: random.Random) -> Iterator[bytes]:
    while True:
        yield with_checksum(f"SDDBT,{rng.uniform(1, 9):.1f},f,1.2,M,0.6,F")
        yield b"$GPVTG,10.0,T,,M,99.000,N,183.348,K,A*00\r\n"


def _bluetooth_device(machine: Numbered, clock: Clock) -> Any:
    from tests.drivers.bluetooth_peers import UnrulyBluetooth

    return UnrulyBluetooth(machine, clock, "frames")


def _say_on_line(device: Any, data: bytes) -> None:
    device.line.send(data)


def _say_on_can(device: Any, data: bytes) -> None:
    device.adapter.line.send(data)


KINDS = (
    Kind(
        "serial-text",
        SerialTextDriver,
        UnrulyText,
        _say_on_line,
        b"31,45.2\r\n",
        _other_lines,
        _is_other_line,
        _text_adds_up,
    ),
    Kind(
        "serial-text-without-header",
        SerialTextDriver,
        _headless_device,
        _say_on_line,
        b"7,12,45.2\r\n",
        _other_bare_lines,
        adds_up=_text_adds_up,
    ),
    Kind(
        "serial-frames",
        SerialFramesDriver,
        lambda machine, clock: UnrulyFrames(machine, clock, COUNT_FRAMES),
        _say_on_line,
        b"\x00\x00\x2a\x42\x42\x00\x00\x12\x34",
        _other_frames,
        adds_up=lambda figures, rows, read: _frames_add_up([f.decoded for f in figures], rows, read, FRAME_BYTES),
    ),
    Kind(
        "can-messages",
        CanMessagesDriver,
        lambda machine, clock: UnrulyCan(machine, clock),
        _say_on_can,
        b"0102\r",
        _other_messages,
        adds_up=_can_adds_up,
    ),
    Kind(
        "satellite-position",
        SatellitePositionDriver,
        lambda machine, clock: UnrulyPosition(machine, clock, interval_us=10_000),
        _say_on_line,
        b"00,N,44.000,K,A*25\r\n",
        _other_sentences,
        adds_up=_position_adds_up,
        number="vehicle_speed",
        wrap=300,
        every_row=False,
    ),
    Kind(
        "modbus",
        ModbusDriver,
        lambda machine, clock: UnrulyModbus(machine, clock, "table", interval_s=0.02, timeout_s=0.2),
        adds_up=_modbus_adds_up,
        every_row=False,
    ),
    Kind(
        "bluetooth-le",
        BluetoothLeDriver,
        _bluetooth_device,
        adds_up=lambda figures, rows, read: _frames_add_up(
            [f for f in figures if f is not None], rows, read, 6 + 4 * 2
        ),
        lacks="" if sys.platform == "linux" and shutil.which("dbus-daemon") else "the program dbus-daemon",
        turn=Lock(),  # the address of its bus stands in the environment
    ),
)
