from __future__ import annotations

import asyncio
import queue
import threading

import pytest

from drivers.links.pump import READ_LIMIT_S, Piece, Pump
from telemetry.model.clock import ManualClock
from telemetry.model.errors import LinkLost, LinkUnavailable


class Pipe:
    """A blocking link that carries what the test puts into it; an exception put into it breaks it."""

    def __init__(self) -> None:
        self.said: queue.Queue[object] = queue.Queue()
        self.threads: set[threading.Thread] = set()
        self.closed_by: list[threading.Thread] = []

    def open(self) -> Pipe:
        self.threads.add(threading.current_thread())
        return self

    def read(self):
        self.threads.add(threading.current_thread())
        try:
            said = self.said.get(timeout=READ_LIMIT_S)
        except queue.Empty:
            return None
        if isinstance(said, BaseException):
            raise said
        return said

    def close(self) -> None:
        self.closed_by.append(threading.current_thread())


async def until(condition, seconds=3.0):
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - what is waited for happens in a thread
            await asyncio.sleep(0.001)


async def test_pieces_come_in_order_with_the_clock_s_time():
    pipe, clock = Pipe(), ManualClock(1000)
    pump = Pump(pipe.open, clock, "pipe")
    await pump.start()
    pipe.said.put(b"a")
    assert await pump.take() == [Piece(1000, b"a")]
    await clock.advance_to(2000)
    pipe.said.put(b"b")
    pipe.said.put(b"c")
    await until(lambda: pump.figures.fill == 2)
    assert await pump.take() == [Piece(2000, b"b"), Piece(2000, b"c")]
    figures = pump.figures
    assert (figures.fill, figures.fullest, figures.pieces, figures.drops) == (0, 2, 3, 0)
    await pump.stop()


async def test_one_thread_of_its_own_opens_reads_and_closes():
    pipe = Pipe()
    pump = Pump(pipe.open, ManualClock(), "pipe")
    assert pipe.threads == set()
    await pump.start()
    await pump.stop()
    (thread,) = pipe.threads
    assert thread is not threading.current_thread()
    assert pipe.closed_by == [thread]
    assert not thread.is_alive()


async def test_an_error_comes_after_all_that_came_before_it_and_again_if_asked():
    pipe = Pipe()
    pump = Pump(pipe.open, ManualClock(), "pipe")
    await pump.start()
    pipe.said.put(b"last words")
    pipe.said.put(LinkLost("pulled"))
    await until(lambda: pipe.closed_by)
    assert [piece.data for piece in await pump.take()] == [b"last words"]
    for _ in range(2):
        with pytest.raises(LinkLost, match="pulled"):
            await pump.take()
    await pump.stop()


async def test_an_error_wakes_a_reader_that_waits():
    pipe = Pipe()
    pump = Pump(pipe.open, ManualClock(), "pipe")
    await pump.start()
    waiting = asyncio.create_task(pump.take())
    await asyncio.sleep(0.01)
    pipe.said.put(ZeroDivisionError("a bug in a link"))
    with pytest.raises(ZeroDivisionError):
        await waiting
    await pump.stop()


async def test_what_opening_raises_is_raised_by_start():
    def refuse():
        raise LinkUnavailable("no such thing")

    pump = Pump(refuse, ManualClock(), "pipe")
    with pytest.raises(LinkUnavailable, match="no such thing"):
        await pump.start()
    await pump.stop()
    await pump.stop()


@pytest.mark.parametrize("limit", [1, 2, 5])
async def test_a_full_queue_gives_up_the_oldest_and_says_so(limit):
    pipe = Pipe()
    pump = Pump(pipe.open, ManualClock(), "pipe", limit=limit)
    await pump.start()
    for number in range(12):
        pipe.said.put(number)
    await until(lambda: pump.figures.pieces == 12)
    figures = pump.figures
    assert (figures.fill, figures.fullest, figures.limit, figures.drops) == (limit, limit, limit, 12 - limit)
    pieces = await pump.take()
    assert [piece.data for piece in pieces] == list(range(12 - limit, 12))
    assert [piece.lost_before for piece in pieces] == [12 - limit] + [0] * (limit - 1)
    pipe.said.put("next")
    assert (await pump.take())[0].lost_before == 0
    await pump.stop()


async def test_reading_after_stopping_is_an_error_and_not_a_wait():
    pump = Pump(Pipe().open, ManualClock(), "pipe")
    await pump.start()
    await pump.stop()
    with pytest.raises(LinkLost):
        await pump.take()


async def test_stopping_before_starting_does_nothing():
    await Pump(Pipe().open, ManualClock(), "pipe").stop()


async def test_a_link_opened_too_late_is_closed_again():
    pipe, gate = Pipe(), threading.Event()

    def slow():
        gate.wait(5)
        return pipe.open()

    pump = Pump(slow, ManualClock(), "pipe")
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.05):
            await pump.start()
    stopping = asyncio.create_task(pump.stop())
    await asyncio.sleep(0.01)
    gate.set()
    await stopping
    assert len(pipe.closed_by) == 1


async def test_a_thread_that_hangs_in_the_device_is_left_behind(caplog):
    reading, gate = threading.Event(), threading.Event()

    class Stuck(Pipe):
        def read(self):
            reading.set()
            gate.wait(60)

    pump = Pump(Stuck().open, ManualClock(), "stuck device")
    await pump.start()
    await asyncio.to_thread(reading.wait, 60)
    async with asyncio.timeout(30):
        await pump.stop(limit_s=0.05)
    assert "stuck device did not return within 0.05 s" in caplog.text
    gate.set()
    await pump.stop()


def test_a_loop_that_ends_first_leaves_no_thread_behind():
    pipe = Pipe()
    pump = Pump(pipe.open, ManualClock(), "pipe")
    asyncio.run(pump.start())
    (thread,) = pipe.threads
    waiting = threading.Thread(target=pump._finish, args=(None,))  # telling a closed loop raises nothing
    waiting.start()
    waiting.join()
    thread.join(2)
    assert not thread.is_alive()
    assert pipe.closed_by == [thread]


async def test_an_error_in_closing_is_logged_and_ends_the_thread(caplog):
    class Sticky(Pipe):
        def close(self):
            raise OSError("will not close")

    pump = Pump(Sticky().open, ManualClock(), "sticky")
    await pump.start()
    await pump.stop()
    assert "will not close" in caplog.text
