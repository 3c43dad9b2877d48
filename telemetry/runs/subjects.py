"""What a command is about: the machine and the recording that its words mean."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from telemetry.driver import GivesExample
from telemetry.machine.machine_file import Machine, load_machine, parse_machine
from telemetry.model.errors import InputError, MachineFileError, Problem, printable
from telemetry.model.recording import Recording
from telemetry.pipeline.registry import check_settings, driver_for
from telemetry.pipeline.reported_names import with_reported_names
from telemetry.runs.publishing import check_installed


def machine_for_watch(path: Path) -> Machine:
    """Return the machine file's content, its sources checked by their drivers.

    Raises:
        MachineFileError: with the problems of the file and of its sources together.
    """
    machine = load_machine(path, partial(check_settings, folder=path.parent))
    if not machine.sources:
        right = "shakedown sources prints one to paste into the file, for each device in reach"
        where = f"{printable(path, 200)}, [[source]]"
        raise MachineFileError(str(path), [Problem(where, "there is none, so there is nothing to watch", right)])
    if machine.publish:
        check_installed()
    return with_reported_names(machine)


def demo_machine(settings: Mapping[str, Any]) -> Machine:
    """Return the machine that the simulator plays by these settings, which are those of its source.

    Raises:
        InputError: no such scenario or fault.
    """
    name = f"demo {settings.get('scenario', '')}"
    machine, problems = parse_machine(example_text(settings), name)
    if machine is None or problems:
        raise MachineFileError(name, problems)
    return machine


def example_text(settings: Mapping[str, Any]) -> str:
    """Return the machine file of the simulated machine that these settings, those of its source, choose.

    Raises:
        InputError: no such scenario or fault.
    """
    name, simulated = driver_for(GivesExample)
    wrong = check_settings(name, settings)
    if wrong:
        raise InputError("; ".join(str(problem) for problem in wrong))
    return simulated.example(settings)


class Subject(NamedTuple):
    """What a command is about: the recording, the machine to judge it by, and the machine file given for that."""

    recording: Recording
    machine: Machine | None
    given: Machine | None


def subject(name: str, store: Path, machine_file: Path | None) -> Subject:
    """Return what ``name`` means, judged by the machine file where one is given, else by the one recorded with it.

    Raises:
        InputError, MachineFileError: neither such a file nor such a session, or what is wrong with a machine file.

    """
    given = None if machine_file is None else load_machine(machine_file)
    recording = open_subject(name, store, given)
    return Subject(recording, machine_for(recording, given), given)


def open_subject(name: str, store: Path, machine: Machine | None = None) -> Recording:
    """Return the recording that ``name`` means: a file, a session's number, or ``last``.

    Args:
        name: as the user gave it.
        store: where sessions are looked up.
        machine: its sources say how what was kept of a link is to be decoded.

    Raises:
        InputError: neither such a file nor such a session.
    """
    path = Path(name)
    if path.exists() or not (name == "last" or name.isdigit()):
        from telemetry.recordings.clock_set import with_clock_set
        from telemetry.recordings.without_impossible import WithoutImpossible

        return with_clock_set(WithoutImpossible(_in_file(path, store, machine)))
    from telemetry.store.reader import StoreReader

    if not store.exists():
        raise InputError(
            f"there is no session {name}: nothing has been recorded in {printable(store, 200)} yet;"
            " record a drive with shakedown watch, or name the store with --store"
        )
    with StoreReader.open(store) as reader:
        return reader.recording("last" if name == "last" else int(name))


def _in_file(path: Path, store: Path, machine: Machine | None) -> Recording:
    from telemetry.recordings.foreign.propose import is_another_loggers
    from telemetry.recordings.reading import FORMATS, open_recording
    from telemetry.runs.importing import known_table
    from telemetry.runs.link_recording import link_recording, text_log_recording

    is_ours = path.name.lower().endswith(FORMATS)
    if path.is_file() and not is_ours:
        log = link_recording(path, machine) or known_table(path, store) or text_log_recording(path, machine)
        if log is not None:
            return log
    try:
        if not is_ours and not path.is_dir():
            raise InputError(_no_recording(path))
        return open_recording(path)
    except InputError as error:
        if not path.is_file():
            raise
        if is_ours and (table := known_table(path, store)) is not None:
            return table
        if is_another_loggers(path):
            shown = printable(path, 200)
            advice = f"make a session of it first: shakedown import {shown}"
            raise type(error)(f"{shown} is a table that another logger wrote; {advice}") from None
        raise


def _no_recording(path: Path) -> str:
    """Return what to say of a name that is neither a session nor a recording of a known format."""
    name = printable(path, 200)
    if path.suffix.lower() == ".toml" and path.exists():
        return (
            f"{name} is a machine file, not a recording; give it as --machine {name}, after a session or a recording"
        )
    if path.name.lower().endswith((".xlsx", ".mf4", ".jsonl", ".jsonl.gz", ".gpx", ".sqlite3")) and path.exists():
        return f"{name} cannot be played directly; make a session of it first: shakedown import {name}"
    takes = "a session's number, last, or a file ending in .csv, .csv.gz or .parquet"
    if not path.exists():
        return f"there is no session or recording {name}; give {takes}; shakedown sessions lists the sessions"
    return f"{name} is not a recording this program reads; give {takes}"


def machine_for(recording: Recording, given: Machine | None) -> Machine | None:
    """Return the machine to judge ``recording`` by: the one given, else what was recorded with it, else None."""
    if given is not None:
        return with_reported_names(given)
    if recording.machine_text is None:
        return None
    machine, problems = parse_machine(recording.machine_text, f"machine file of {recording.name}")
    if machine is None:
        raise MachineFileError(f"machine file of {recording.name}", problems)
    return machine
