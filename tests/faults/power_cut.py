"""The power cut at every point of a recording: the files are put together as the disk may then have them.

The shim notes every write, truncation, sync and removal of the store's files by the real program. After a cut a file
has all that was done before its last sync, and of what was done since an arbitrary part, in any order, each write
whole or up to a sector (512 bytes; https://www.sqlite.org/atomiccommit.html, 2.0 and 9.0, supposes the same).
A removal is certain once the folder was synced.
"""

from __future__ import annotations

import random
import shutil
import struct
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from telemetry.model.errors import StoreError
from telemetry.store.reader import StoreReader
from tests.faults.device import NumberedBoard
from tests.faults.fault import LOST_AT_MOST_S, Fault, Outcome, register
from tests.faults.program import Watch
from tests.faults.shim import Shim
from tests.faults.stored import lost_s, numbers_in

_HEAD = struct.Struct("=dqqqq")
_WRITE, _TRUNCATE, _SYNC, _REMOVE = range(4)
_SECTOR = 512
Kept = Literal["nothing", "all", "some"]
_PARTS: tuple[Kept, ...] = ("all", "some", "some")


@dataclass(frozen=True, slots=True)
class Note:
    """One call of the program: ``at`` by the wall clock, ``offset`` or new size, ``data`` of a write."""

    at: float
    what: int
    path: Path
    offset: int
    data: bytes


def read_notes(path: Path) -> list[Note]:
    """Return what the shim noted."""
    raw, place, found = path.read_bytes(), 0, []
    while place < len(raw):
        at, what, offset, length, name = _HEAD.unpack_from(raw, place)
        place += _HEAD.size
        called = Path(raw[place : place + name].decode().removesuffix(" (deleted)"))
        data = raw[place + name : place + name + length]
        place += name + length
        found.append(Note(at, what, called, offset, data))
    return found


def files_after(notes: list[Note], folder: Path, kept: Kept, rng: random.Random) -> dict[str, bytes]:
    """Return the content of each file, by name, as a cut behind the last of ``notes`` may leave it."""
    synced = {note.path: place for place, note in enumerate(notes) if note.what == _SYNC}
    files: dict[Path, bytearray] = {}
    for place, note in enumerate(notes):
        certain = place < synced.get(folder if note.what == _REMOVE else note.path, -1)
        if note.what == _SYNC or not (certain or kept == "all" or (kept == "some" and rng.random() < 0.5)):
            continue
        if note.what == _REMOVE:
            files.pop(note.path, None)
            continue
        content = files.setdefault(note.path, bytearray())
        if note.what == _TRUNCATE:
            content[note.offset :] = bytes(max(0, note.offset - len(content)))
            continue
        data = note.data
        if not certain and kept == "some" and rng.random() < 0.3:
            data = data[: rng.randrange(len(data) // _SECTOR + 1) * _SECTOR]
        content.extend(bytes(max(0, note.offset - len(content))))
        content[note.offset : note.offset + len(data)] = data
    return {path.name: bytes(content) for path, content in files.items() if not path.name.endswith("-shm")}


def power_cut(rng: random.Random, folder: Path) -> Outcome:
    """Record 3 to 6 s to a normal end, and cut the power at every point of it."""
    store = folder / "sessions.sqlite3"
    with (
        Shim(folder, store, log=True) as shim,
        NumberedBoard(folder) as board,
        Watch(board.machine_file, store, variables=shim.variables) as watch,
    ):
        since = watch.wait_for_link()
        time.sleep(rng.uniform(2.0, 6.0))
        sent = dict(board.sent)
        watch.end()  # moves the log into the file
    notes = read_notes(shim.notes)
    worst, starved, cuts = 0.0, 0.0, 0
    for place in range(1, len(notes) + 1):
        until = notes[place].at if place < len(notes) else notes[-1].at
        for kept in ("nothing", rng.choice(_PARTS)):
            lost = _lost_after(files_after(notes[:place], folder, kept, rng), folder / "cut", sent, since, until)
            waited = watch.starved_s(until)
            wrong = (
                f"{lost:.2f} s are lost by a cut behind note {place}, {kept} kept; {waited:.2f} s without a processor"
            )
            assert lost <= LOST_AT_MOST_S + waited, wrong
            if lost > worst:
                worst, starved = lost, waited
            cuts += 1
    return Outcome(worst, starved_s=starved, cases=cuts)


def _lost_after(files: dict[str, bytes], cut: Path, sent: dict[int, float], since: float, until: float) -> float:
    """Open what a cut left with the program, and return what is lost, s."""
    cut.mkdir()
    try:
        for name, content in files.items():
            (cut / name).write_bytes(content)
        store = cut / "sessions.sqlite3"
        if not store.exists() or not store.stat().st_size:
            return lost_s(sent, (), since, until)
        try:
            with StoreReader.open(store) as reader:
                assert all(each.ended_how is not None for each in reader.sessions())
        except StoreError as error:
            if "is empty; record a session first" not in str(error):  # it was not made yet
                raise
            return lost_s(sent, (), since, until)
        return lost_s(sent, numbers_in(store), since, until)
    finally:
        shutil.rmtree(cut)


_WHAT = "The power is cut at every point, unsynced writes lost or reordered"
register(Fault("power-cut", _WHAT, "at most the last second is lost", 1, 20, power_cut))
