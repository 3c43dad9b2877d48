"""The command ``shakedown``: thin commands, one function each; what they need is imported when they run."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

EPILOG = (
    "Watch the course and not the screen while the machine moves. This program only listens: it switches nothing and "
    "replaces no fuse, interlock or protection of the pack."
)
Command = Callable[[argparse.Namespace], int]


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = argparse.ArgumentParser(
        prog="shakedown",
        description="Watches, records and judges a traction battery pack while you test-drive your conversion.",
        epilog=EPILOG,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_watch(commands)
    _add_replay(commands)
    _add_simulate(commands)
    _add_sources(commands)
    _add_decode_check(commands)
    _add_sessions(commands)
    _add_export(commands)
    _add_align(commands)
    _add_limits(commands)
    _add_new_machine(commands)
    return parser


def _add(commands: Any, name: str, run: Command, words: str, example: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=words[0].upper() + words[1:] + ".", epilog=f"Example: {example}"
    )
    parser.set_defaults(run=run)
    return parser


def _add_store(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="the store; default: SHAKEDOWN_STORE, else your data folder"
    )


def _add_run_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-screen", action="store_true", help="no dashboard: print events as lines")
    parser.add_argument("--json", action="store_true", help="print events as JSON, one object a line (no dashboard)")
    parser.add_argument("--for", dest="for_s", type=_seconds, metavar="SECONDS", help="end by itself after so long")
    parser.add_argument("--silent", action="store_true", help="no sound")
    _add_store(parser)


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"{text} is not a number of seconds above 0")
    return value


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value <= 100_000:
        raise argparse.ArgumentTypeError(f"{text!r} is neither 'max' nor a number above 0, such as 1 or 8")
    return value


def _add_watch(commands: Any) -> None:
    parser = _add(commands, "watch", watch, "watch a machine live and record it", "shakedown watch mower.toml")
    parser.add_argument("machine", nargs="?", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--demo", action="store_true", help="no hardware: a simulated machine drives in real time")
    parser.add_argument(
        "--capture", type=Path, metavar="FILE", help="keep the raw bytes of serial and Bluetooth links"
    )
    _add_simulated(parser)
    _add_run_options(parser)


def _add_simulated(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--scenario", default="orchard", metavar="NAME", help="simulated machine: orchard, market, orchard-charge"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="simulated machine: same number, same drive")


def _add_replay(commands: Any) -> None:
    words = "play a recording or a stored session along the same way as a live link"
    parser = _add(commands, "replay", replay, words, "shakedown replay last --speed 8")
    parser.add_argument("recording", metavar="RECORDING", help=".csv, .csv.gz, .parquet, a session's number, or last")
    parser.add_argument("--speed", type=_speed, default=1.0, metavar="N|max", help="times real time; default 1")
    parser.add_argument("--machine", type=Path, metavar="FILE", help="machine file to judge by")
    parser.add_argument("--record", action="store_true", help="write it into the store, as a replay")
    _add_run_options(parser)


def _add_simulate(commands: Any) -> None:
    words = "put a simulated machine behind a real link, for another terminal to watch"
    parser = _add(commands, "simulate", simulate, words, "shakedown simulate --link serial-text --write demo.toml")
    parser.add_argument("--link", default="serial-text", metavar="NAME", help="serial-text")
    parser.add_argument(
        "--write", type=Path, metavar="FILE", help="write the machine file there, not to the terminal"
    )
    parser.add_argument("--for", dest="for_s", type=_seconds, metavar="SECONDS", help="end by itself after so long")
    parser.add_argument("--json", action="store_true", help="print where to watch it as one JSON object")
    _add_simulated(parser)


def _add_sources(commands: Any) -> None:
    words = "list ports and devices in reach, ready to paste into a machine file"
    parser = _add(commands, "sources", sources, words, "shakedown sources")
    parser.add_argument("--json", action="store_true", help="print a JSON list")


def _add_decode_check(commands: Any) -> None:
    words = "run a frame map over captured bytes and say frame by frame what was understood"
    parser = _add(commands, "decode-check", decode_check, words, "shakedown decode-check pack.toml bytes.txt")
    parser.add_argument("map", type=Path, metavar="MAP", help="the frame map")
    parser.add_argument("capture", type=Path, metavar="CAPTURE", help="a file made by watch --capture")
    parser.add_argument("--source", metavar="NAME", help="which source of the capture; default: its first")


def _add_sessions(commands: Any) -> None:
    parser = _add(commands, "sessions", sessions, "list the recorded sessions", "shakedown sessions --json")
    parser.add_argument("--json", action="store_true", help="print a JSON list")
    _add_store(parser)


def _add_export(commands: Any) -> None:
    words = "write a session or recording to a file"
    parser = _add(commands, "export", export, words, "shakedown export last mow.csv")
    parser.add_argument("session", metavar="SESSION", help="a session's number, last, or a recording file")
    parser.add_argument("out", type=Path, metavar="OUT", help="a file ending in .csv, .csv.gz or .parquet")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")
    _add_store(parser)


def _add_align(commands: Any) -> None:
    words = "find how far the sources of a session are out of step, and the lag_s that brings them together"
    parser = _add(commands, "align", align, words, "shakedown align last")
    parser.add_argument("session", metavar="SESSION", help="a session's number, last, or a recording file")
    parser.add_argument(
        "--machine", type=Path, metavar="FILE", help="machine file in force when it was recorded, where it has none"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    _add_store(parser)


def _add_limits(commands: Any) -> None:
    words = "show every limit that a machine file puts in force, and where it comes from"
    parser = _add(commands, "limits", limits, words, "shakedown limits mower.toml")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--json", action="store_true", help="print a JSON list")


def _add_new_machine(commands: Any) -> None:
    words = "ask a few questions and write a machine file"
    parser = _add(commands, "new-machine", new_machine, words, "shakedown new-machine mower.toml")
    parser.add_argument("file", nargs="?", type=Path, default=Path("machine.toml"), metavar="FILE")
    parser.add_argument("--yes", action="store_true", help="ask nothing, take the defaults")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")


def _store_path(arguments: argparse.Namespace) -> Path:
    from telemetry.store.place import default_store_path

    store: Path | None = arguments.store
    return default_store_path() if store is None else store


def _run_options(arguments: argparse.Namespace, record: bool, capture: Path | None = None) -> Any:
    from telemetry.app import RunOptions

    return RunOptions(
        store=_store_path(arguments) if record else None,
        screen=not (arguments.no_screen or arguments.json),
        as_json=arguments.json,
        for_s=arguments.for_s,
        silent=arguments.silent,
        capture=capture,
    )


def watch(arguments: argparse.Namespace) -> int:
    """Watch a machine live, or the simulated one."""
    from telemetry import app, subjects
    from telemetry.model.errors import InputError

    if arguments.demo == (arguments.machine is not None):
        raise InputError("watch needs a machine file or --demo, and not both: shakedown watch --demo")
    options = _run_options(arguments, record=True, capture=arguments.capture)
    if arguments.demo:
        return app.watch(subjects.demo_machine(arguments.scenario, arguments.seed), options)
    return app.watch(subjects.machine_for_watch(arguments.machine), options)


def replay(arguments: argparse.Namespace) -> int:
    """Play a recording."""
    from telemetry import app, subjects
    from telemetry.machine.machine_file import load_machine

    given = None if arguments.machine is None else load_machine(arguments.machine)
    recording = subjects.open_subject(arguments.recording, _store_path(arguments), given)
    machine = subjects.machine_for(recording, given)
    return app.replay(recording, machine, arguments.speed, _run_options(arguments, arguments.record))


def simulate(arguments: argparse.Namespace) -> int:
    """Serve a simulated machine behind a link until interrupted."""
    from telemetry.simulate import serve

    return serve(
        arguments.link,
        {"scenario": arguments.scenario, "seed": arguments.seed},
        write=arguments.write,
        as_json=arguments.json,
        for_s=arguments.for_s,
    )


def sources(arguments: argparse.Namespace) -> int:
    """List what is in reach."""
    from telemetry.discover import source_lines, sources_in_reach

    found, reasons = sources_in_reach()
    for reason in reasons:
        _warn(reason)
    _print(_json(found) if arguments.json else "\n".join(source_lines(found) or ["nothing in reach"]))
    return 0


def decode_check(arguments: argparse.Namespace) -> int:
    """Say what a frame map makes of captured bytes."""
    from telemetry.pipeline.registry import load_driver

    for line in load_driver("serial-frames").check_capture(arguments.map, arguments.capture, arguments.source):
        _print(line)
    return 0


def sessions(arguments: argparse.Namespace) -> int:
    """List the recorded sessions."""
    from telemetry.report.session_list import session_lines, session_objects
    from telemetry.store.reader import StoreReader

    path = _store_path(arguments)
    records = []
    if path.exists():
        with StoreReader.open(path) as reader:
            records = reader.sessions()
    elif arguments.store is not None:
        from telemetry.model.errors import StoreError, printable

        raise StoreError(f"there is no store at {printable(path, 200)}; record a session first")
    _print(_json(session_objects(records)) if arguments.json else "\n".join(session_lines(records)))
    return 0


def export(arguments: argparse.Namespace) -> int:
    """Write a session to a file."""
    from telemetry.recordings.writing import write_recording
    from telemetry.subjects import open_subject

    recording = open_subject(arguments.session, _store_path(arguments))
    rows = write_recording(recording, arguments.out, replace=arguments.replace, warn=_warn)
    for warning in recording.warnings:
        _warn(warning)
    _print(f"{rows} rows written to {arguments.out}")
    return 0


def align(arguments: argparse.Namespace) -> int:
    """Find how far sources are out of step."""
    from telemetry.analysis.alignment import find_pairs, lags
    from telemetry.analysis.alignment_tracks import read_tracks
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.alignment_text import alignment_lines, alignment_object
    from telemetry.subjects import machine_for, open_subject

    given = None if arguments.machine is None else load_machine(arguments.machine)
    recording = open_subject(arguments.session, _store_path(arguments), given)
    if given is not None and recording.machine_text is not None:
        _warn(f"{recording.name} was recorded with its own machine file, and that counts; --machine is left aside")
        given = None
    machine = machine_for(recording, given)
    known = machine.sources if machine is not None else ()
    tracks = read_tracks(recording, [source.name for source in known])
    pairs = find_pairs(tracks)
    found = lags(pairs, {source.name: source.lag_s for source in known if source.lag_s is not None})
    for warning in recording.warnings:
        _warn(warning)
    told = (recording.name, list(dict.fromkeys(track.source for track in tracks)), pairs, found)
    _print(_json(alignment_object(*told)) if arguments.json else "\n".join(alignment_lines(*told)))
    return 0 if found else 1


def limits(arguments: argparse.Namespace) -> int:
    """Show the limits in force."""
    from telemetry.machine.limits import limits_for, unjudged
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.limit_list import limit_lines, limit_objects

    machine = load_machine(arguments.machine)
    found, missing = limits_for(machine), unjudged(machine)
    _print(_json(limit_objects(found, missing)) if arguments.json else "\n".join(limit_lines(found, missing)))
    return 0


def new_machine(arguments: argparse.Namespace) -> int:
    """Ask a few questions and write a machine file."""
    from telemetry.machine.interview import Question, interview
    from telemetry.model.errors import InputError, printable

    path: Path = arguments.file
    if path.exists() and not arguments.replace:
        raise InputError(f"{printable(path, 200)} exists; choose another name or add --replace")

    def ask(question: Question) -> str:
        if question.problem:
            print(f"  {question.problem}")  # noqa: T201 - a conversation on the terminal
        choices = f" ({', '.join(question.choices)})" if question.choices else ""
        default = f" [{question.default}]" if question.default else " [leave empty if unknown]"
        try:
            return input(f"{question.text}{choices}{default} ")
        except EOFError:
            raise InputError("the answers ended before the questions; use --yes to take the defaults") from None

    text = interview((lambda question: question.default) if arguments.yes else ask)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"{printable(path, 200)} cannot be written: {error.strerror}; choose another place"
        ) from error
    _print(f"{path} written; read it through, then: shakedown limits {path}")
    return 0


def _json(value: object) -> str:
    import json

    return json.dumps(value, indent=1, allow_nan=False)


def _print(text: str) -> None:
    if text:
        sys.stdout.write(text + "\n")


def _warn(text: str) -> None:
    sys.stderr.write(f"warning: {text}\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status: 0 done, 1 bad answer, 2 bad input, 3 link or store trouble."""
    parsed = build_parser().parse_args(arguments)
    from telemetry.model.errors import ShakedownError

    try:
        status: int = parsed.run(parsed)
        sys.stdout.flush()
    except ShakedownError as error:
        sys.stderr.write(f"shakedown: {error}\n")
        return error.exit_status
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of a pipe has gone; nothing more can be said there
        sys.stderr.close()
        return 0
    return status


if __name__ == "__main__":
    sys.exit(main())
