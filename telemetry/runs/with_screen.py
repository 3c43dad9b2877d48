"""A run under its screen, or without one: what ends it, what keys act on, and that it outlives a broken screen."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from functools import partial
from typing import TYPE_CHECKING, Any

from telemetry.guided.leading import Leader
from telemetry.machine.sections import Machine, SourceSettings
from telemetry.model.batch import Span
from telemetry.model.clock import Clock
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.raw_ring import RawTail
from telemetry.pipeline.run import Operator, Run
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.report.printer import LiveValues, Printer, say
from telemetry.runs.begin import OnScreen, end_well_by_signal
from telemetry.runs.options import RunOptions, Subject
from telemetry.store.later_marks import keep_mark
from telemetry.store.stored_recording import StoredRecording

if TYPE_CHECKING:
    from telemetry.screen.dashboard import Dashboard
    from telemetry.screen.sound import Sounder
    from telemetry.screen.voice import Voice

log = logging.getLogger(__name__)


async def run_with_screen(
    run: Run,
    supervisors: Sequence[Supervisor],
    subject: Subject,
    snapshot: Snapshot,
    past: LivePast,
    options: RunOptions,
    raw_tail: RawTail | None,
    on: OnScreen | None,
) -> None:
    """Run to the end; with a screen, until the operator leaves it. Live alarms are heard either way."""
    async with AsyncExitStack() as stack:
        sounder = None
        if not options.silent and (on is not None or subject.plan is None):
            from telemetry.screen.sound import Sounder

            sounder = Sounder(own_sound=options.alarm_sound, command=options.alarm_command)
            run.bus.attach((await stack.enter_async_context(sounder)).take)
        if options.leader is not None:
            run.bus.attach(Guiding(options.leader, sounder, await _voice(options, stack)).take)
        if on is None:
            end_well_by_signal(run.stop)
            await run.run(supervisors)
            return
        from telemetry.screen.sound import ring_bell

        machine = subject.machine
        dashboard = dashboard_of(
            snapshot,
            operator_of(run, subject, options, supervisors),
            subject.clock,
            subject.machine_name,
            machine,
            past,
            options,
            [source for source, _ in subject.drivers],
            recorded=options.store is not None,
            sounder=sounder,
            mark_keys=(machine.vehicle.mark_keys or ()) if machine is not None else (),
            raw=raw_tail,
            leader=options.leader,
        )

        def lost() -> None:
            if sounder is not None:
                sounder.bell = ring_bell
            say([SCREEN_LOST], options.notes)
            run.bus.attach(printer_of(run, subject, options, snapshot).take)
            end_well_by_signal(run.stop)

        await run_beside(on, dashboard, run, supervisors, lost)


async def _voice(options: RunOptions, stack: AsyncExitStack) -> Voice | None:
    """Return what speaks, where it is wanted and the platform has a voice."""
    from telemetry.screen.voice import Voice, voice_here

    command = voice_here() if options.speaks and not options.silent else None
    if command is None:
        return None
    voice = Voice(command)
    stack.push_async_callback(voice.close)
    return voice


def dashboard_of(
    snapshot: Snapshot,
    operator: Operator,
    clock: Clock,
    name: str,
    machine: Machine | None,
    past: LivePast,
    options: RunOptions,
    sources: Sequence[SourceSettings],
    **more: Any,
) -> Dashboard:
    """Return the dashboard of a run that goes on; ``more`` as that class has it."""
    from telemetry.runs.program import PROGRAM, program_version
    from telemetry.screen.dashboard import Dashboard
    from telemetry.screen.links_view import LinkFacts
    from telemetry.screen.scene import pack_scale
    from telemetry.screen.session_list import SessionList
    from telemetry.screen.span_figures import SpanFigures
    from telemetry.screen.traces import Traces

    return Dashboard(
        snapshot,
        operator,
        clock,
        name,
        Traces(past, snapshot.limits, SpanFigures(None if machine is None else machine.pack)),
        leave_at_end=options.for_s is not None,
        scale=pack_scale(machine),
        units=options.units,
        plain_blocks=options.plain_blocks,
        facts={
            source.name: LinkFacts(source.driver, str(source.settings.get("port", "")), source.lag_s)
            for source in sources
        },
        sessions=SessionList(options.sessions, program_version()),
        program=PROGRAM,
        **more,
    )


def operator_of(run: Run, subject: Subject, options: RunOptions, supervisors: Sequence[Supervisor]) -> Operator:
    """Return what keys act on; the marks of a replay are kept with the session that is replayed."""
    recording = subject.recording
    if isinstance(recording, StoredRecording):
        return Operator(run, subject.plan, partial(keep_mark, recording.path, recording.session))
    why_no_marks = "" if recording is None or options.store else NO_MARKS
    return Operator(run, subject.plan, why_no_marks=why_no_marks, supervisors=supervisors)


NO_MARKS = "no mark set: a file keeps none; replay it with --record to set marks"
SCREEN_LOST = (
    "the screen failed and is gone; the run goes on without it and is recorded as before, events follow as lines, "
    "and Ctrl-C ends it"
)


async def run_beside(
    on: OnScreen, dashboard: Dashboard, run: Run, supervisors: Sequence[Supervisor], lost: Callable[[], None]
) -> None:
    """Run beside the screen in one loop. Leaving the screen ends the run; a screen that breaks does not.

    Args:
        on: the screen; it shows the dashboard from now on, which takes the keys pressed so far.
        dashboard: of the run.
        run: not yet running.
        supervisors: of its sources.
        lost: called once the screen has broken while the run goes on.

    """
    running = asyncio.create_task(run.run(supervisors), name="run")
    running.add_done_callback(lambda _: dashboard.run_ended(str(run.failure or "the run has ended")))
    on.screen.show(dashboard, on.starting.keys)
    try:
        await asyncio.wait((on.showing,))
        if on.broken:
            log.error("the screen failed", exc_info=on.showing.exception())
            if not running.done():
                lost()
                await asyncio.shield(running)
    finally:
        run.stop()
        await running


def printer_of(run: Run, subject: Subject, options: RunOptions, snapshot: Snapshot) -> Printer:
    """Return the printer of events, and of values where asked for.

    Where it cannot print, a recording goes on, and anything else ends.
    """

    def gone() -> None:
        if options.store is None:
            run.stop()
        else:
            say(["warning: events can no longer be printed; recording goes on"], options.notes)

    every_s = options.values_every_s
    values = None if every_s is None else LiveValues(snapshot, every_s)
    return Printer(subject.start, options.as_json, options.out, gone, values)


if TYPE_CHECKING:
    from telemetry.screen.sound import Sounder
    from telemetry.screen.voice import Voice


_EXPLAINED = ("READY", "AGAIN", "LET OFF", "WARM UP", "WAIT", "MEASURE", "DONE")
"""Words that are spoken with what is to be done; of the others the word is enough."""


class Guiding:
    """A direct listener of the bus.

    Args:
        leader: is given every span.
        sounder: plays a tone at every change; None for silence. Alarms come first.
        voice: speaks what is asked; None where nothing does.

    """

    def __init__(self, leader: Leader, sounder: Sounder | None, voice: Voice | None) -> None:
        self._leader, self._sounder, self._voice = leader, sounder, voice
        self._spoken = ""

    def take(self, span: Span) -> None:
        """Lead on, and make heard what is new; an alarm that nobody has seen keeps the voice silent."""
        self._leader.take(span)
        cue, self._leader.cue = self._leader.cue, None
        sounder, voice, ask = self._sounder, self._voice, self._leader.ask
        if cue is not None and sounder is not None:
            sounder.cue(cue)
        if voice is None or ask is None:
            return
        if sounder is not None and sounder.alarms:
            voice.hush()
            return
        text = f"{ask.word}. {ask.do}" if ask.word in _EXPLAINED else ask.word
        if text != self._spoken:
            self._spoken = text
            voice.say(text)
