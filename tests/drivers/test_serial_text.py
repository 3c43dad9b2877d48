from __future__ import annotations

import asyncio
import os
import socket
import termios
from pathlib import Path

import numpy as np
import pytest

from drivers.links import serial_port
from drivers.links.serial_port import PortSettings, open_serial
from drivers.serial_text import SerialTextDriver
from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import ManualClock, SystemClock
from telemetry.model.errors import LinkLost, LinkUnavailable
from telemetry.model.events import LinkChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.supervisor import Supervisor
from tests.drivers.declared import problems_of
from tests.drivers.peers import UnrulyText


def driver_for(clock=None, **settings):
    assert problems_of(SerialTextDriver, settings) == []
    return SerialTextDriver(DriverContext("board", settings, clock or SystemClock()))


async def rows_until(driver, count, seconds=20.0):
    """The next ``count`` rows as one (times, dict of columns)."""
    batches = []
    async with asyncio.timeout(seconds):
        async for batch in driver.readings():
            batches.append(batch)
            if sum(map(len, batches)) >= count:
                break
    group = batches[-1].group
    wide = [batch.as_wide_as(group) for batch in batches]
    values = np.concatenate([batch.values for batch in wide])
    return np.concatenate([b.t for b in wide]), dict(zip(group.signals, values.T.tolist(), strict=True))


@pytest.fixture
async def opened():
    drivers = []

    async def open_one(**settings):
        driver = driver_for(**settings)
        drivers.append(driver)
        await driver.open()
        return driver

    yield open_one
    for driver in drivers:
        await driver.close()


class TestDriver:
    async def test_lines_become_batches_and_the_group_widens(self, line, opened):
        driver = await opened(port=line.port, columns={"u": "pack_voltage"}, group="pedal")
        line.send(b"ltage,3\r\nu,throttle_voltage\r\n52.1,0.8\r\n52.0,0.9\r\n51.9,")
        times, columns = await rows_until(driver, 2)
        assert columns == {"pack_voltage": [52.1, 52.0], "throttle_voltage": [0.8, 0.9]}
        line.send(b'1.0\n{"pack_current": 12.5}\n')
        _, columns = await rows_until(driver, 2)
        assert columns["pack_voltage"][0] == 51.9
        assert columns["pack_current"][1] == 12.5
        assert np.isnan(columns["pack_current"][0])
        assert driver.figures.decoded.bad == {"joined in the middle": 1}
        assert times[1] == times[0] <= SystemClock().now()
        group = driver.decoder.group
        assert group == Group("board", "pedal", ("pack_voltage", "throttle_voltage", "pack_current"))

    async def test_the_board_s_own_time_spaces_its_lines(self, line, opened):
        driver = await opened(port=line.port, time_column="ms", time_wraps_at=2**32)
        line.send(b"ms,pack_voltage\n4294967200,1\n4,2\n104,3\n")
        times, columns = await rows_until(driver, 3)
        assert np.diff(times).tolist() == [100_000, 100_000]
        assert columns["extra_ms"] == [4294967200, 4, 104]

    async def test_lines_that_overtook_one_another_are_put_in_order(self, line, opened):
        driver = await opened(port=line.port, time_column="ms")
        line.send(b"ms,pack_voltage\n100,1\n300,3\n200,2\n")
        times, columns = await rows_until(driver, 3)
        assert columns["pack_voltage"] == [1, 2, 3]
        assert np.diff(times).tolist() == [100_000, 100_000]

    async def test_bytes_given_up_in_the_queue_never_join_two_halves_of_different_lines(self, line):
        driver = driver_for(port=line.port, columns_in_order=["pack_voltage", "pack_current"])
        driver._pump._limit = 1
        await driver.open()
        for part in (b"\n1,", b"2\n3,", b"4\n5,6\n"):
            before = driver.figures.queue.pieces
            line.send(part)
            async with asyncio.timeout(2):
                while driver.figures.queue.pieces == before:  # noqa: ASYNC110 - happens in a thread
                    await asyncio.sleep(0.005)
        _, columns = await rows_until(driver, 1)
        assert columns == {"pack_voltage": [5], "pack_current": [6]}
        assert driver.figures.queue.drops == 2
        await driver.close()

    async def test_useless_lines_are_explained(self, line, opened):
        driver = await opened(port=line.port)
        reading = asyncio.create_task(rows_until(driver, 1))
        for _ in range(3):
            line.send(b"\x81\x02\x93\n" * 15)
            await asyncio.sleep(0.06)
        assert "not text: " in driver.advice()
        line.send(b"pack_voltage\n5\n")
        await reading
        assert driver.advice() == ""

    async def test_a_network_port_is_read_like_any_other(self, opened):
        with socket.create_server(("127.0.0.1", 0)) as server:
            driver = await opened(port=f"socket://127.0.0.1:{server.getsockname()[1]}")
            peer, _ = await asyncio.to_thread(server.accept)
            with peer:
                peer.sendall(b"pack_voltage,pack_current\n" + b"52.1,3\n" * 400)
                _, columns = await rows_until(driver, 400)
                assert columns["pack_voltage"] == [52.1] * 400
                assert driver.figures.queue.pieces < 20
            with pytest.raises(LinkLost, match="broke off"):
                await rows_until(driver, 1)

    async def test_loop_url(self, opened):
        driver = await opened(port="loop://")
        await driver.close()


class TestOpening:
    """Each failure to open: one sentence, with the remedy."""

    def why_not(self, port, **how):
        with pytest.raises(LinkUnavailable) as caught:
            open_serial(PortSettings(port=port, **how))
        assert "\n" not in str(caught.value)
        return str(caught.value)

    def test_no_such_port(self, monkeypatch):
        assert "there is no port /dev/ttyNONE; " in self.why_not("/dev/ttyNONE")
        monkeypatch.setattr(serial_port, "serial_ports", lambda: [("/dev/ttyUSB7", "adapter"), ("COM\x1b4", "")])
        assert self.why_not("/dev/ttyNONE").endswith("; ports in reach: /dev/ttyUSB7, COM\\x1b4")
        monkeypatch.setattr(serial_port, "serial_ports", list)
        assert "plug the device in" in self.why_not("/dev/ttyNONE")

    def test_not_a_serial_device(self, tmp_path):
        (tmp_path / "file").write_text("")
        for port in ("/dev/null", str(tmp_path), str(tmp_path / "file")):
            assert "is not a serial device" in self.why_not(port)

    def test_in_use(self, line):
        first = open_serial(PortSettings(port=line.port))
        assert "is in use by another program" in self.why_not(line.port)
        first.close()
        open_serial(PortSettings(port=line.port)).close()

    def test_no_permission(self, line):
        Path(line.port).chmod(0)
        try:
            os.close(os.open(line.port, os.O_RDWR | os.O_NOCTTY))
        except PermissionError:
            assert "sudo usermod -a -G" in self.why_not(line.port)
        else:
            # run by root, who may open anything: show the sentence for the error that anyone else gets
            error = PermissionError(13, "Permission denied")
            assert "sudo usermod -a -G" in serial_port.why_not("/dev/ttyS0", error)

    def test_unreachable_address(self):
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
        assert "cannot be reached (Connection refused)" in self.why_not(f"socket://127.0.0.1:{port}")
        assert "socket://HOST:PORT" in self.why_not("socket://127.0.0.1")
        assert "is not allowed" in self.why_not("carrier-pigeon://loft")

    def test_the_port_s_name_cannot_steer_the_terminal(self):
        assert "\x1b" not in self.why_not("/dev/\x1b[2J")

    def test_settings_that_the_port_does_not_take(self, line):
        assert "does not take these settings" in self.why_not(line.port, parity="mark")

    def test_a_line_stays_as_it_is_when_the_port_is_closed(self, line):
        attributes = termios.tcgetattr(line.slave)
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(line.slave, termios.TCSANOW, attributes)
        open_serial(PortSettings(port=line.port)).close()
        assert not termios.tcgetattr(line.slave)[2] & termios.HUPCL

    @pytest.mark.parametrize("raised", [False, True])
    def test_request_to_send_is_set_before_data_terminal_ready(self, line, monkeypatch, raised):
        # A pseudo-terminal has no control lines, so the calls to the kernel are listened to instead.
        import fcntl

        asked = []
        really = fcntl.ioctl

        def ioctl(fd, request, *rest):
            if request in (termios.TIOCMBIS, termios.TIOCMBIC):
                asked.append((request == termios.TIOCMBIS, int.from_bytes(rest[0], "little")))
                return b""
            return really(fd, request, *rest)

        monkeypatch.setattr(fcntl, "ioctl", ioctl)
        open_serial(PortSettings(port=line.port, dtr=raised, rts=raised)).close()
        assert asked[-2:] == [(raised, termios.TIOCM_RTS), (raised, termios.TIOCM_DTR)]
        assert all(state is raised for state, _ in asked)


class Script:
    """A machine that gives rows of two groups at fixed times: voltage each ``step``, temperature each fourth."""

    FAST = Group("m", "pack", ("pack_voltage", "pack_current"))
    SLOW = Group("m", "heat", ("motor_temperature",))

    def __init__(self, start, step=50_000):
        self._start = self._next = start
        self._step = step

    def advance_to(self, t):
        fast, slow = [], []
        while self._next <= t:
            n = (self._next - self._start) // self._step
            fast.append((self._next, (50 + n / 100, float(n))))
            if n % 4 == 0:
                slow.append((self._next, (20.0 + n,)))
            self._next += self._step
        return [Batch.of_rows(g, *zip(*r, strict=True)) for g, r in ((self.FAST, fast), (self.SLOW, slow)) if r]


class TestPeer:
    async def test_a_simulated_board_is_watched(self, opened):
        clock = SystemClock()
        async with UnrulyText(Script(clock.now()), clock) as board:
            driver = await opened(**board.settings)
            times, columns = await rows_until(driver, 20)
        assert {"extra_ms", "pack_voltage", "pack_current", "motor_temperature"} == set(columns)
        assert np.diff(columns["pack_current"]).tolist() == [1.0] * (len(times) - 1)
        assert np.median(np.abs(np.diff(times) - 50_000)) < 2000
        heat = dict(zip(columns["pack_current"], columns["motor_temperature"], strict=True))
        known = [n for n, value in heat.items() if not np.isnan(value)]
        assert known == [n for n in columns["pack_current"] if n % 4 == 0]
        assert driver.figures.decoded.bad.get("not a number", 0) == 0

    async def test_lines_are_thrown_away_when_nobody_reads_and_the_board_never_blocks(self):
        clock = ManualClock(1_000_000)
        async with UnrulyText(Script(clock.now(), 1000), clock) as board, asyncio.timeout(10):
            await clock.advance(8)
            assert board.line.dropped > 1000
            assert board.line.dropped < 8000, "some were printed"

    async def test_a_whole_line_follows_after_lines_were_thrown_away(self, opened):
        clock = ManualClock(1_000_000)
        async with UnrulyText(Script(clock.now(), 1000), clock) as board:
            await clock.advance(8)
            dropped = board.line.dropped
            driver = await opened(**board.settings)
            reading = asyncio.create_task(rows_until(driver, 1000))
            while not reading.done():
                await clock.advance(0.02)
                await asyncio.sleep(0.002)
            _, columns = await reading
            assert set(np.diff(columns["pack_current"])) == {1.0}
            assert dropped > 1000

    async def test_the_port_keeps_its_name_when_the_board_comes_back(self, opened):
        clock = SystemClock()
        async with UnrulyText(Script(clock.now()), clock) as board:
            driver = await opened(**board.settings)
            await rows_until(driver, 2)
            board.disconnect()
            with pytest.raises(LinkLost):
                await rows_until(driver, 100)
            with pytest.raises(LinkUnavailable, match="there is no port"):
                await opened(**board.settings)
            board.connect()
            again = await opened(**board.settings)
            await rows_until(again, 2)


class TestUnderTheSupervisor:
    async def test_the_board_is_unplugged_comes_back_and_no_row_is_late(self):
        clock = SystemClock()
        gather = Gather()
        changes = []

        def post(item):
            if isinstance(item, LinkChange):
                changes.append((item.state, item.why))
            gather.post(item)

        async with UnrulyText(Script(clock.now()), clock) as board:
            context = DriverContext("board", board.settings, clock)
            running = asyncio.create_task(Supervisor("board", lambda: SerialTextDriver(context), clock, post).run())
            counts = []

            async def turns(enough):
                """Close spans of 50 ms until ``enough`` holds, a computer that is busy taking longer."""
                async with asyncio.timeout(600):
                    while not enough():
                        await clock.sleep_until(clock.now() + 50_000)
                        for batch in gather.close(clock.now()).batches:
                            counts.extend(n for n in batch.column("pack_current") if not np.isnan(n))

            def states():
                return [state for state, _ in changes]

            await turns(lambda: "live" in states() and len(counts) >= 40)
            board.disconnect()
            await turns(lambda: "lost" in states())
            board.connect()
            before = len(counts)
            await turns(lambda: states()[-1] == "live" and len(counts) >= before + 40)
            running.cancel()
            await asyncio.wait([running])
        assert states()[:3] == ["opening", "live", "lost"]
        assert states()[-1] == "live"
        assert "broke off" in changes[2][1]
        steps = np.diff(counts)
        assert np.sum(steps != 1) == 1, "one gap, where it was unplugged"
        assert gather.late == gather.ahead == 0
