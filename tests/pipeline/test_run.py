"""A whole run in small: live by a clock turned by hand, its listeners, losses, marks and end."""

from __future__ import annotations

import asyncio
import itertools

import pytest

from telemetry.driver import DriverContext
from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.clock import ManualClock, settle
from telemetry.model.errors import InputError
from telemetry.model.events import AlarmChange, Loss, Mark
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.registry import load_driver
from telemetry.pipeline.run import Operator, Run, standard_stages
from telemetry.pipeline.supervisor import Supervisor

LOW = Limit("pack-voltage-low", "pack_voltage", "low", 48.0, None, 0.5, 0.0, 0.0, "test")
GROUP = Group("pack", "pack", ("pack_voltage",))


def live_run(clock: ManualClock, for_s: float | None = None) -> tuple[Run, list[Span]]:
    spans: list[Span] = []
    run = Run(clock, LivePacer(clock), standard_stages(Judge([LOW])), Gather(), waits=False, for_s=for_s)
    run.bus.attach(spans.append)
    return run, spans


class Full:
    """A queued listener without room."""

    def offer(self, span: Span) -> int:
        return span.value_count

    async def room(self, values: int) -> None:
        raise AssertionError("a live run never waits")

    def held(self) -> None:
        return None


class Waiting:
    """A source that opens and says nothing."""

    kind = "wired"
    silence_s = None

    async def open(self) -> None:
        return

    async def readings(self):
        await asyncio.Event().wait()
        yield

    async def close(self) -> None:
        return


def nothing(clock: ManualClock, run: Run) -> list[Supervisor]:
    return [Supervisor("pack", Waiting, clock, run.gather.post)]


async def test_a_row_reaches_alarm_within_one_span_and_grace() -> None:
    clock = ManualClock(1_000_000)
    run, spans = live_run(clock)
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await clock.advance(1.0)
    at = clock.now()
    run.gather.post(Batch.of_rows(GROUP, [at], [[47.0]]))
    await clock.advance(0.075)
    changes = [e for s in spans for e in s.events if isinstance(e, AlarmChange)]
    assert [(c.state, c.t) for c in changes] == [("raised", at)]
    run.stop()
    await task


async def test_marks_and_acknowledgements_are_inputs() -> None:
    clock = ManualClock(0)
    run, spans = live_run(clock)
    operator = Operator(run)
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await clock.advance(0.2)
    run.gather.post(Batch.of_rows(GROUP, [clock.now()], [[47.0]]))
    await clock.advance(0.2)
    operator.mark("hill")
    operator.acknowledge()
    await clock.advance(0.2)
    operator.stop()
    await task
    events = [e for s in spans for e in s.events]
    assert [e.text for e in events if isinstance(e, Mark)] == ["hill"]
    assert [e.state for e in events if isinstance(e, AlarmChange)] == ["raised", "acknowledged", "standing at end"]
    assert spans[-1].final


async def test_what_the_store_refuses_is_counted_and_alarms_without_stopping_the_run() -> None:
    clock = ManualClock(0)
    run, spans = live_run(clock)
    run.bus.subscribe("store", Full())
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await settle()
    run.gather.post(Batch.of_rows(GROUP, [0], [[50.0]]))
    await clock.advance(0.3)
    events = [e for s in spans for e in s.events]
    assert any(isinstance(e, Loss) and e.values == 1 for e in events)
    assert [e.limit for e in events if isinstance(e, AlarmChange)] == ["recording"]
    assert run.bus.refused["store"] >= 1
    run.stop()
    await task


async def test_ends_by_itself_when_its_time_is_up() -> None:
    clock = ManualClock(0)
    run, spans = live_run(clock, for_s=2.0)
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await clock.advance(2.2)
    await task
    assert spans[-1].end == pytest.approx(2_000_000, abs=150_000)


async def test_ends_of_spans_never_step_back_and_a_suspend_is_one_jump() -> None:
    clock = ManualClock(0)
    run, spans = live_run(clock)
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await clock.advance(0.3)
    clock._now += 3_600_000_000  # the lid was shut for an hour
    await clock.advance(0.3)
    run.stop()
    await task
    ends = [s.end for s in spans]
    assert ends == sorted(ends)
    assert len(ends) < 30


def test_drivers_are_found_by_entry_point() -> None:
    assert load_driver("replay")(DriverContext("replay", {}, ManualClock())).kind == "plan"
    with pytest.raises(InputError, match="there is no driver 'serial-txt'; "):
        load_driver("serial-txt")


async def test_while_nothing_comes_few_spans_are_closed_and_a_deadline_is_still_heard_in_time() -> None:
    clock = ManualClock(0)
    run, spans = live_run(clock)
    task = asyncio.create_task(run.run(nothing(clock, run)))
    await clock.advance(1.0)
    run.gather.post(Batch.of_rows(GROUP, [clock.now()], [[47.0]]))
    await clock.advance(1.0)
    with_rows = [span for span in spans if span.batches]
    assert len(with_rows) == 1
    assert with_rows[0].end - 1_000_000 <= 100_000, "a row waits for no quiet"
    ends = [span.end for span in spans]
    assert max(b - a for a, b in itertools.pairwise(ends)) <= 250_000
    assert len(spans) <= 12, "five a second, where twenty would hold nothing"
    run.stop()
    await task
