"""A part of the program fails through a mistake: every row goes on, the alarm says so, and the rest works on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.clock import ManualClock
from telemetry.model.events import AlarmChange, Event, Loss
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.run import Run
from telemetry.pipeline.stage import Chain, Stage
from telemetry.pipeline.supervisor import Supervisor

LOW = Limit("pack-voltage-low", "pack_voltage", "low", None, 46.0, 0.5, 0.0, 0.0, "test")
GROUP = Group("pack", "pack", ("pack_voltage",))
pytestmark = pytest.mark.mistakes


def break_on(span: Span) -> None:
    if any((batch.values == 13.0).any() for batch in span.batches):
        raise ZeroDivisionError("a mistake of ours")


class Breaking:
    """A stage that fails at every span with a row of 13 V; a listener and a queued listener that do."""

    why_refused = ""

    def __init__(self) -> None:
        self.kept: list[Event] = []

    def advance(self, span: Span) -> Span:
        break_on(span)
        return span

    def take(self, span: Span) -> None:
        break_on(span)

    def offer(self, span: Span) -> int:
        break_on(span)
        self.kept += span.events
        return 0

    async def room(self, values: int) -> None:
        raise AssertionError("a live run never waits")

    def held(self) -> None:
        return None


class BreakingJudge(Judge):
    """A judge that fails so, and its successors too."""

    def afresh(self) -> Judge:
        return BreakingJudge([LOW])

    def advance(self, span: Span) -> Span:
        break_on(span)
        return super().advance(span)


class Rows:
    """A source that gives one row a span."""

    kind = "wired"
    silence_s = None

    def __init__(self, clock: ManualClock, volts: list[float]) -> None:
        self.clock, self.volts = clock, volts

    async def open(self) -> None:
        return

    async def readings(self):
        for value in self.volts:
            yield Batch.of_rows(GROUP, [self.clock.now()], [[value]])
            await self.clock.sleep_until(self.clock.now() + 50_000)

    async def close(self) -> None:
        return


async def played(stages: Stage, volts: list[float], prepare: Callable[[Run], object] = id) -> list[Span]:
    clock = ManualClock(0)
    run = Run(clock, LivePacer(clock), stages, Gather(), waits=False)
    spans: list[Span] = []
    prepare(run)
    run.bus.attach(spans.append)
    running = asyncio.create_task(run.run([Supervisor("pack", lambda: Rows(clock, volts), clock, run.gather.post)]))
    await clock.advance(1.0)
    await running
    assert [v for s in spans for b in s.batches for v in b.values[:, 0].tolist()] == volts, "no row is lost"
    return spans


def changes(spans: list[Span]) -> list[AlarmChange]:
    found = [e for span in spans for e in span.events if isinstance(e, AlarmChange)]
    return [change for change in found if change.state != "standing at end"]


def named(spans: list[Span]) -> list[tuple[str, str, str]]:
    return [(change.limit, change.signal, change.state) for change in changes(spans)]


async def test_a_stage_that_fails_is_left_out_and_the_limits_are_judged_on() -> None:
    spans = await played(Chain([Breaking(), Judge([LOW])]), [50.0, 13.0, 50.0, 13.0, 50.0])
    assert [each for each in named(spans) if each[0] == "program-error"] == [("program-error", "breaking", "raised")]
    assert [each[2] for each in named(spans) if each[0] != "program-error"] == 2 * ["raised", "cleared"]
    (told,) = [change for change in changes(spans) if change.limit == "program-error"]
    assert told.why == "internal error in breaking (ZeroDivisionError); it is left out from here on"


async def test_a_judge_that_fails_begins_afresh_and_raises_what_holds() -> None:
    spans = await played(Chain([BreakingJudge([LOW])]), [45.0, 13.0, 45.0, 50.0])
    assert [each[2] for each in named(spans) if each[0] != "program-error"] == ["raised", "raised", "cleared"]
    assert ("program-error", "breaking judge", "raised") in named(spans)


async def test_a_judge_that_fails_at_every_span_is_told_without_one() -> None:
    assert named(await played(Chain([BreakingJudge([LOW])]), [13.0, 13.0, 13.0])) == [
        ("program-error", "breaking judge", "raised")
    ]


async def test_a_stage_that_fails_in_the_last_span_is_told_in_it() -> None:
    last = Span(0, (Batch.of_rows(GROUP, [0], [[13.0]]),), final=True)
    assert len(Chain([Breaking()]).advance(last).events) == 1


async def test_a_listener_that_fails_misses_its_span_only() -> None:
    heard: list[Span] = []

    def both(run: Run) -> None:
        run.bus.attach(Breaking().take)
        run.bus.attach(heard.append)

    spans = await played(Chain([Judge([])]), [50.0, 13.0, 13.0, 50.0], both)
    assert heard == spans, "the others miss none"
    assert named(spans) == [("program-error", "breaking", "raised")]
    assert changes(spans)[0].why.endswith("what it shows may be wrong")


async def test_what_a_queued_listener_fails_to_take_is_a_counted_loss() -> None:
    store = Breaking()
    spans = await played(Chain([Judge([])]), [50.0, 13.0, 13.0, 50.0], lambda run: run.bus.subscribe("store", store))
    losses = [event for span in spans for event in span.events if isinstance(event, Loss)]
    assert store.kept == [event for span in spans for event in span.events], "events are kept where rows are not"
    assert [(loss.values, loss.why) for loss in losses] == 2 * [(1, "internal error in breaking (ZeroDivisionError)")]
    assert named(spans) == [("recording", "store", "raised")]
