"""The serial-frames driver on pseudo-terminals: what is sent, what is read, what is said of a bad source."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import numpy as np
import pytest

from drivers.decode.frame_encoder import encode
from drivers.decode.frame_map import load_frame_map
from drivers.links.pump import Piece
from drivers.serial_frames import SerialFramesDriver
from drivers.simulated.frames_peer import PLAIN_PACK
from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock
from telemetry.model.errors import InputError, LinkLost
from telemetry.model.events import LinkChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.supervisor import Supervisor
from tests.drivers.declared import problems_of
from tests.drivers.peers import UnrulyFrames

STATE = {"pack_voltage": 51.47, "pack_current": -35.1, "soc_reported": 80.0, "discharge_allowed": 1.0}
CELLS = {f"cell_{n:02}_voltage": 3.2 + n / 1000 for n in range(1, 17)}
PLAIN = load_frame_map(PLAIN_PACK)


class Steady:
    """A machine whose readings stay as they are."""

    def __init__(self, start):
        self._next = start

    def advance_to(self, t):
        batches = []
        for name, values in (("pack", STATE), ("cells", CELLS)):
            group = Group("machine", name, tuple(values))
            batches.append(Batch.of_rows(group, [t], [list(values.values())]))
        return batches


def made(settings):
    assert problems_of(SerialFramesDriver, settings) == []
    return SerialFramesDriver(DriverContext("pack", settings, SystemClock()))


async def read(driver, rows, seconds=10.0):
    """The next batches, until they hold so many rows."""
    found = []
    async with asyncio.timeout(seconds):
        async for batch in driver.readings():
            found.append(batch)
            if sum(map(len, found)) >= rows:
                break
    return found


class Far:
    """A peer on a pseudo-terminal that notes every byte it is sent, and answers only what it is told to."""

    def __init__(self, line, answers):
        self.line, self.answers, self.heard = line, answers, b""
        self._more = asyncio.Event()
        os.set_blocking(line.master, False)
        asyncio.get_running_loop().add_reader(line.master, self._read)

    def _read(self):
        data = os.read(self.line.master, 65536)
        self.heard += data
        self._more.set()
        for request, answer in self.answers.items():
            if data.endswith(request):
                self.line.send(answer)

    async def has_come(self, request):
        while request not in self.heard:
            self._more.clear()
            await self._more.wait()

    def close(self):
        asyncio.get_running_loop().remove_reader(self.line.master)


def settings_for(line, text, tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text(text, "utf-8")
    return {"port": line.port, "map": str(file)}


async def test_a_polled_pack_is_asked_and_its_answers_are_read():
    clock = SystemClock()
    async with UnrulyFrames(Steady(clock.now()), clock) as pack:
        driver = made(pack.settings)
        await driver.open()
        batches = await read(driver, 8)
        await driver.close()
        rows = {b.group.name: dict(zip(b.group.signals, b.values[-1].tolist(), strict=True)) for b in batches}
        assert rows["pack"] == pytest.approx(STATE | {"charge_allowed": 0})
        assert rows["cells"] == pytest.approx(CELLS)
        first, second = (request.data for request in PLAIN.requests)
        assert set(pack.received) == {first, second}
        assert pack.received[first] > pack.received[second] >= 2, "the cells are asked for in every second cycle"
        assert not pack.strange
        assert not driver.figures.decoded.bad
        assert driver.requests_sent == pack.received.total()


async def test_the_bytes_sent_are_the_maps_requests_and_nothing_else_ever(line, tmp_path):
    # Through answers, silence, noise, a wrong answer, cancelling and closing.
    text = PLAIN_PACK.read_text("utf-8").replace("interval_s = 0.1", "interval_s = 0.02")
    text = text.replace("response_timeout_s = 0.3", "response_timeout_s = 0.03")
    first, second = (request.data for request in PLAIN.requests)
    far = Far(line, {first: encode(PLAIN, "state", STATE), second: encode(PLAIN, "cells", CELLS)})
    for answers in (far.answers, {}, {first: b"\xa5\x5a\xff\xff", second: bytes(range(256))}, {first: second}):
        far.answers = answers
        driver = made(settings_for(line, text, tmp_path))
        await driver.open()
        reading = asyncio.create_task(read(driver, 10**9, 60))
        await asyncio.sleep(0.3)
        reading.cancel()
        await asyncio.wait([reading])
        await driver.close()
        await asyncio.sleep(0.02)
    far.close()
    assert far.heard.count(first) > 20
    assert far.heard.count(second) > 5
    assert far.heard.replace(first, b"").replace(second, b"") == b""


async def test_nothing_is_sent_to_a_pack_that_speaks_by_itself(line, tmp_path):
    text = PLAIN_PACK.read_text("utf-8")
    before, _, after = text.partition("[poll]")
    text = before + after[after.index("[message.state]") :]
    far = Far(line, {})
    driver = made(settings_for(line, text, tmp_path))
    await driver.open()
    reading = asyncio.create_task(read(driver, 3))
    for _ in range(3):
        await asyncio.sleep(0.05)
        line.send(encode(PLAIN, "state", STATE))
    batches = await reading
    assert sum(map(len, batches)) == 3
    await driver.close()
    far.close()
    assert far.heard == b""


async def test_what_is_not_answered_is_unknown_and_the_rest_goes_on(line, tmp_path):
    first, _ = (request.data for request in PLAIN.requests)
    text = PLAIN_PACK.read_text("utf-8").replace("response_timeout_s = 0.3", "response_timeout_s = 0.03")
    text = text.replace("[message.cells]\n", '[message.cells]\ngroup = "pack"\n').replace("most = 24", "most = 4")
    text = text.replace("count = { byte = 4, most = 4 }", "count = 4").replace(", every = 2", "")
    far = Far(line, {first: encode(PLAIN, "state", STATE)})
    driver = made(settings_for(line, text, tmp_path))
    await driver.open()
    batches = await read(driver, 3)
    await driver.close()
    far.close()
    values = np.concatenate([batch.values for batch in batches])
    assert batches[0].group.signals[-1] == "cell_04_voltage"
    assert values[:, 0] == pytest.approx([51.47] * 3)
    assert np.isnan(values[:, -4:]).all()
    assert driver.figures.decoded.overdue >= 3
    assert driver.figures.decoded.incomplete_rows == 3


async def test_what_came_before_the_link_broke_is_given_out(line, tmp_path):
    first, _ = (request.data for request in PLAIN.requests)
    text = PLAIN_PACK.read_text("utf-8").replace("[message.cells]\n", '[message.cells]\ngroup = "pack"\n')
    text = text.replace("response_timeout_s = 0.3", "response_timeout_s = 30")
    far = Far(line, {first: encode(PLAIN, "state", STATE)})
    driver = made(settings_for(line, text, tmp_path))
    await driver.open()
    found = []

    async def read_on():
        async for batch in driver.readings():
            found.append(batch)  # noqa: PERF401 - the link breaks in the middle

    reading = asyncio.create_task(read_on())
    await asyncio.wait_for(far.has_come(PLAIN.requests[1].data), 5)
    far.close()
    line.drop()
    with pytest.raises(LinkLost):
        await asyncio.wait_for(reading, 5)
    assert [len(batch) for batch in found] == [1]
    assert found[0].column("pack_voltage")[0] == pytest.approx(51.47)
    await driver.close()


async def test_noise_before_an_answer_does_not_lose_it(line, tmp_path):
    first, second = (request.data for request in PLAIN.requests)
    noisy = b"\xa5\x5a\x81\xf0" + encode(PLAIN, "state", STATE)
    text = PLAIN_PACK.read_text("utf-8").replace("response_timeout_s = 0.3", "response_timeout_s = 0.2")
    far = Far(line, {first: noisy, second: encode(PLAIN, "cells", CELLS)})
    driver = made(settings_for(line, text, tmp_path))
    await driver.open()
    batches = await read(driver, 6)
    await driver.close()
    far.close()
    assert {batch.group.name for batch in batches} == {"pack", "cells"}
    assert driver.figures.decoded.overdue == 0


async def test_a_wrong_map_is_said(line, tmp_path):
    text = PLAIN_PACK.read_text("utf-8")
    before, _, after = text.partition("[poll]")
    driver = made(settings_for(line, before + after[after.index("[message.state]") :], tmp_path))
    await driver.open()
    reading = asyncio.create_task(read(driver, 1))
    for _ in range(60):
        line.send(bytes(range(100)))
        await asyncio.sleep(0.005)
    reading.cancel()
    await asyncio.wait([reading])
    await driver.close()
    assert "check baud_rate and the frame map" in driver.advice()


def test_every_problem_of_a_source_is_reported_at_once(tmp_path):
    wrong = {"frame": {"start": "zz", "length": 9}, "message": {"m": {"fields": {"pack_volts": {"byte": 1}}}}}
    settings = {"map": wrong, "baud_rate": "fast", "silence_s": 0, "speed": 1}
    said = [str(problem) for problem in problems_of(SerialFramesDriver, settings)]
    for words in ("port", "baud_rate", "silence_s", "speed", "map.frame.start", "map.message.m.fields.pack_volts"):
        assert any(words in problem for problem in said), (words, said)


def test_a_source_without_a_map_says_how_to_give_one():
    (problem,) = problems_of(SerialFramesDriver, {"port": "/dev/ttyUSB0"})
    assert problem.where == "map"
    assert "[source.map]" in problem.right


def test_silence_must_be_longer_than_the_polls_interval():
    settings = {"port": "/dev/ttyUSB0", "map": str(PLAIN_PACK), "silence_s": 0.1}
    (problem,) = problems_of(SerialFramesDriver, settings)
    assert problem.where == "silence_s"


def test_frames_in_pieces_are_for_radio_links():
    fields = {"message": {"m": {"fields": {"pack_voltage": {"byte": 0}}}}}
    settings = {"port": "/dev/ttyUSB0", "map": {"frame": {"length": 2, "one_per_piece": True}} | fields}
    (problem,) = problems_of(SerialFramesDriver, settings)
    assert "one_per_piece" in problem.what


def test_a_map_that_has_gone_bad_since_it_was_checked_is_bad_input(tmp_path):
    settings = {"port": "/dev/ttyUSB0", "map": str(tmp_path / "gone.toml")}
    with pytest.raises(InputError, match="cannot be read"):
        SerialFramesDriver(DriverContext("pack", settings, SystemClock()))


def test_the_map_shipped_is_found_where_it_is_told():
    assert Path(PLAIN_PACK).is_file()
    assert PLAIN.requests[0].data == bytes.fromhex("A5 5A 01 00 00 20")
    # the requests bear the checksum that the map's frames bear
    for request in PLAIN.requests:
        check = PLAIN.envelope.checksum
        assert check.checksum.of(request.data[2:-2]).to_bytes(2, check.order) == request.data[-2:]


async def test_under_the_supervisor_a_pack_is_unplugged_and_comes_back():
    clock, gather, changes = SystemClock(), Gather(), []

    def post(item):
        if isinstance(item, LinkChange):
            changes.append((item.state, item.why))
        gather.post(item)

    rows = before = 0
    async with UnrulyFrames(Steady(clock.now()), clock) as pack:
        context = DriverContext("pack", pack.settings, clock)
        running = asyncio.create_task(Supervisor("pack", lambda: SerialFramesDriver(context), clock, post).run())
        for turn in range(60):
            await clock.sleep_until(clock.now() + 50_000)
            rows += sum(len(batch) for batch in gather.close(clock.now()).batches)
            if turn == 15:
                pack.disconnect()
                before = rows
            if turn == 20:
                pack.connect()
        running.cancel()
        await asyncio.wait([running])
        assert not pack.strange
    states = [state for state, _ in changes]
    assert states[:3] == ["opening", "live", "lost"]
    assert states[-1] == "live"
    # Whether the next read or the next request meets the pulled plug first is chance.
    assert any(words in changes[2][1] for words in ("broke off", "takes no request"))
    assert before > 5
    assert rows > before + 5


async def test_the_simulated_pack_answers_a_request_that_comes_in_pieces_and_keeps_what_is_none():
    clock = SystemClock()
    async with UnrulyFrames(Steady(clock.now()), clock) as pack:
        request = PLAIN.requests[0].data
        pack.heard(b"\x00" + request[:3])
        assert not pack.received
        pack.heard(request[3:] + b"\x01")
        assert pack.received == {request: 1}
        assert bytes(pack.strange) == b"\x00\x01"


@pytest.mark.parametrize(("lost", "rows"), [(0, 1), (3, 0)])
def test_the_halves_of_a_frame_with_bytes_lost_between_them_are_none(lost, rows, tmp_path):
    text = PLAIN_PACK.read_text("utf-8").replace("[message.cells]", '[message.cells]\ngroup = "pack"')
    text = text.partition("[poll]")[0] + "[message.state]" + text.partition("[message.state]")[2]
    (tmp_path / "pack.toml").write_text(text, "utf-8")
    driver = made({"port": "socket://127.0.0.1:1", "map": str(tmp_path / "pack.toml")})
    frames = encode(PLAIN, "state", STATE) + encode(PLAIN, "cells", CELLS)
    list(driver.decode([Piece(0, frames[:20]), Piece(1, frames[20:], lost_before=lost)]))
    assert driver.figures.decoded.frames["cells"] == rows


SHORT = """
byte_order = "big"
[frame]
start = "A5"
length = { byte = 1, uncounted = 2 }
[message.state]
when = { byte = 2, is = 1 }
[message.state.fields]
pack_voltage = { byte = 3, width = 8 }
[message.far]
when = { byte = 2, is = 2 }
[message.far.fields]
pack_current = { byte = 9, width = 8 }
[message.cells]
when = { byte = 2, is = 3 }
[message.cells.fields]
"cell_*_voltage" = { byte = 4, width = 8, count = { byte = 3, most = 24 } }
"""


def test_what_a_map_says_must_come_and_a_field_beyond_its_frame(tmp_path):
    """Of cells that a frame counts only the first must come: a map may allow more than the pack has."""
    (tmp_path / "pack.toml").write_text(SHORT)
    driver = made({"port": "/dev/null", "baud_rate": 9600, "map": str(tmp_path / "pack.toml")})
    assert tuple(driver.mapped()) == ("pack_voltage", "pack_current", "cell_01_voltage")
    assert driver.seen() == ""
    batches = list(driver.decode([Piece(0, bytes.fromhex("A5 02 01 32 A5 02 02 32 A5 02 01 33 A5 02 01 34"))]))
    assert {signal for batch in batches for signal in batch.group.signals} == {"pack_voltage"}
    assert driver.seen() == "state (3), shorter than its fields (1)"
