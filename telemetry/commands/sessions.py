"""Recorded sessions: list, bundle, repair, align their sources."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, add_machine, add_session, add_store, as_json, say, store_path, warn


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_sessions(commands)
    _add_bundle(commands)
    _add_repair(commands)
    _add_align(commands)


def _add_sessions(commands: Any) -> None:
    parser = add(commands, "sessions", sessions, "list the recorded sessions", "shakedown sessions --json")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def _add_bundle(commands: Any) -> None:
    words = "write one file to ask for help with: a session, machine file, versions, log; no names, no positions"
    parser = add(commands, "bundle", bundle, words, "shakedown bundle last help.zip")
    parser.add_argument("session", metavar="SESSION", help="a session's number, or last")
    parser.add_argument("out", nargs="?", type=Path, metavar="OUT", help="the file; default: shakedown-SESSION.zip")
    parser.add_argument(
        "--with-positions", action="store_true", help="leave positions in, and raw bytes that hold them"
    )
    parser.add_argument("--with-names", action="store_true", help="leave names, texts, ports and addresses in")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")
    add_store(parser)


def _add_repair(commands: Any) -> None:
    words = "save what can be read of a damaged store into a new one"
    parser = add(commands, "repair", repair, words, "shakedown repair sessions.sqlite3")
    parser.add_argument("damaged", type=Path, metavar="STORE", help="the damaged store; it stays as it is")
    parser.add_argument(
        "out", nargs="?", type=Path, metavar="OUT", help="the new store; default: NAME-repaired.sqlite3 beside it"
    )


def _add_align(commands: Any) -> None:
    words = "find how much later one source is than another, and the lag_s that corrects it"
    parser = add(commands, "align", align, words, "shakedown align last")
    add_session(parser)
    add_machine(parser, "machine file used when a recording file was made")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def sessions(arguments: argparse.Namespace) -> int:
    """List the recorded sessions."""
    from telemetry.report.store_text import session_lines, session_objects
    from telemetry.store.reader import StoreReader

    path = store_path(arguments)
    records = []
    if path.exists():
        with StoreReader.open(path) as reader:
            records = reader.sessions()
    elif arguments.store is not None:
        from telemetry.model.errors import StoreError, printable

        raise StoreError(f"there is no store at {printable(path, 200)}; record a session first, or name another")
    say(as_json(session_objects(records)) if arguments.json else "\n".join(session_lines(records)))
    return 0


def bundle(arguments: argparse.Namespace) -> int:
    """Write a bundle and say what is in it."""
    from telemetry.model.errors import InputError, printable
    from telemetry.runs.bundle import bundle_lines, write_bundle
    from telemetry.store.reader import StoreReader

    name = arguments.session
    if name != "last" and not name.isdecimal():
        raise InputError(f"{printable(name, 200)} is not a session; give a session's number or last")
    with StoreReader.open(store_path(arguments)) as reader:
        record = reader.session("last" if name == "last" else int(name))
        out = arguments.out or Path(f"shakedown-{record.id}.zip")
        written = write_bundle(
            reader,
            record,
            out,
            positions=arguments.with_positions,
            names=arguments.with_names,
            replace_it=arguments.replace,
        )
    say("\n".join(bundle_lines(written, out)))
    return 0


def repair(arguments: argparse.Namespace) -> int:
    """Save what can be read of a damaged store."""
    from telemetry.report.store_text import repair_lines
    from telemetry.store.repair import free_name
    from telemetry.store.repair import repair as save

    out = free_name(arguments.damaged) if arguments.out is None else arguments.out
    say("\n".join(repair_lines(save(arguments.damaged, out), arguments.damaged, out)))
    return 0


def align(arguments: argparse.Namespace) -> int:
    """Find how far sources are out of step."""
    from telemetry.analysis.alignment import find_pairs, lags
    from telemetry.analysis.alignment_tracks import read_tracks
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.alignment_text import alignment_lines, alignment_object
    from telemetry.runs.subjects import machine_for, open_subject

    given = None if arguments.machine is None else load_machine(arguments.machine)
    recording = open_subject(arguments.session, store_path(arguments), given)
    if given is not None and recording.machine_text is not None:
        warn(f"{recording.name} was recorded with its own machine file, which is used; --machine is ignored")
        given = None
    machine = machine_for(recording, given)
    known = machine.sources if machine is not None else ()
    tracks = read_tracks(recording, [source.name for source in known])
    pairs = find_pairs(tracks)
    found = lags(pairs, {source.name: source.lag_s for source in known if source.lag_s is not None})
    warn(*recording.warnings)
    result = (recording.name, list(dict.fromkeys(track.source for track in tracks)), pairs, found)
    say(as_json(alignment_object(*result)) if arguments.json else "\n".join(alignment_lines(*result)))
    return 0 if found else 1
