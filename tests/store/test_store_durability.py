"""What a power cut would leave: every write and every sync of a recorder is noted, and played back up to each sync.

A kill cannot tell a commit that the disk has from one that only the system knows of. So the recorder runs on SQLite's
own file layer with a note-taker between (the structures of https://www.sqlite.org/c3ref/vfs.html and
https://www.sqlite.org/c3ref/io_methods.html), and the worst that a power cut may do is supposed: of each file there
is what was written before its last sync, and nothing since. A file that was removed is back until the folder is
synced, which SQLite does at the first sync of a file it has made (https://www.sqlite.org/atomiccommit.html, 3.7).
"""

from __future__ import annotations

import os
import pickle
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.faults.program import BUSY_S

RECORDER = """
import ctypes, pickle, sys, time
from pathlib import Path
import _sqlite3
library = ctypes.CDLL(_sqlite3.__file__)  # finds the very SQLite that Python's module is linked with
if not hasattr(library, "sqlite3_vfs_find"):
    sys.exit(77)
P, I, L = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64
Open = ctypes.CFUNCTYPE(I, P, P, P, I, P)
Write = ctypes.CFUNCTYPE(I, P, P, I, L)
Truncate = ctypes.CFUNCTYPE(I, P, L)
Sync = ctypes.CFUNCTYPE(I, P, I)
Delete = ctypes.CFUNCTYPE(I, P, ctypes.c_char_p, I)
class Vfs(ctypes.Structure):
    _fields_ = [("iVersion", I), ("szOsFile", I), ("mxPathname", I), ("pNext", P), ("zName", ctypes.c_char_p),
                ("pAppData", P), ("xOpen", P), ("xDelete", P)]
class Methods(ctypes.Structure):
    _fields_ = [("iVersion", I), ("xClose", P), ("xRead", P), ("xWrite", P), ("xTruncate", P), ("xSync", P),
                ("rest", P * 13)]
library.sqlite3_vfs_find.restype = ctypes.POINTER(Vfs)
vfs = library.sqlite3_vfs_find(None).contents
log, kept = [], []
def now():
    return time.time_ns() // 1000
def on_open(vfs_at, name, file, flags, out_flags):
    code = true_open(vfs_at, name, file, flags, out_flags)
    methods_at = P.from_address(file)
    if code or not name or not methods_at.value:
        return code
    called = Path(ctypes.string_at(name).decode()).name
    methods = Methods.from_buffer_copy(ctypes.string_at(methods_at.value, ctypes.sizeof(Methods)))
    true_write, true_truncate = Write(methods.xWrite), Truncate(methods.xTruncate)
    true_sync = Sync(methods.xSync)
    def write(at, data, amount, offset):
        log.append((now(), called, "write", offset, ctypes.string_at(data, amount)))
        return true_write(at, data, amount, offset)
    def truncate(at, size):
        log.append((now(), called, "truncate", size, b""))
        return true_truncate(at, size)
    def sync(at, how):
        code = true_sync(at, how)
        log.append((now(), called, "sync", 0, b""))
        return code
    ours = [Write(write), Truncate(truncate), Sync(sync)]
    methods.xWrite, methods.xTruncate, methods.xSync = (ctypes.cast(one, P).value for one in ours)
    kept.extend([*ours, methods])
    methods_at.value = ctypes.addressof(methods)
    return code
true_open = Open(vfs.xOpen)
true_delete = Delete(vfs.xDelete)
def on_delete(vfs_at, name, sync_folder):
    log.append((now(), Path(name.decode()).name, "delete", sync_folder, b""))
    return true_delete(vfs_at, name, sync_folder)
hooks = [Open(on_open), Delete(on_delete)]
vfs.xOpen, vfs.xDelete = (ctypes.cast(hook, P).value for hook in hooks)

import numpy as np
from telemetry.model.batch import Batch, Group, Span
from telemetry.store.writer import StoreWriter
group = Group("pack", "pack", tuple(f"cell_{i:02d}_voltage" for i in range(1, 25)))
writer = StoreWriter.open(Path(sys.argv[1]))
if sys.argv[2] != "FULL":
    writer._thread.ask(lambda db: db.execute(f"PRAGMA synchronous = {sys.argv[2]}").fetchall())
writer._thread.ask(lambda db: db.execute(f"PRAGMA wal_autocheckpoint = {sys.argv[3]}").fetchall())
writer.begin_session("cart", None, "live", "absolute", now(), now())
offered = []
begun = time.monotonic()
while time.monotonic() < begun + 4:
    t = now()
    offered.append(t)
    writer.offer(Span(t, (Batch(group, np.full(20, t), np.full((20, 24), 3.3)),)))
    time.sleep(0.05)
sys.stdout.buffer.write(pickle.dumps((offered, now(), log)))
sys.stdout.flush()
import os
os._exit(0)
"""

Log = list[tuple[int, str, str, int, bytes]]


def durable_files(log: Log, upto: int) -> dict[str, bytes]:
    """What each file holds if only what was synced among the first ``upto`` entries is there."""
    last_sync: dict[str, int] = {}
    folder_sync = -1
    for place, (_, name, what, with_folder, _) in enumerate(log[:upto]):
        if what == "sync":
            folder_sync = folder_sync if name in last_sync else place
            last_sync[name] = place
        elif what == "delete" and with_folder:
            folder_sync = place
    files: dict[str, bytearray] = {}
    for place, (_, name, what, offset, data) in enumerate(log[:upto]):
        if what == "delete":
            if place <= folder_sync:
                files.pop(name, None)
        elif place <= last_sync.get(name, -1):
            content = files.setdefault(name, bytearray())
            if what == "write":
                content.extend(bytes(max(0, offset + len(data) - len(content))))
                content[offset : offset + len(data)] = data
            elif what == "truncate":
                del content[offset:]
    return {name: bytes(content) for name, content in files.items()}


def times_in(files: dict[str, bytes], folder: Path) -> set[int]:
    """The times of all rows in the store that consists of ``files``, which must be sound."""
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    with closing(sqlite3.connect(folder / "store.sqlite3")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'group_pack'").fetchone():
            return set()
        return {t for (t,) in connection.execute("SELECT DISTINCT t FROM group_pack")}


def oldest_loss_s(offered: list[int], ended: int, log: Log, folder: Path) -> float:
    """The age of the oldest row that a power cut at the worst moment would take, in seconds."""
    folder.mkdir()
    syncs = [place for place, entry in enumerate(log) if entry[2] == "sync"]
    worst = 0.0
    for number, place in enumerate(syncs):
        # Until just before the next sync, this is all there is.
        until = log[syncs[number + 1]][0] if number + 1 < len(syncs) else ended
        there = times_in(durable_files(log, place + 1), folder / str(number))
        lost = [t for t in offered if t <= until and t not in there]
        worst = max(worst, (until - min(lost)) / 1e6 if lost else 0.0)
    return worst


@pytest.mark.skipif(sys.platform == "win32", reason="another file layer")
def test_a_power_cut_takes_nothing_older_than_a_second(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    cases: dict[str, tuple[str, int]] = {
        "plain": ("FULL", 1000),
        "written back": ("FULL", 20),
        "weak": ("NORMAL", 1000),
    }
    running: dict[str, subprocess.Popen[bytes]] = {}
    for name, (synchronous, pages) in cases.items():
        (tmp_path / name).mkdir()
        path = tmp_path / name / "store.sqlite3"
        code = [sys.executable, "-c", RECORDER, str(path), synchronous, str(pages)]
        running[name] = subprocess.Popen(code, stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(root)})
    found: dict[str, Any] = {}
    for name, process in running.items():
        out, _ = process.communicate(timeout=BUSY_S)
        if process.returncode == 77:
            pytest.skip("Python's SQLite is linked in a way that hides its file layer")
        assert process.returncode == 0
        found[name] = oldest_loss_s(*pickle.loads(out), folder=tmp_path / name / "cuts")
    assert 0 < found["plain"] <= 1.0
    assert 0 < found["written back"] <= 1.0
    assert found["weak"] > 2.0, "the check can tell a store that does not wait for the disk"
