"""A run under its screen, or without one: what ends it, what keys act on, and that it outlives a broken screen."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack, suppress
from functools import partial
from typing import TYPE_CHECKING

from telemetry.pipeline.raw_tail import RawTail
from telemetry.pipeline.run import Operator, Run
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.report.printer import say
from telemetry.runs.options import RunOptions, Subject, printer_of
from telemetry.store.later_marks import keep_mark
from telemetry.store.stored_recording import StoredRecording

if TYPE_CHECKING:
    from telemetry.screen.dashboard import Dashboard
    from telemetry.screen.sound import Sounder

log = logging.getLogger(__name__)


async def run_with_screen(
    run: Run,
    supervisors: Sequence[Supervisor],
    subject: Subject,
    snapshot: Snapshot,
    options: RunOptions,
    raw_tail: RawTail | None,
) -> None:
    """Run to the end; with a screen, until the operator leaves it. Live alarms are heard either way."""
    async with AsyncExitStack() as stack:
        sounder = None
        if not options.silent and (options.screen or subject.plan is None):
            from telemetry.screen.sound import Sounder

            sounder = Sounder(own_sound=options.alarm_sound, command=options.alarm_command)
            run.bus.attach((await stack.enter_async_context(sounder)).take)
        if options.screen:
            await _run_under_dashboard(run, supervisors, subject, snapshot, options, sounder, raw_tail)
            return
        end_well_by_signal(run.stop)
        await run.run(supervisors)


def end_well_by_signal(stop: Callable[[], None]) -> None:
    """Let Ctrl-C, a closed terminal and a shutdown end the run as the operator would, with its session closed.

    What is ignored stays so: under ``nohup`` a closed terminal is meant to end nothing.
    """
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        with suppress(NotImplementedError, AttributeError):  # Windows has neither the handlers nor the last of them
            number = getattr(signal, name)
            if signal.getsignal(number) is not signal.SIG_IGN:
                asyncio.get_running_loop().add_signal_handler(number, stop)


async def _run_under_dashboard(
    run: Run,
    supervisors: Sequence[Supervisor],
    subject: Subject,
    snapshot: Snapshot,
    options: RunOptions,
    sounder: Sounder | None,
    raw_tail: RawTail | None,
) -> None:
    from telemetry.runs.program import PROGRAM, program_version
    from telemetry.screen.dashboard import Dashboard
    from telemetry.screen.links_view import LinkFacts
    from telemetry.screen.scales import pack_scale
    from telemetry.screen.session_list import SessionList
    from telemetry.screen.sound import ring_bell

    dashboard = Dashboard(
        snapshot,
        operator_of(run, subject, options, supervisors),
        subject.clock,
        subject.machine_name,
        recorded=options.store is not None,
        sounder=sounder,
        leave_at_end=options.for_s is not None,
        mark_keys=(subject.machine.vehicle.mark_keys or ()) if subject.machine is not None else (),
        scale=pack_scale(subject.machine),
        units=options.units,
        plain_blocks=options.plain_blocks,
        facts={
            source.name: LinkFacts(source.driver, str(source.settings.get("port", "")), source.lag_s)
            for source, _ in subject.drivers
        },
        raw=raw_tail,
        sessions=SessionList(options.sessions, program_version()),
        program=PROGRAM,
    )

    def lost() -> None:
        if sounder is not None:
            sounder.bell = ring_bell
        say([SCREEN_LOST], options.notes)
        run.bus.attach(printer_of(run, subject, options).take)
        end_well_by_signal(run.stop)

    end_well_by_signal(dashboard.exit)
    await run_beside(dashboard, run, supervisors, lost)


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
    dashboard: Dashboard, run: Run, supervisors: Sequence[Supervisor], lost: Callable[[], None]
) -> None:
    """Run beside the dashboard in one loop. Leaving the screen ends the run; a screen that breaks does not.

    Args:
        dashboard: not yet running.
        run: not yet running.
        supervisors: of its sources.
        lost: called once the screen has broken while the run goes on.

    """
    running = asyncio.create_task(run.run(supervisors), name="run")
    running.add_done_callback(lambda _: dashboard.run_ended(str(run.failure or "the run has ended")))
    try:
        try:
            await dashboard.run_async()
            broken = bool(dashboard.return_code)
        except Exception:
            log.exception("the screen failed")
            broken = True
        if broken and not running.done():
            lost()
            await asyncio.shield(running)
    finally:
        run.stop()
        await running
