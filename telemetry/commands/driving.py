"""Watch live, replay, and serve a simulated machine for another terminal to watch."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import (
    add,
    add_machine,
    add_run_options,
    add_screen_options,
    add_simulated,
    add_store,
    interval,
    require_terminal,
    run_options,
    seconds,
    simulated_settings,
    store_path,
    times_real_time,
)

if TYPE_CHECKING:
    from telemetry.machine.sections import Machine


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_watch(commands)
    _add_replay(commands)
    _add_review(commands)
    _add_simulate(commands)


def _add_watch(commands: Any) -> None:
    parser = add(commands, "watch", watch, "watch a machine live and record it", "shakedown watch mower.toml")
    parser.add_argument("machine", nargs="?", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument(
        "--demo",
        action="store_true",
        help="no hardware: a simulated machine drives in real time; with --bench its wheels are off the ground",
    )
    parser.add_argument(
        "--keep-recording",
        action="store_true",
        help="go on when the terminal is closed or an SSH connection drops; --follow shows the run again",
    )
    parser.add_argument(
        "--follow",
        action="store_true",
        help="show the run that another terminal records, without touching it; also over SSH",
    )
    parser.add_argument(
        "--serve",
        nargs="?",
        const="127.0.0.1:8000",
        metavar="HOST:PORT",
        help="with --follow: show it in a browser instead, at 127.0.0.1:8000 where none is given",
    )
    parser.add_argument(
        "--capture",
        type=Path,
        metavar="FILE",
        help="keep the raw bytes of all links with their times, for decode-check",
    )
    parser.add_argument(
        "--every",
        type=interval,
        metavar="TIME",
        help="with --json: print the values too, at this interval, such as 1s",
    )
    parser.add_argument("--yes", action="store_true", help="agree to what the machine file sends; for scripts")
    parser.add_argument(
        "--bench",
        choices=("throttle", "enabled"),
        help="wheels up, no drive: test the throttle, or the enabled controller at a steady throttle",
    )
    add_simulated(parser)
    add_run_options(parser)


def _add_replay(commands: Any) -> None:
    words = "play a session or a recording file as if it were live"
    parser = add(commands, "replay", replay, words, "shakedown replay last --speed 8")
    parser.add_argument(
        "recording", metavar="RECORDING", help="a session's number, last, or a .csv, .csv.gz or .parquet file"
    )
    parser.add_argument(
        "--speed", type=times_real_time, default=1.0, metavar="N|max", help="times real time; default 1"
    )
    add_machine(parser)
    parser.add_argument(
        "--record",
        action="store_true",
        help="record it as a new session, marked as a replay; comparisons with earlier drives leave it out",
    )
    add_run_options(parser)


def _add_review(commands: Any) -> None:
    words = "look at a session or a recording file: cursor, zoom, events, figures of a span"
    parser = add(commands, "review", review, words, "shakedown review last")
    parser.add_argument(
        "recording", metavar="RECORDING", help="a session's number, last, or a .csv, .csv.gz or .parquet file"
    )
    add_machine(parser)
    add_screen_options(parser)
    add_store(parser)


def _add_simulate(commands: Any) -> None:
    words = "put a simulated machine behind a real link, to watch it from another terminal"
    parser = add(commands, "simulate", simulate, words, "shakedown simulate --link serial-text --write demo.toml")
    parser.add_argument("--link", default="serial-text", metavar="NAME", help="which link; default: serial-text")
    parser.add_argument(
        "--write", type=Path, metavar="FILE", help="write the machine file there instead of the terminal"
    )
    parser.add_argument("--for", dest="for_s", type=seconds, metavar="SECONDS", help="stop after this time")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_simulated(parser)


def watch(arguments: argparse.Namespace) -> int:
    """Watch a machine live, or the simulated one."""
    from telemetry.model.errors import InputError, ShakedownError
    from telemetry.runs.begin import begin
    from telemetry.runs.found_good import FoundGood

    if arguments.follow:
        return _follow(arguments)
    if arguments.serve is not None:
        raise InputError("--serve only shows a run that is recorded elsewhere; add --follow")
    if arguments.demo and arguments.machine is not None:
        raise InputError("watch takes a machine file or --demo, not both; leave one out")
    if not arguments.demo and arguments.machine is None:
        raise InputError("watch needs a machine file (shakedown new-machine writes one), or --demo for a simulation")
    if arguments.every is not None and not arguments.json:
        raise InputError("--every prints values as JSON lines; add --json")
    if arguments.keep_recording:
        _outlive_terminal()
    options = run_options(arguments, record=True, capture=arguments.capture, every=arguments.every)
    if arguments.bench is not None:
        from telemetry.commands.bench import run_bench

        return run_bench(_machine(arguments, ask=True), arguments.bench, options)
    good, digest = FoundGood("machines-found-good.txt"), _digest(arguments)
    name = good.name_of(digest) if options.screen else None
    if name is None:
        machine = _machine(arguments, ask=True)
        if digest:
            good.add(digest, machine.name)
        return begin(machine.name, options, lambda: _watching(machine, options))

    def prepare() -> Any:
        try:
            return _watching(_machine(arguments, ask=False), options)
        except ShakedownError:
            good.discard(digest)  # and is looked at first the next time
            raise

    return begin(name, options, prepare)


def _watching(machine: Machine, options: Any) -> Any:
    from telemetry.runs import join

    return join.watching(machine, options)


def _digest(arguments: argparse.Namespace) -> str:
    """Return what stands for the machine that is meant; empty where it cannot be known without a closer look."""
    from telemetry.runs.found_good import digest_of, file_digest

    if not arguments.demo:
        return file_digest(arguments.machine)
    return digest_of("demo", repr(sorted(simulated_settings(arguments).items())))


def _machine(arguments: argparse.Namespace, *, ask: bool) -> Machine:
    """Return the machine that is meant, found good by its drivers; ``ask`` the operator where it sends requests."""
    from telemetry.runs import subjects

    if arguments.demo:
        bench = {} if arguments.bench is None else {"bench": arguments.bench}
        return subjects.demo_machine(simulated_settings(arguments) | bench)
    from telemetry.commands.consent import agree_to_sending

    machine = subjects.machine_for_watch(arguments.machine)
    agree_to_sending(machine, yes=arguments.yes, ask=ask)
    return machine


def _outlive_terminal() -> None:
    """Let a closed terminal end nothing, as under nohup."""
    import os
    import signal

    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
    sys.stderr.write(f"note: goes on without this terminal; from another one, kill -INT {os.getpid()} ends it\n")


def _follow(arguments: argparse.Namespace) -> int:
    """Show the run that is recorded elsewhere, here or in a browser."""
    from telemetry.model.errors import InputError

    given = [name for name in ("machine", "capture", "bench") if getattr(arguments, name) is not None]
    if given or arguments.demo:
        what = "machine file" if "machine" in given else f"--{(given or ['demo'])[0]}"
        raise InputError(f"--follow shows the run that is recorded elsewhere and takes no {what}; leave it out")
    if arguments.serve is not None:
        from telemetry.runs.serve import serve

        return serve(arguments.serve, arguments.store)
    from telemetry.runs.follow import follow

    return follow(run_options(arguments, record=False))


def replay(arguments: argparse.Namespace) -> int:
    """Play a recording."""
    from telemetry.runs import join
    from telemetry.runs.subjects import subject

    recording, machine, _ = subject(arguments.recording, store_path(arguments), arguments.machine)
    return join.replay(recording, machine, arguments.speed, run_options(arguments, arguments.record))


def review(arguments: argparse.Namespace) -> int:
    """Show a recording until the user leaves."""
    from telemetry.runs.review import review as show

    require_terminal("review", "shakedown report prints figures")
    given = (store_path(arguments), arguments.machine, arguments.units)
    return show(arguments.recording, *given, plain_blocks=arguments.plain_blocks)


def simulate(arguments: argparse.Namespace) -> int:
    """Serve a simulated machine behind a link until interrupted."""
    from telemetry.runs.simulate import serve

    return serve(
        arguments.link,
        simulated_settings(arguments),
        write=arguments.write,
        as_json=arguments.json,
        for_s=arguments.for_s,
    )
