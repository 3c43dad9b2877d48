"""CAN logs written by python-can's own writers, read back as recordings and played as a source."""

from __future__ import annotations

import asyncio
import gzip
import itertools
import struct
import zlib

import can
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.can_log import CanLogDriver, CanLogSettings, open_log
from drivers.decode.can_frames import CanFrame
from drivers.decode.can_recording import InOrder
from drivers.decode.can_standards import DecodingSettings
from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import merged
from telemetry.model.clock import ManualClock
from telemetry.model.errors import InputError, NothingReadable, RecordingError
from telemetry.model.recording import Recording
from telemetry.model.tables import settings_of
from tests.drivers.declared import problems_of

STANDARD = DecodingSettings(standard=("rv-c",))
WALL = 1_764_000_000.0
ROWS = 200


def message(t, n, sender=0x46):
    # RV-C DC source status 1: 0.05 V a count, 0.001 A a count from -2 000 000 A
    data = bytes([1, 120]) + (1000 + n).to_bytes(2, "little") + (2_000_000_000 + 1000 * n).to_bytes(4, "little")
    return can.Message(timestamp=t, arbitration_id=0x19FFFD00 | sender, is_extended_id=True, data=data, channel=0)


def written(path, count=ROWS, start=WALL, rate=100):
    with can.Logger(path) as log:
        for n in range(count):
            log.on_message_received(message(start + n / rate, n))
            log.on_message_received(
                can.Message(timestamp=start + n / rate, arbitration_id=0x99, is_extended_id=False)
            )
    return path


def whole(recording, rows=8192):
    spans = list(recording.spans(rows))
    return spans, merged([batch for span in spans for batch in span.batches])


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".log", ".trc", ".asc.gz"])
def test_every_format_gives_the_same_readings(tmp_path, suffix):
    recording = open_log(written(tmp_path / f"drive{suffix}"), STANDARD)
    assert isinstance(recording, Recording)
    _, batch = whole(recording)
    assert batch.column("pack_voltage") == pytest.approx(0.05 * (1000 + np.arange(ROWS)))
    assert batch.column("pack_current") == pytest.approx(np.arange(ROWS), abs=1e-6)
    assert np.diff(batch.t) == pytest.approx(10_000, abs=1000), "to the millisecond, which the coarsest format keeps"
    if suffix in (".blf", ".csv", ".log"):
        assert recording.time_basis == "absolute"
        assert recording.start == pytest.approx(WALL * 1e6, abs=1000)
    assert recording.warnings == ()


@pytest.mark.parametrize(("rows", "rate"), [(1, 100), (7, 100), (1000, 100), (1, 8000)])
def test_spans_keep_the_contract(tmp_path, rows, rate):
    recording = open_log(written(tmp_path / "drive.log", 3000, rate=rate), STANDARD)
    spans, batch = whole(recording, rows)
    ends = [span.end for span in spans]
    assert all(a < b for a, b in itertools.pairwise(ends))
    before = -1
    for span in spans:
        assert len({b.group.key for b in span.batches}) == len(span.batches)
        assert all(before < int(b.t[0]) and int(b.t[-1]) <= span.end for b in span.batches)
        before = span.end
    assert len(batch) == 3000
    again = whole(recording, rows)[1]
    assert np.array_equal(batch.values, again.values)


CELLS = """\
VERSION ""

NS_ :

BS_:

BU_: D

BO_ 800 Low: 2 D
 SG_ cell_01_voltage : 0|16@1+ (0.001,0) [0|0] "V" D

BO_ 801 High: 2 D
 SG_ cell_02_voltage : 0|16@1+ (0.001,0) [0|0] "V" D
"""


def test_a_row_that_waits_for_its_other_half_never_comes_behind_a_span(tmp_path):
    (tmp_path / "cells.dbc").write_text(CELLS, encoding="utf-8")
    path = tmp_path / "drive.log"
    with can.Logger(path) as log:
        for n in range(3000):
            log.on_message_received(message(WALL + n / 100, n % 100))
            if n % 15 == 0:
                half = can.Message(
                    timestamp=WALL + n / 100, arbitration_id=800, is_extended_id=False, data=b"\xe4\x0c"
                )
                log.on_message_received(half)
    recording = open_log(path, DecodingSettings(catalogue=str(tmp_path / "cells.dbc"), standard=("rv-c",)))
    before, rows = -1, 0
    for span in recording.spans(1):
        for batch in span.batches:
            assert before < int(batch.t[0])
            assert int(batch.t[-1]) <= span.end
            rows += len(batch) if batch.group.name == "cells" else 0
        before = span.end
    assert rows == 200, "each half is a row, its other half unknown"


def test_a_merged_log_is_sorted_and_that_is_told(tmp_path):
    path = tmp_path / "two-channels.log"
    with can.Logger(path) as log:
        for t in (0.0, 0.02, 0.01, 0.03):
            log.on_message_received(message(WALL + t, round(100 * t)))
    recording = open_log(path, STANDARD)
    _, batch = whole(recording)
    assert np.diff(batch.t).tolist() == [10_000, 10_000, 10_000]
    assert batch.column("pack_current").tolist() == pytest.approx([0, 1, 2, 3], abs=1e-6)
    assert "1 frames came after later ones and were sorted in" in recording.warnings[0]


def test_one_frame_with_a_time_of_its_own_is_left_out(tmp_path):
    path = tmp_path / "slip.log"
    with can.Logger(path) as log:
        for t in (0.0, 100.0, 101.0, 5000.0, 102.0, 10.0, 103.0, 300.0, 301.0):  # with two breaks
            log.on_message_received(message(WALL + t, 0))
    recording = open_log(path, STANDARD)
    _, batch = whole(recording)
    assert ((batch.t - batch.t[0]) / 1e6).tolist() == [0, 100, 101, 102, 103, 300, 301]
    assert "2 frames whose time is far from all others were left out" in recording.warnings[0]


def test_time_that_goes_back_far_ends_the_log_after_what_came_before(tmp_path):
    path = tmp_path / "twice.log"
    with can.Logger(path) as log:
        for t in (0.0, 10.0, 20.0, 1.0, 2.0):
            log.on_message_received(message(WALL + t, 0))
    spans = open_log(path, STANDARD).spans()
    assert len(next(spans).batches[0]) == 3
    with pytest.raises(RecordingError, match=r"frame 4: time goes back by 19 s; cut the file in two"):
        next(spans)


@given(st.lists(st.tuples(st.integers(0, 9_000_000), st.booleans()), max_size=60))
def test_frames_within_the_window_come_out_sorted_and_none_is_lost(steps):
    """Two buses in one log, each in its order, either up to 9 s behind the other."""
    clocks, frames = [0, 9_000_000], []
    for n, (lag, second) in enumerate(steps):
        clocks[second] = max(clocks[second], max(clocks) - lag)
        frames.append(CanFrame(clocks[second], n, b""))
    ordered = InOrder("log", iter(frames))
    assert list(ordered) == sorted(frames, key=lambda frame: frame.arrival)
    assert ordered.strayed == 0


@pytest.mark.parametrize("suffix", [".log", ".asc", ".trc", ".asc.gz", ".trc.gz", ".log.gz"])
def test_odd_lines_are_passed_over_and_counted(tmp_path, suffix):
    path = written(tmp_path / f"drive{suffix.removesuffix('.gz')}")
    lines = path.read_text().splitlines()
    for at, odd in ((-30, "1.5 1 19FFFD46x Rx d nonsense"), (-20, "(nonsense"), (-9, lines[-9][:-30] + "G !")):
        lines.insert(at, odd)
    text = "\n".join(lines) + "\n"
    path = tmp_path / f"odd{suffix}"
    path.write_bytes(gzip.compress(text.encode(), mtime=0) if suffix.endswith(".gz") else text.encode())
    recording = open_log(path, STANDARD)
    _, batch = whole(recording)
    assert len(batch) == ROWS
    assert batch.column("pack_current") == pytest.approx(np.arange(ROWS), abs=1e-6)
    assert "odd lines were passed over, the first is line " in recording.warnings[0]


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("drive.xlsx", b"", "is not a log that can be read"),
        ("missing.log", None, "is not there"),
        ("empty.log", b"", "holds no data frame"),
        ("bad.blf", b"no log at all, only text that is long enough to be a head" * 9, "cannot be read from its"),
        ("nothing.trc", b"", "holds no data frame"),
        ("cut.asc.gz", gzip.compress(b"date", mtime=0)[:-6], "cannot be read from its"),
    ],
)
def test_what_is_no_log_is_one_sentence(tmp_path, name, content, sentence):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as refused:
        list(open_log(path, STANDARD).spans())
    assert sentence in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_log_of_another_bus_says_what_was_seen(tmp_path):
    recording = open_log(written(tmp_path / "drive.log"), DecodingSettings(standard=("j1939",)))
    with pytest.raises(NothingReadable, match=r"none of 400 frames is .* seen 19FFFD46 \(group 131069\), 099;"):
        list(recording.spans())


def test_a_log_of_other_batteries_says_which_were_seen(tmp_path):
    path = tmp_path / "drive.log"
    with can.Logger(path) as log:
        for n in range(20):
            one = message(WALL + n, n)
            one.data[0] = 3 if n % 2 else 1
            log.on_message_received(one)
    recording = open_log(path, DecodingSettings(standard=("rv-c",), instance=5))
    with pytest.raises(NothingReadable, match="frames of batteries 1 and 3 were seen, your file asks for 5"):
        list(recording.spans())


def test_settings_are_checked_all_at_once(tmp_path):
    problems = [str(p) for p in problems_of(CanLogDriver, {"file": "x.pdf", "chanel": 1, "channel": True})]
    text = "\n".join(problems)
    assert len(problems) == 4
    assert "did you mean channel" in text
    assert "is not a log that can be read" in text
    assert "is missing, and so is standard" in text


async def test_it_plays_at_the_logs_pace_from_now_on(tmp_path):
    settings = {"file": str(written(tmp_path / "drive.log")), "standard": ["rv-c"]}
    assert problems_of(CanLogDriver, settings) == []
    clock = ManualClock(5_000_000_000)
    driver = CanLogDriver(DriverContext("log", settings, clock))
    assert isinstance(driver, Driver)
    await driver.open()
    got = []

    async def play():
        async for batch in driver.readings():
            got.append(batch)
            assert int(batch.t[-1]) <= clock.now() + 50_000

    playing = asyncio.create_task(play())
    await clock.advance(1.0)
    assert 100 <= len(merged(got)) <= 106
    await clock.advance(2.0)
    await playing
    batch = merged(got)
    assert len(batch) == ROWS
    assert batch.t[0] == 5_000_000_000
    assert batch.t[-1] - batch.t[0] == pytest.approx(1_990_000, abs=5)
    await driver.close()
    await driver.close()


async def test_a_long_log_of_two_groups_plays_every_row_in_its_time(tmp_path):
    path = tmp_path / "two.log"
    with can.Logger(path) as log:
        for n in range(2500):
            log.on_message_received(message(WALL + n / 1000, n % 100))
            if n >= 500 and n % 100 == 0:  # RV-C DC source status 2: 25 degC
                data = bytes.fromhex("01784025A05A00FF")
                late = can.Message(timestamp=WALL + n / 1000, arbitration_id=0x19FFFC46, data=data)
                log.on_message_received(late)
    clock = ManualClock(5_000_000_000)
    driver = CanLogDriver(DriverContext("log", {"file": str(path), "standard": ["rv-c"]}, clock))
    await driver.open()
    got = {}

    async def play():
        async for batch in driver.readings():
            assert int(batch.t[-1]) <= clock.now() + 50_000
            got.setdefault(batch.group.name, []).append(batch)

    playing = asyncio.create_task(play())
    await clock.advance(3.0)
    await playing
    await driver.close()
    first, second = (merged(got[name]) for name in ("dc_source_status1", "dc_source_status2"))
    assert (first.t - 5_000_000_000).tolist() == pytest.approx(list(range(0, 2_500_000, 1000)), abs=2)
    assert (second.t - 5_000_000_000).tolist() == pytest.approx(list(range(500_000, 2_500_000, 100_000)), abs=2)
    assert second.column("pack_temperature_1").tolist() == [25.0] * 20


@pytest.mark.parametrize(("channel", "volts"), [(None, [50.0, 51.0]), ("can1", [51.0])])
def test_frames_without_data_are_passed_over_and_so_is_another_channel(tmp_path, channel, volts):
    path = tmp_path / "two-buses.log"
    with can.Logger(path) as log:
        for n, bus in enumerate(("can0", "can1")):
            one = message(WALL + n, 20 * n)
            one.channel = bus
            log.on_message_received(one)
            log.on_message_received(can.Message(timestamp=WALL + n, is_error_frame=True, channel=bus))
            log.on_message_received(
                can.Message(timestamp=WALL + n, arbitration_id=0x19FFFD46, is_remote_frame=True, dlc=8, channel=bus)
            )
    more = {} if channel is None else {"channel": channel}
    settings = settings_of(CanLogSettings, {"file": str(path), "standard": ["rv-c"], **more})
    recording = open_log(path, settings)
    assert whole(recording)[1].column("pack_voltage").tolist() == pytest.approx(volts)
    assert recording.warnings == ()


def blf(tmp_path, change):
    """A log in BLF whose containers are not compressed, changed."""
    path = tmp_path / "drive.blf"
    with can.BLFWriter(path, compression_level=0) as log:
        for n in range(3):
            log.on_message_received(message(WALL + n / 100, n))
    path.write_bytes(change(bytearray(path.read_bytes())))
    return path


def with_length(length):
    def change(data):
        second = data.index(b"LOBJ", data.index(b"LOBJ") + 40)  # the first is the container
        data[second + 8 : second + 12] = length.to_bytes(4, "little")
        return data

    return change


def container_of_gigabytes(data):
    """A log cut after the head of a container that claims 4 GB: a read takes the memory before it finds the end."""
    start = data.index(b"LOBJ")
    data[start + 8 : start + 12] = (2**32 - 16).to_bytes(4, "little")
    return data


def compressed(data):
    """The same content as 40 MB in one compressed container of 40 kB."""
    start = data.index(b"LOBJ")
    body = zlib.compress(bytes(40_000_000), 9)
    head = struct.pack("<4sHHLLHHLLL", b"LOBJ", 16, 1, 32 + len(body), 10, 2, 0, 0, 40_000_000, 0)
    return data[:start] + head + body


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (with_length(0), "an object in it has a length of 0 bytes"),
        (with_length(2**32 - 1), "an object in it has a length of 4294967295 bytes"),
        (container_of_gigabytes, "an object in it claims a length of 4294967264 bytes"),
        (compressed, "a container in it expands to more than 16000000 bytes"),
    ],
)
def test_a_blf_that_would_never_end_or_take_all_memory_is_refused(tmp_path, change, says):
    with pytest.raises(RecordingError, match=says):
        whole(open_log(blf(tmp_path, change), STANDARD))


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("drive.log", "(1764000000.0) can0 123#" + "11" * 600_000, "a line in it is longer than 1000000 bytes"),
        (
            "drive.asc",
            "base hex  timestamps absolute\n" + "\n" * 300_000,
            "lines are blank",
        ),
        ("drive.log", "(1e300) can0 123#11\n", "1 odd lines, the first is line 1"),
    ],
)
def test_a_text_log_with_an_endless_line_only_blanks_or_an_impossible_time_is_refused(tmp_path, name, text, says):
    (tmp_path / name).write_text(text)
    with pytest.raises(RecordingError, match=says):
        open_log(tmp_path / name, STANDARD)
