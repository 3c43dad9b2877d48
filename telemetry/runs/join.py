"""Joins the parts for a run: machine file, sources, stages, store, screen. The only place that does."""

from __future__ import annotations

import asyncio
import errno
import json
import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal, TextIO, cast

from telemetry.driver import DriverContext, GivesExample, PlaysFeed
from telemetry.machine.cautions import caution_line
from telemetry.machine.limits import limits_for
from telemetry.machine.limits_frame import NO_HISTORY
from telemetry.machine.machine_file import Machine, SourceSettings
from telemetry.machine.publish import Publish
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkSilent, StoreError
from telemetry.model.recording import Recording
from telemetry.pipeline.gather import Gather, gather_for
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.plan import ReplayPlan
from telemetry.pipeline.raw_ring import RawRing, RawTail
from telemetry.pipeline.registry import driver_for, load_driver, with_paths
from telemetry.pipeline.run import Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.recordings.capture_file import CaptureFile
from telemetry.report.event_lines import summary_lines, summary_object
from telemetry.report.printer import say
from telemetry.report.raw_text import size_text
from telemetry.report.unhurried import Unhurried
from telemetry.runs.begin import OnScreen, Runs, begin
from telemetry.runs.earlier_sessions import resistance_history
from telemetry.runs.log_file import HarmlessSentences, log_to
from telemetry.runs.options import RunOptions, Subject
from telemetry.runs.platform_sleep import StayAwake
from telemetry.runs.publishing import Publisher
from telemetry.runs.run_end import has_values, kept, kept_lines, nothing_arrived
from telemetry.runs.with_screen import printer_of, run_with_screen
from telemetry.store.span_queue import Counts
from telemetry.store.writer import StoreWriter


def watch(machine: Machine, options: RunOptions) -> int:
    """Watch the machine's sources live, to the end; return the exit status."""
    return begin(machine.name, options, partial(watching, machine, options))


def watching(machine: Machine, options: RunOptions) -> Runs:
    """Return what watches the machine's sources live."""
    clock = SystemClock()
    return partial(
        _go,
        lambda: Subject(
            clock=clock,
            pacer=LivePacer(clock),
            machine=machine,
            machine_name=machine.name,
            drivers=tuple((source, None) for source in machine.sources),
            start=clock.now(),
        ),
        options,
    )


def replay(recording: Recording, machine: Machine | None, speed: float | None, options: RunOptions) -> int:
    """Play ``recording`` along the same way as a live link; return the exit status."""
    plan = ReplayPlan(SystemClock(), recording.start, speed)
    until = None if options.for_s is None else recording.start + round(options.for_s * MICROSECONDS)
    source = SourceSettings(driver=driver_for(PlaysFeed)[0], name="replay")
    feed = _Feed(_cut_at(recording.spans(), until), plan)
    name = machine.name if machine is not None else recording.name
    subject = Subject(
        clock=plan,
        pacer=plan,
        machine=machine,
        machine_name=name,
        drivers=((source, feed),),
        start=recording.start,
        recording=recording,
        plan=plan,
    )
    return begin(name, options, lambda: partial(_go, lambda: subject, options))


@dataclass(frozen=True)
class _Feed:
    spans: Iterator[Span]
    plan: ReplayPlan


def _cut_at(spans: Iterator[Span], until: int | None) -> Iterator[Span]:
    """Give the spans up to and including ``until``; all of them where it is None."""
    for span in spans:
        if until is None or span.end <= until:
            yield span
            continue
        kept = [batch.rows(0, int(batch.t.searchsorted(until, side="right"))) for batch in span.batches]
        events = [event for event in span.events if event.t <= until]
        if any(len(batch) for batch in kept) or events:
            yield Span(until).adding(kept, events)
        return


async def _go(make_subject: Callable[[], Subject], options: RunOptions, on: OnScreen | None) -> int:
    """Run a subject from its first span to its summary, under its screen where there is one."""
    subject = make_subject()
    out, notes = (Unhurried(stream, waits=subject.plan is not None) for stream in (options.out, options.notes))
    options = replace(options, out=cast("TextIO", out), notes=cast("TextIO", notes))
    if on is None:
        log_to(logging.StreamHandler(options.notes), HarmlessSentences())
    history = NO_HISTORY if subject.plan is not None else resistance_history(options.store, subject.machine_name)
    limits = limits_for(subject.machine, history) if subject.machine is not None else ()
    snapshot = Snapshot({limit.name: limit for limit in limits}, subject.start)
    beside = None if subject.plan is not None else ThreadPoolExecutor(1)  # has nothing left to do after the last span
    run = Run(
        subject.clock,
        subject.pacer,
        standard_stages(judge_for(subject.machine, history), subject.machine, history, beside),
        _gather(subject),
        waits=subject.plan is not None,
        for_s=options.for_s if subject.plan is None else None,
    )
    run.bus.attach(snapshot.take)
    past = _past_for_screen(run, subject, options)
    if options.listen is not None:
        run.bus.attach(options.listen(run.stop))
    first: list[str] = []
    async with AsyncExitStack() as stack:
        writer = session = raw_ring = None
        started = _started(subject)
        if options.store is not None:
            writer = stack.enter_context(StoreWriter.open(options.store))
            session = _begin(writer, subject, started, "bench" if options.on_bench else "live")
            run.bus.subscribe("store", writer)
            if subject.plan is None:
                raw_ring = RawRing(writer.offer)
                run.bus.attach(raw_ring.follow)
        if not options.screen:
            run.bus.attach(printer_of(run, subject, options, snapshot).take)
        if subject.plan is None:
            _publish(run, subject, snapshot, stack)
            awake = await stack.enter_async_context(StayAwake())
            first = _said_first(subject, options, awake.describe())
            if on is None:
                say(first, options.notes)
                first.clear()
        capture = (
            None if options.capture is None else stack.enter_context(CaptureFile(options.capture, subject.start))
        )
        try:
            raw_tail = RawTail() if options.screen and subject.plan is None else None
            takers = [each.take for each in (capture, raw_ring, raw_tail) if each is not None]
            supervisors = _supervisors(subject, run, _tap_of(takers))
            await run_with_screen(run, supervisors, subject, snapshot, past, options, raw_tail, on)
        finally:
            trouble = None
            if writer is not None:
                trouble = await _end_session(writer, started + subject.clock.now() - subject.start, options)
    stored = 0 if writer is None else writer.counts.stored
    summary = summary_object(snapshot, session, run.bus.published, stored)
    summary |= kept(
        session, None if writer is None else writer.path, next_command=has_values(snapshot) and not options.on_bench
    )
    say(first, options.notes)  # under a screen only now
    _report(subject, run, summary, None if writer is None else writer.counts, options)
    for stream in (out, notes):
        stream.pass_on(READER_AT_MOST_S)
    for error in (trouble, run.failure, _nothing(subject, snapshot), _unprinted(out)):
        if error is not None:
            raise error
    return StoreError.exit_status if summary["values_dropped"] else 0


def _past_for_screen(run: Run, subject: Subject, options: RunOptions) -> LivePast:
    """Return what the traces look back at; it is filled where there is a screen."""
    past = LivePast(subject.start, "absolute" if subject.recording is None else subject.recording.time_basis)
    if options.screen:
        run.bus.attach(past.take)
    return past


def _nothing(subject: Subject, snapshot: Snapshot) -> LinkSilent | None:
    if subject.plan is not None or has_values(snapshot):
        return None
    return nothing_arrived([source for source, _ in subject.drivers], snapshot)


def _unprinted(out: Unhurried) -> OSError | None:
    """Return why output is missing though somebody wants it: its disk is full. A reader that has gone wants none."""
    error = out.failure
    return error if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT) else None


async def _end_session(writer: StoreWriter, ended: int, options: RunOptions) -> Exception | None:
    """Write what waits and the session's end; say so where it takes long. Return why it could not be written."""
    ending = asyncio.create_task(asyncio.to_thread(writer.end_session, ended, SAVING_AT_MOST_S))
    if not (await asyncio.wait({ending}, timeout=1.0))[0]:
        say([f"saving what is not on the disk yet; this takes at most {2 * SAVING_AT_MOST_S:.0f} s"], options.notes)
    try:
        await ending
    except Exception as error:  # the summary comes first
        return error
    return None


SAVING_AT_MOST_S = 15.0
"""How long the end of a run waits for a store that cannot be written; the last try may take as long again."""


def _gather(subject: Subject) -> Gather:
    """Return the gather with what the sources' tables say; a replay's rows were settled when they were recorded."""
    if subject.plan is not None:
        return Gather(ahead_at_most=None)
    return gather_for([source for source, _ in subject.drivers])


TWO_GROUNDS = (
    "caution: more than one wired source is not stated isolated = true. Their grounds may join through this computer "
    "and carry traction current past the pack's protection: isolate each, keep the computer off its mains adapter, "
    "and never take the frame for negative"
)


def _said_first(subject: Subject, options: RunOptions, sleep: str) -> list[str]:
    """Return what is said of a live run before anything else."""
    name = subject.machine_name
    lines = [
        f"note: {sleep}",
        *(f"note: publishes to {each.broker} under {each.topic_for(name)}" for each in _brokers(subject)),
    ]
    if not options.screen and not options.on_bench:
        lines.append(caution_line(subject.machine))
    if _has_two_grounds([source for source, _ in subject.drivers]):
        lines.append(TWO_GROUNDS)
    return lines


def _has_two_grounds(sources: Sequence[SourceSettings]) -> bool:
    """Return whether wired sources that are not stated isolated could join their grounds in this computer."""
    made = [(source, load_driver(source.driver)) for source in sources]
    wired = [source for source, cls in made if cls.kind == "wired" and not isinstance(cls, GivesExample)]
    return sum(not source.isolated for source in wired) > 1


def _publish(run: Run, subject: Subject, snapshot: Snapshot, stack: AsyncExitStack) -> None:
    for settings in _brokers(subject):
        run.bus.attach(stack.enter_context(Publisher(settings, subject.machine_name, snapshot)).take)


def _brokers(subject: Subject) -> tuple[Publish, ...]:
    return () if subject.machine is None else subject.machine.publish


def _started(subject: Subject) -> int:
    """Return when the session counts as begun: where the recording began, or now where it does not say."""
    recording = subject.recording
    return subject.start if recording is None or recording.time_basis == "absolute" else SystemClock().now()


def _begin(writer: StoreWriter, subject: Subject, started: int, origin: Literal["live", "bench"]) -> int:
    machine, recording = subject.machine, subject.recording
    return writer.begin_session(
        machine=subject.machine_name,
        machine_text=machine.text if machine is not None else None,
        origin=origin if recording is None else "replay",
        time_basis="absolute" if recording is None else recording.time_basis,
        started=started,
        start=subject.start,
        replayed_from=None if recording is None else recording.name,
        drivers={source.name: source.driver for source, _ in subject.drivers},
    )


Tap = Callable[[CapturedPiece], None]


def _tap_of(takers: Sequence[Tap]) -> Tap | None:
    """Return what gives a piece to each of ``takers``; None where there are none, so that no driver taps."""
    if len(takers) <= 1:
        return takers[0] if takers else None

    def take(piece: CapturedPiece) -> None:
        for each in takers:
            each(piece)

    return take


def _supervisors(subject: Subject, run: Run, tap: Tap | None) -> list[Supervisor]:
    supervisors = []
    folder = Path(subject.machine.file).parent if subject.machine is not None else Path()
    for source, feed in subject.drivers:
        settings = with_paths(source.driver, source.settings_for_driver, folder)
        context = DriverContext(source.name, settings, subject.clock, feed, tap)
        make = load_driver(source.driver)
        supervisors.append(Supervisor(source.name, partial(make, context), subject.clock, run.gather.post))
    return supervisors


def _report(subject: Subject, run: Run, summary: dict[str, Any], counts: Counts | None, options: RunOptions) -> None:
    notes = [f"warning: {warning}" for warning in (subject.recording.warnings if subject.recording else ())]
    notes += [f"note: {told}" for told in run.gather.possible.told()]
    if run.gather.late:
        notes.append(f"note: {run.gather.late} rows came late and were given the time of the last span")
    if counts is not None and counts.refused_raw:
        notes.append(f"warning: {size_text(counts.refused_raw)} of raw bytes around high alarms could not be stored")
    if subject.machine is None:
        notes.append("note: no machine file, so no limits were judged; give one with --machine FILE")
    say(notes, options.notes)
    lines = (
        [json.dumps(summary, allow_nan=False)] if options.as_json else [*summary_lines(summary), *kept_lines(summary)]
    )
    say(lines, options.out)


READER_AT_MOST_S = 5.0
"""How long the end of a run waits for who reads its output."""
