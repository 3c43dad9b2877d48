"""Lines of CAN frames as the can-utils print them: held to python-can's own reader and writer, and to examples.

The forms of the screen are those that ``candump --help`` of can-utils names: ``-t a|A|d|z``, ``-x``, ``-a``, ``-L``.
"""

from __future__ import annotations

import io
import random

import can
import pytest
from can.io.canutils import CanutilsLogReader

from drivers.decode.can_frames import EXTENDED, CanFrame
from drivers.decode.candump import DumpFrames, looks_like_it, read_line
from drivers.links.can_logs import CanLogFile
from telemetry.model.errors import InputError


def frames(text: str, channel: str | None = None) -> tuple[list[CanFrame], DumpFrames]:
    dumped = DumpFrames(iter(text.splitlines(keepends=True)), channel)
    return list(dumped), dumped


def test_a_log_is_read_as_python_can_reads_it() -> None:
    draw, out = random.Random(18), io.StringIO()
    writer = can.CanutilsLogWriter(out)
    for n in range(500):
        wide, fd = draw.random() < 0.5, draw.random() < 0.2
        size = draw.choice((12, 24, 64)) if fd else draw.randrange(9)
        writer.on_message_received(
            can.Message(
                timestamp=1.7e9 + n / 128, arbitration_id=draw.getrandbits(29 if wide else 11), is_extended_id=wide,
                is_fd=fd, bitrate_switch=fd, is_remote_frame=not fd and n % 11 == 0, is_error_frame=n % 97 == 5,
                data=draw.randbytes(size), channel=f"can{n % 2}", is_rx=n % 3 > 0,
            )
        )  # fmt: skip
    text = out.getvalue()
    theirs = [
        CanFrame(round(m.timestamp * 1e6), m.arbitration_id | (EXTENDED if m.is_extended_id else 0), bytes(m.data))
        for m in CanutilsLogReader(io.StringIO(text))
        if not (m.is_error_frame or m.is_remote_frame)
    ]
    ours, dumped = frames(text)
    assert ours == theirs
    assert dumped.odd == 0


DATA = bytes.fromhex("1122334455667788")


@pytest.mark.parametrize(
    ("line", "time", "key", "data"),
    [
        ("(1436509053.850870) can0 123#1122334455667788", 1436509053.85087, 0x123, DATA),
        ("(1436509053.850870) can0 123#11.22.33.44.55.66.77.88 R", 1436509053.85087, 0x123, DATA),
        ("(0.000000) vcan0 18FEF100##11122334455667788 T  # switched on", 0.0, EXTENDED | 0x18FEF100, DATA),
        (" (1436509053.850870)  can0  123   [8]  11 22 33 44 55 66 77 88", 1436509053.85087, 0x123, DATA),
        (" (000.250000)  can0  RX - -  123   [8]  11 22 33 44 55 66 77 88   '.\"3DUfw.'", 0.25, 0x123, DATA),
        ("  can0  18FEF100   [08]  11 22 33 44 55 66 77 88", None, EXTENDED | 0x18FEF100, DATA),
        ("  vcan1  TX B E  7FF   [2]  AB CD", None, 0x7FF, b"\xab\xcd"),
        ("  can0  123   [0]", None, 0x123, b""),
        ("  can0  123   [0]  remote request", None, 0x123, None),
        ("(1.5) can0 123#R", 1.5, 0x123, None),
        ("  can0  20000088   [8]  00 00 00 00 00 00 00 00   ERRORFRAME", None, 0x20000088, None),
    ],
)
def test_each_form_of_a_line_is_read(line: str, time: float | None, key: int, data: bytes | None) -> None:
    read = read_line(line)
    assert read is not None
    assert (read.time, read.key, read.data) == (time, key, data)


@pytest.mark.parametrize(
    "line", ["", "hello", "(1.5) can0 123#1", "(1.5) can0 12#11", "  can0  123   [3]  11 22", "pack_voltage=52.1"]
)
def test_what_is_no_frame_is_none(line: str) -> None:
    assert read_line(line) is None


def test_a_date_is_in_the_zone_of_this_computer() -> None:
    read = read_line(" (2020-12-15 11:45:00.125000)  can0  123   [1]  11")
    assert read is not None
    assert read.time == 1608032700.125 - 5.75 * 3600 + 0  # the tests' own zone is 5:45 east


def test_times_from_frame_to_frame_are_added_up() -> None:
    text = "# a drive\n\n; again\n" + "".join(
        f" (000.{step:06d})  can0  123   [1]  {n:02X}\n" for n, step in enumerate((0, 10_000, 30_000, 10_000))
    )
    found, dumped = frames(text)
    assert [frame.arrival for frame in found] == [0, 10_000, 40_000, 50_000]
    assert dumped.odd == 0
    assert looks_like_it(text.splitlines())


def test_one_bus_of_several_is_taken() -> None:
    assert [frame.key for frame in frames("(1.0) can0 111#00\n(2.0) can1 222#00\n", "can1")[0]] == [0x222]


def test_odd_lines_are_counted_and_the_first_is_named() -> None:
    found, dumped = frames("(1.0) can0 111#00\n# note\nnoise\n(2.0) can0 112#0\n(3.0) can0 113#00\n")
    assert len(found) == 2
    assert (dumped.odd, dumped.first_odd) == (2, 3)


def test_frames_without_a_time_are_refused_with_what_to_do(tmp_path) -> None:
    path = tmp_path / "screen.txt"
    path.write_text("  can0  123   [1]  11\n  can0  123   [1]  12\n")
    with pytest.raises(InputError, match="2 frames have no time; record them with candump -L"):
        list(CanLogFile(path).frames())
