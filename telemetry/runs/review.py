"""A session or a file looked at afterwards: what is looked at, and by which limits."""

from __future__ import annotations

import asyncio
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.machine.limits import limits_for
from telemetry.model.errors import printable
from telemetry.runs.file_past import FilePast
from telemetry.runs.judged import is_judged_anew
from telemetry.runs.stored_past import StoredPast
from telemetry.runs.subjects import subject
from telemetry.store.later_marks import keep_mark
from telemetry.store.reader import StoreReader
from telemetry.store.stored_recording import StoredRecording

if TYPE_CHECKING:
    from telemetry.screen.review import Review
    from telemetry.screen.units import UnitsName


def review(
    name: str, store: Path, machine: Path | None = None, units: UnitsName = "metric", *, plain_blocks: bool = False
) -> int:
    """Show the session or file ``name`` until it is left; return the exit status.

    Args:
        name: as the user gives it.
        store: where sessions are looked up.
        machine: machine file to use in place of the recorded one; None for that.
        units: of speed, area and temperature.
        plain_blocks: draw traces of full and half blocks only.

    Raises:
        InputError, MachineFileError, RecordingError, StoreError: what is wrong with it, and the remedy.

    """
    wanted: str | None = name
    while wanted is not None:
        made = open_review(wanted, store, machine, units, plain_blocks=plain_blocks)
        try:
            asyncio.run(made.screen.run_async())
        finally:
            made.past.close()
        wanted = None if made.next is None else str(made.next)
    return 0


def open_review(
    name: str, store: Path, machine: Path | None = None, units: UnitsName = "metric", *, plain_blocks: bool = False
) -> Review:
    """Return the review of a session or a file, not shown yet; its ``past`` is to be closed."""
    from telemetry.runs.program import PROGRAM, program_version
    from telemetry.screen.review import Review
    from telemetry.screen.session_list import SessionList

    recording, owner, given = subject(name, store, machine)
    limits = {} if owner is None else {limit.name: limit for limit in limits_for(owner)}
    past: StoredPast | FilePast
    if isinstance(recording, StoredRecording):
        with StoreReader.open(recording.path) as reader:
            anew = is_judged_anew(reader.session(recording.session), given)
        past = StoredPast(recording.path, recording.session, anew, owner)
        name = past.record.machine
        words = [f"session {recording.session}", name, _date(past)]
        keep = partial(keep_mark, recording.path, recording.session)
    else:
        past = FilePast(recording, owner)
        name = recording.name if owner is None else owner.name
        words, keep = [recording.name, "" if owner is None else name, _date(past)], None
    title = f"review  {', '.join(printable(word, 60) for word in words if word)}"
    return Review(
        past,
        title,
        name,
        owner,
        limits,
        keep,
        units,
        plain_blocks,
        SessionList(store if store.exists() else None, program_version()),
        PROGRAM,
    )


def _date(past: StoredPast | FilePast) -> str:
    if past.time_basis != "absolute":
        return ""
    try:
        began = datetime.fromtimestamp(past.start / 1e6)
    except (OSError, OverflowError, ValueError):
        return ""
    return f"{began.day} {began:%b %H:%M}"
