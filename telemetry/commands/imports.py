"""Import recordings that another logger wrote."""

from __future__ import annotations

import argparse
import sys
from contextlib import redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_machine, add_store, as_json, say, store_path, warn

if TYPE_CHECKING:
    from telemetry.model.questions import Question
    from telemetry.runs.importing import Imported, Opened


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    words = "read recordings that another logger wrote, each into a session"
    parser = add(commands, "import", import_files, words, "shakedown import drive.csv --machine mower.toml")
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="a table (text, .xlsx, .jsonl, .parquet, .mf4), a .gpx track, a device log, a recording of ours, or"
        " another store",
    )
    parser.add_argument("--map", type=Path, metavar="MAP.toml", help="column map to read them by; else a kept one")
    add_machine(parser, "machine file to judge the sessions by, and to decode device logs")
    parser.add_argument("--yes", action="store_true", help="ask nothing: say what was assumed instead")
    parser.add_argument("--show", action="store_true", help="show how the files would be read, and store nothing")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def import_files(arguments: argparse.Namespace) -> int:
    """Import each file; one that cannot be read does not keep the others out."""
    from telemetry.machine.machine_file import load_machine
    from telemetry.model.errors import InputError
    from telemetry.recordings.foreign.column_map import load_map
    from telemetry.runs.importing import opened, store_recording
    from telemetry.runs.progress import Progress

    machine = None if arguments.machine is None else load_machine(arguments.machine)
    given = None if arguments.map is None else load_map(arguments.map)
    store, objects, refused = store_path(arguments), list[dict[str, Any]](), list[str]()
    with TemporaryDirectory(prefix="shakedown-") as folder:
        for path in arguments.files:
            try:
                for found in opened(path, store, given, None if arguments.yes else _ask, Path(folder), machine):
                    if not arguments.json:
                        say("\n".join(_lines(path, found)))
                        sys.stdout.flush()  # before the long part, also into a pipe
                    stored = None
                    if not arguments.show:
                        with Progress() as progress:
                            stored = store_recording(found, path, store, machine, progress)
                    warn(*found.recording.warnings)
                    objects.append(_object(path, found, stored))
                    if stored is not None and not arguments.json:
                        say("\n".join(_stored_lines(path.name, stored)))
            except InputError as error:
                refused.append(str(error))
    if arguments.json:
        say(as_json(objects))
    if refused:
        done = len(arguments.files) - len(refused)
        also = f"; the other {done} were read" if done else ""
        raise InputError("; ".join(refused) + also)
    return 0


def _lines(path: Path, found: Opened) -> list[str]:
    from telemetry.model.errors import printable
    from telemetry.report.import_text import column_lines, layout_line

    if found.column_map is None:
        what = "a device log, decoded by the machine file" if found.is_log else "a recording of this program"
        return [f"{path.name}: {what}"]
    table = found.column_map
    layout = layout_line(path.name, table.delimiter, table.decimal, table.encoding)
    lines = [layout if found.is_text else f"{printable(path.name)}: a table"]
    lines += column_lines(found.recording, found.sources, table.time, found.first_rows, found.doubts)
    return lines + [f"assumed: {each}" for each in found.assumed]


def _stored_lines(name: str, stored: Imported) -> list[str]:
    lines = [f"{name} is session {stored.session}, {stored.rows} rows", f"next: shakedown report {stored.session}"]
    if stored.same_as:
        lines.append(
            f"session {stored.same_as} has the same times, so it is most likely the same drive twice; to delete one:"
            " shakedown, choose it in the list of sessions, press c and type delete"
        )
    if stored.kept is not None:
        lines.append(f"the next file with this header is read the same way; its column map: {stored.kept}")
    return lines


def _object(path: Path, found: Opened, stored: Imported | None) -> dict[str, Any]:
    from telemetry.report.import_text import first_values

    table, first = found.column_map, found.first_rows
    return {
        "file": str(path),
        "session": None if stored is None else stored.session,
        "rows": None if stored is None else stored.rows,
        "seconds": None if stored is None else stored.seconds,
        "same_times_as_session": None if stored is None else stored.same_as or None,
        "columns": found.sources,
        "time": None if table is None else {"columns": list(table.time), "is": table.time_is, "zone": table.zone},
        "first_rows": {"t_us": first.t.tolist()} | first_values(first),
        "doubts": found.doubts,
        "assumed": found.assumed,
        "warnings": list(found.recording.warnings),
    }


def _ask(question: Question) -> str:
    from telemetry.commands.asking import ask_here
    from telemetry.model.errors import InputError, printable

    if not sys.stdin.isatty():
        text = printable(question.text, 200)
        raise InputError(f"{text} Answer in a terminal, or add --yes to have the usual assumed")
    try:
        with redirect_stdout(sys.stderr):  # standard output stays what was read
            return ask_here(question)
    except EOFError:
        raise InputError("the answers ended before the questions; add --yes to have the usual assumed") from None
