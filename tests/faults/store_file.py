"""The store's file: deleted, moved, replaced, held by another program, damaged, or recorded into by two."""

from __future__ import annotations

import random
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from tests.faults.checks import ends_well, listed
from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch
from tests.faults.stored import lost_s, numbers_in


def gone(rng: random.Random, folder: Path) -> Outcome:
    """Delete, move or replace the store while it is recorded into."""
    store = folder / "sessions.sqlite3"
    how = rng.choice(["deleted", "moved", "replaced", "moved with its log"])
    with NumberedBoard(folder) as board, Watch(board.machine_file, store) as watch:
        since = watch.wait_for_link()
        watch.wait_for(store.exists, "the store")
        time.sleep(rng.uniform(0.0, 2.0))
        struck = time.time()
        match how:
            case "deleted":
                store.unlink()
            case "replaced":
                other = folder / "other"
                other.write_bytes(rng.randbytes(9000))
                other.replace(store)
            case _:
                store.rename(folder / "elsewhere.sqlite3")
                log = folder / f"{store.name}-wal"
                if how == "moved with its log" and log.exists():
                    log.rename(folder / "elsewhere.sqlite3-wal")
        announced = watch.wait_for(lambda: watch.saving()[:1] == [False], "the alarm") - struck
        watch.wait_for(lambda: watch.saving() == [False, True], "saving again")
        board.stop_and_be_read()
        status, summary = watch.end()
    counted, wrong = ends_well(status, summary)
    assert Path(summary["store"]) != store
    return Outcome(
        lost_s(board.sent, numbers_in(Path(summary["store"])), since, time.time()), announced, counted, wrong, how
    )


def locked(rng: random.Random, folder: Path) -> Outcome:
    """Let another program hold the right to write for 1 to 12 s."""
    store = folder / "sessions.sqlite3"
    with NumberedBoard(folder) as board, Watch(board.machine_file, store) as watch:
        since = watch.wait_for_link()
        with closing(sqlite3.connect(store, isolation_level=None, timeout=30)) as other:
            time.sleep(rng.uniform(0.0, 1.0))
            held_s = rng.choice([1.0, 3.0, 12.0])
            other.execute(f"BEGIN {rng.choice(['IMMEDIATE', 'EXCLUSIVE'])}")
            struck, announced = time.time(), None
            if held_s > 2.0:
                announced = watch.wait_for(lambda: watch.saving() == [False], "the alarm") - struck
            time.sleep(max(0.0, struck + held_s - time.time()))
            other.execute("ROLLBACK")
        watch.wait_for(lambda: watch.saving() in ([], [False, True]), "saving again")
        board.stop_and_be_read()
        counted, wrong = ends_well(*watch.end())
    return Outcome(lost_s(board.sent, numbers_in(store), since, time.time()), announced, counted, wrong)


def damaged(rng: random.Random, folder: Path) -> Outcome:
    """Overwrite pages of the file at random while it is recorded into; what comes after the alarm must be kept."""
    store = folder / "sessions.sqlite3"
    with NumberedBoard(folder) as board, Watch(board.machine_file, store) as watch:
        watch.wait_for_link()
        watch.wait_for(lambda: store.stat().st_size > 8192, "the store")
        time.sleep(rng.uniform(0.5, 2.0))
        for each in (store, folder / f"{store.name}-wal"):
            with each.open("r+b") as file:
                size = each.stat().st_size
                for _ in range(1 + size // 4096):
                    file.seek(rng.randrange(max(1, size)))
                    file.write(rng.randbytes(400))
        struck = time.time()
        time.sleep(4.0)
        board.stop_and_be_read()
        status, summary = watch.end()
    went_on = Path(summary["store"])
    if went_on == store:
        # Nothing that it read was hit. What it wrote since is in the file, or was refused with an alarm.
        assert status == 0 or watch.saving(), f"exit status {status} without an alarm"
        return Outcome(note="not met with before the end")
    assert watch.saving() == [False, True], watch.saving()
    counted, wrong = ends_well(status, summary)
    return Outcome(lost_s(board.sent, numbers_in(went_on), struck, time.time()), None, counted, wrong)


def two_recorders(rng: random.Random, folder: Path) -> Outcome:
    """Record two machines into one store, kill one at a random moment, and end the other."""
    store = folder / "sessions.sqlite3"
    (folder / "a").mkdir()
    (folder / "b").mkdir()
    with (
        NumberedBoard(folder / "a") as a,
        NumberedBoard(folder / "b") as b,
        Watch(a.machine_file, store) as first,
        Watch(b.machine_file, store) as second,
    ):
        since = first.wait_for_link(), second.wait_for_link()
        time.sleep(rng.uniform(0.5, 3.0))
        killed, starved = time.time(), first.starved_s()
        first.process.kill()
        first.process.wait()
        time.sleep(rng.uniform(0.5, 1.5))
        b.stop()
        time.sleep(0.3)
        status, summary = second.end()
    counted, wrong = ends_well(status, summary)
    (of_first,) = (each["session"] for each in listed(store) if each["session"] != summary["session"])
    lost = lost_s(a.sent, numbers_in(store, of_first), since[0], killed)
    lost_too = lost_s(b.sent, numbers_in(store, summary["session"]), since[1], time.time())
    assert not lost_too, f"the one that ended lacks {lost_too:.2f} s"
    return Outcome(lost, None, counted, wrong, starved_s=starved)


_ON = "recording goes on beside it with all rows; announced at once"
register(Fault("store-gone", "The store is deleted, moved or replaced", _ON, 2, 100, gone))
_HELD = "up to 60 s are held and nothing is lost"
register(Fault("store-locked", "Another program holds the store for up to 12 s", _HELD, 1, 50, locked))
_NEW = "once met with it is announced, and recording goes on in a new file"
register(Fault("store-damaged", "The store is overwritten in part", _NEW, 1, 50, damaged))
_BOTH = "both record; killing one takes its last second at most"
register(Fault("two-recorders", "Two programs record into one store", _BOTH, 1, 50, two_recorders))
