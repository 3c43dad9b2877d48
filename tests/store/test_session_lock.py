"""The lock of a running session, and what its file keeps for whoever closes the session."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from telemetry.store.session_lock import SessionLock, Unsaved

FULL = Unsaved(12, "the disk is full", 1_700_000_000_000_000)


def taken(store: Path) -> SessionLock:
    lock = SessionLock.take(store, 7)
    assert lock is not None
    return lock


def files(store: Path) -> list[str]:
    return [path.name for path in store.parent.iterdir()]


def test_one_at_a_time_holds_it_and_the_file_goes_with_it(store: Path) -> None:
    lock = taken(store)
    assert SessionLock.take(store, 7) is None
    assert SessionLock.take(store, 8) is not None, "another session has a lock of its own"
    lock.release()
    lock.release()
    assert files(store) == ["sessions.sqlite3-session-8.lock"]
    taken(store).release()


def test_it_keeps_what_was_said_last_and_has_room_for_it_from_the_beginning(store: Path) -> None:
    lock = taken(store)
    lock.set_space_aside()
    size = (store.parent / files(store)[0]).stat().st_size
    assert lock.kept() is None
    lock.keep(Unsaved(3, "a rather longer reason than the one that follows", 1))
    assert lock.kept() == Unsaved(3, "a rather longer reason than the one that follows", 1)
    lock.keep(FULL)
    assert lock.kept() == FULL
    assert lock.kept() == FULL
    lock.release()
    assert (store.parent / files(store)[0]).stat().st_size == size >= 1024
    later = taken(store)
    assert later.kept() == FULL
    later.keep(None)
    assert later.kept() is None
    later.release()
    assert files(store) == []
    later.keep(FULL)
    assert files(store) == [], "whoever let go of it keeps nothing more"


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"values": 1, "t": 2}', '{"values": 1e999, "why": "", "t": 2}', '{"values": {}, "t": 1}']
)
def test_what_is_no_such_text_is_nothing(text: str, store: Path) -> None:
    (store.parent / f"{store.name}-session-7.lock").write_text(text)
    lock = taken(store)
    assert lock.kept() is None
    lock.release()


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another sort")
def test_only_the_owner_may_read_it(store: Path) -> None:
    lock = taken(store)
    assert (store.parent / files(store)[0]).stat().st_mode & 0o777 == 0o600
    lock.release()
