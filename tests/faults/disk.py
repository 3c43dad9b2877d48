"""The disk: full and freed again, full to the end, not answering."""

from __future__ import annotations

import os
import random
import resource
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from tests.faults.checks import ends_well, listed
from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch
from tests.faults.shim import Shim
from tests.faults.stored import lost_s, numbers_in

_SIZE = 4 << 20
_LIMIT = 10_000
"""More than the printed lines take, less than a commit."""


class Disk:
    """A small disk of its own where we may mount one, else a limit on the size of the program's files."""

    def __init__(self, folder: Path, mounted: bool) -> None:
        self.folder, self.mounted = folder, mounted
        self._filler = folder / "filler"

    def fill(self, process: int, store: Path) -> None:
        """Leave no room from now on, nor in the log, which has room to use again."""
        with closing(sqlite3.connect(store, timeout=10)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        if not self.mounted:
            resource.prlimit(process, resource.RLIMIT_FSIZE, (_LIMIT, resource.RLIM_INFINITY))
            return
        with self._filler.open("wb", buffering=0) as file:
            piece = 1 << 16
            while piece:
                try:
                    file.write(bytes(piece))
                except OSError:
                    piece //= 2

    def free(self, process: int) -> None:
        """Make room again."""
        if not self.mounted:
            resource.prlimit(process, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        else:
            self._filler.unlink()


@contextmanager
def small_disk(folder: Path, mount: bool) -> Iterator[Disk]:
    """Give a disk of a few megabytes, to be filled."""
    place = folder / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={_SIZE}", "tmpfs", str(place)]
    mounted = (
        mount and os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0
    )
    try:
        yield Disk(place, mounted)
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(place)], check=False)


def full_and_freed(rng: random.Random, folder: Path) -> Outcome:
    """Fill the disk for 2 to 6 s, free it, and end the run a second after it saves again."""
    with small_disk(folder, mount=rng.random() < 0.5) as disk, NumberedBoard(folder) as board:
        store = disk.folder / "sessions.sqlite3"
        with Watch(board.machine_file, store) as watch:
            since = watch.wait_for_link()
            time.sleep(rng.uniform(0.0, 2.0))
            struck = time.time()
            disk.fill(watch.process.pid, store)
            announced = watch.wait_for(lambda: watch.saving() == [False], "the alarm") - struck
            starved = watch.starved_s()
            time.sleep(rng.uniform(1.0, 5.0))
            disk.free(watch.process.pid)
            watch.wait_for(lambda: watch.saving() == [False, True], "saving again")
            time.sleep(rng.uniform(0.0, 1.0))
            board.stop_and_be_read()
            counted, wrong = ends_well(*watch.end())
        lost = lost_s(board.sent, numbers_in(store), since, time.time())
        note = "a mounted disk" if disk.mounted else "a limit on file sizes"
        return Outcome(lost, announced, counted, wrong, note, starved)


def full_to_the_end(rng: random.Random, folder: Path) -> Outcome:
    """Fill the disk and end the run while it is full; free it afterwards, and look at what is counted."""
    with small_disk(folder, mount=rng.random() < 0.5) as disk, NumberedBoard(folder) as board:
        store = disk.folder / "sessions.sqlite3"
        with Watch(board.machine_file, store) as watch:
            since = watch.wait_for_link()
            time.sleep(rng.uniform(0.5, 2.0))
            struck = time.time()
            disk.fill(watch.process.pid, store)
            announced = watch.wait_for(lambda: watch.saving() == [False], "the alarm") - struck
            starved = watch.starved_s()
            time.sleep(rng.uniform(1.0, 5.0))
            ended = time.time()
            status, summary = watch.end()
            if disk.mounted:
                disk.free(watch.process.pid)
            assert summary["values_dropped"] > 0
            counted, wrong = ends_well(status, summary)
        lost = lost_s(board.sent, numbers_in(store), since, ended)
        note = "a mounted disk" if disk.mounted else "a limit on file sizes"
        return Outcome(lost, announced, counted, wrong, note, starved)


def killed_while_full(rng: random.Random, folder: Path) -> Outcome:
    """Fill the disk, kill the program while it cannot save, free the disk, and look at what is counted."""
    with small_disk(folder, mount=rng.random() < 0.5) as disk, NumberedBoard(folder) as board:
        store = disk.folder / "sessions.sqlite3"
        with Watch(board.machine_file, store) as watch:
            since = watch.wait_for_link()
            time.sleep(rng.uniform(0.5, 2.0))
            struck = time.time()
            disk.fill(watch.process.pid, store)
            announced = watch.wait_for(lambda: watch.saving() == [False], "the alarm") - struck
            starved = watch.starved_s()
            time.sleep(rng.uniform(2.0, 5.0))
            killed = time.time()
            watch.process.kill()
            watch.process.wait()
            if disk.mounted:
                disk.free(watch.process.pid)
        (session,) = listed(store)
        assert session["ended_how"] == "ended without notice"
        lost = lost_s(board.sent, numbers_in(store), since, killed)
        # The board gives two measured values and its number a line. The count is renewed with each attempt, so it may
        # lack what came after the last one.
        counted_s = session["values_lost"] / (3 * board.rate_hz)
        return Outcome(lost, announced, counted_s > 0 and counted_s > lost - 3.0, starved_s=starved)


def stalled(rng: random.Random, folder: Path) -> Outcome:
    """Let no sync return for ten seconds."""
    store = folder / "sessions.sqlite3"
    with Shim(folder, store) as shim, NumberedBoard(folder) as board:
        with Watch(board.machine_file, store, variables=shim.variables) as watch:
            since = watch.wait_for_link()
            time.sleep(rng.uniform(0.0, 2.0))
            struck = time.time()
            shim.stall()
            announced = watch.wait_for(lambda: watch.saving() == [False], "the alarm") - struck
            starved = watch.starved_s()
            time.sleep(max(0.0, struck + 10.0 - time.time()))
            shim.stall(False)
            watch.wait_for(lambda: watch.saving() == [False, True], "saving again")
            board.stop_and_be_read()
            counted, wrong = ends_well(*watch.end())
        lost = lost_s(board.sent, numbers_in(store), since, time.time())
        return Outcome(lost, announced, counted, wrong, starved_s=starved)


_HELD = "up to 60 s are held and nothing is lost; not saving is announced at once"
_COUNTED = "what is lost is announced at once and counted"
register(Fault("disk-full", "The disk fills up and is freed again", _HELD, 2, 100, full_and_freed))
register(Fault("disk-full-at-end", "The disk is full when the run ends", _COUNTED, 1, 50, full_to_the_end))
register(Fault("disk-full-kill", "The program is killed while the disk is full", _COUNTED, 1, 50, killed_while_full))
register(Fault("disk-stalls", "The disk does not answer for 10 s", _HELD, 1, 50, stalled))
