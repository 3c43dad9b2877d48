"""One run, live or replay: sources under their supervisors, spans through the stages, onto the bus, to the end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor

from telemetry.analysis.charge_live import EstimateCharge
from telemetry.analysis.derive import Cells, Charge, Power
from telemetry.analysis.fault_isolation.suspicion import EarlierMarks, Suspicion
from telemetry.analysis.gaps import GapWatch
from telemetry.analysis.open_circuit import stated_table
from telemetry.analysis.resistance_live import EstimateResistance
from telemetry.analysis.supply_watch import SupplyWatch
from telemetry.machine.limits_frame import NO_HISTORY, ResistanceHistory
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS
from telemetry.model.clock import Clock
from telemetry.model.errors import ShakedownError
from telemetry.model.events import Acknowledge, LinkChange, Mark, MarkChange, ResetLatch, Shelve, Unshelve
from telemetry.pipeline.bus import Bus
from telemetry.pipeline.each_second import EachSecond
from telemetry.pipeline.fault_watch import FaultWatch
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.limit_stages import limit_stages
from telemetry.pipeline.one_source import OneSource
from telemetry.pipeline.part_failure import log_failure, with_unjudged
from telemetry.pipeline.plan import Pacer, ReplayPlan
from telemetry.pipeline.stage import Chain, Stage
from telemetry.pipeline.supervisor import Supervisor
from telemetry.pipeline.without_frozen import WithoutFrozen


def standard_stages(
    judge: Judge,
    machine: Machine | None = None,
    history: ResistanceHistory = NO_HISTORY,
    beside: Executor | None = None,
) -> Chain:
    """Return fresh stages in the one fixed order: derive, once a second estimate and what limits ask for, judge.

    None of them is given what a frozen source repeats, and what sources give in turn comes as from one.

    Args:
        judge: a fresh one.
        machine: what its file states; None where there is none, and so no limit that follows from it.
        history: resistances of earlier sessions of the same machine.
        beside: what does work that takes tenths of a second beside a live run; None: it is done at once.

    """
    unhurried: list[Stage] = [GapWatch(), Charge()]
    if machine is not None:
        pack = machine.pack
        table = stated_table(pack.open_circuit)
        unhurried += [EstimateCharge(pack, table), EstimateResistance(pack), *limit_stages(machine, history)]
    unhurried.append(Suspicion(beside))  # a mark comes seconds late anyway
    stages: list[Stage] = [EarlierMarks(), Cells(), Power(), EachSecond(Chain(unhurried))]
    if machine is not None and machine.fault_codes:
        stages.append(FaultWatch(machine.fault_codes))
    watch = SupplyWatch(None if machine is None else machine.pack)
    return Chain([WithoutFrozen(OneSource(Chain([*stages, watch, judge])))])


class Run:
    """Goes on until every source has ended, :meth:`stop` is called, or its time is up.

    Args:
        clock: the run's clock; the plan itself in a replay.
        pacer: where spans end.
        stages: fresh ones.
        gather: where rows and inputs come in.
        waits: whether publishing waits for queued listeners (replay).
        for_s: end by itself after so many seconds of the run's clock; None for never.

    Attributes:
        bus: listeners are attached before :meth:`run`.
        failure: what ended a source for good; raised by nobody, to be reported after the run has been closed well.
    """

    def __init__(
        self, clock: Clock, pacer: Pacer, stages: Stage, gather: Gather, *, waits: bool, for_s: float | None = None
    ) -> None:
        self.clock = clock
        self.gather = gather
        self.bus = Bus(waits, gather.post)
        self.failure: Exception | None = None
        self._pacer = pacer
        self._stages = stages
        self._end = clock.now()
        self._until = None if for_s is None else clock.now() + round(for_s * MICROSECONDS)
        self._stopping = asyncio.Event()
        self._waiting: asyncio.Task[None] | None = None

    def stop(self) -> None:
        """End the run at the next turn of the loop."""
        self._stopping.set()
        if self._waiting is not None:
            self._waiting.cancel()

    async def run(self, supervisors: Iterable[Supervisor]) -> None:
        """Run to the end; whatever happens, the final span goes through stages and bus.

        Raises:
            BaseException: a bug, or cancellation; the final span has been published even then.
        """
        sources = asyncio.ensure_future(self._sources(supervisors))
        sources.add_done_callback(lambda _: self.stop())
        spans = asyncio.ensure_future(self._close_spans())
        try:
            await asyncio.wait((spans,))
        finally:
            for task in (sources, spans):
                task.cancel()
            await asyncio.gather(sources, spans, return_exceptions=True)
            await self._advance(max(self._end, self.clock.now()), final=True)
        for task in (spans, sources):
            if not task.cancelled() and (error := task.exception()) is not None:
                raise error

    async def _close_spans(self) -> None:
        """Close spans where the pacer ends them, until the run is stopped or its time is up."""
        while not self._stopping.is_set() and (self._until is None or self._end < self._until):
            self._waiting = asyncio.current_task()  # a span that has begun is brought to its end
            end = await self._pacer.next_end(self.gather)
            self._waiting = None
            await self._advance(end)

    async def _advance(self, end: int, final: bool = False) -> None:
        span = with_unjudged(self._stages.advance(self.gather.close(max(end, self._end), final)))
        self._end = span.end
        self.gather.note_frozen(span)
        await self.bus.publish(span)

    async def _sources(self, supervisors: Iterable[Supervisor]) -> None:
        """Run all sources side by side; one that fails for good leaves the others running."""
        await asyncio.gather(*(self._source(supervisor) for supervisor in supervisors))

    async def _source(self, supervisor: Supervisor) -> None:
        try:
            await supervisor.run()
        except ShakedownError as error:
            self.failure = self.failure or error
        except Exception as error:
            self.failure = self.failure or error
            why = log_failure(f"source {supervisor.source}", error)
            self.gather.post(LinkChange(self.clock.now(), supervisor.source, "lost", why))


class Operator:
    """What the operator may do to a run; a :class:`~telemetry.pipeline.control.RunControl`.

    Args:
        run: the run.
        plan: of a replay; None live.
        keep_mark: keeps a mark with the recording that is replayed; raises a ShakedownError where it cannot.
        why_no_marks: why no mark can be kept; empty where they can.
        supervisors: of the run's sources.
        leaving: what leaving the screen does.

    """

    def __init__(
        self,
        run: Run,
        plan: ReplayPlan | None = None,
        keep_mark: Callable[[Mark | MarkChange], None] | None = None,
        why_no_marks: str = "",
        supervisors: Sequence[Supervisor] = (),
        leaving: str = "ends the run and leaves",
    ) -> None:
        self._run = run
        self._plan = plan
        self._keep_mark = keep_mark
        self.why_no_marks, self.leaving = why_no_marks, leaving
        self._supervisors = {supervisor.source: supervisor for supervisor in supervisors}

    def mark(self, text: str, t: int | None = None) -> str:
        """Set a mark at ``t``, now where None; return why it could not be kept, empty where it is."""
        return self._keep(Mark(self._run.clock.now() if t is None else t, text))

    def change_mark(self, of: int, text: str, taken_back: bool = False) -> str:
        """Give the mark set at ``of`` its words, or take it back; return why that is not kept, empty where it is."""
        return self._keep(MarkChange(self._run.clock.now(), of, text, taken_back))

    def _keep(self, mark: Mark | MarkChange) -> str:
        if self.why_no_marks:
            return self.why_no_marks
        if self._keep_mark is not None:
            try:
                self._keep_mark(mark)
            except ShakedownError as error:
                return f"mark not kept: {error}"
        self._run.gather.post(mark)
        return ""

    def acknowledge(self, limit: str | None = None, signal: str | None = None) -> None:
        """Acknowledge the alarm of ``limit`` on ``signal``; any where None."""
        self._run.gather.post(Acknowledge(self._run.clock.now(), limit, signal))

    def shelve(self, limit: str, signal: str | None, for_s: float) -> None:
        """Shelve an alarm for ``for_s`` seconds; no longer than its priority allows."""
        self._run.gather.post(Shelve(self._run.clock.now(), limit, signal, for_s))

    def unshelve(self, limit: str | None = None, signal: str | None = None) -> None:
        """Unshelve alarms before their time; any where None."""
        self._run.gather.post(Unshelve(self._run.clock.now(), limit, signal))

    def reset_latch(self, limit: str | None = None, signal: str | None = None) -> None:
        """Let acknowledged latches go; any where None."""
        self._run.gather.post(ResetLatch(self._run.clock.now(), limit, signal))

    def try_now(self, source: str) -> bool:
        """Try the link of ``source`` again now; return whether it was waiting for a try."""
        supervisor = self._supervisors.get(source)
        return supervisor is not None and supervisor.try_now()

    def stop(self) -> None:
        """End the run."""
        self._run.stop()

    @property
    def is_replay(self) -> bool:
        """Whether pause and speed mean anything."""
        return self._plan is not None

    @property
    def speed(self) -> float | None:
        """Times real time; None for as fast as it goes, 0 while paused."""
        if self._plan is None:
            return 1.0
        return 0.0 if self._plan.paused else self._plan.speed

    def set_speed(self, speed: float | None) -> None:
        """Play at ``speed`` from here on; 0 pauses. Without effect on a live run."""
        if self._plan is None:
            return
        if speed == 0:
            self._plan.pause()
            return
        self._plan.set_speed(speed)
        self._plan.resume()

    @property
    def going_to(self) -> int | None:
        """The moment that a replay goes on to as fast as it goes; None where it does not."""
        return None if self._plan is None else self._plan.going_to

    def go_on_to(self, t: int) -> bool:
        """Play on to ``t`` as fast as it goes, then as before; return whether a replay has that still to come."""
        return self._plan is not None and self._plan.go_on_to(t)
