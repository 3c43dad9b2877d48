"""A store that is gone, replaced or damaged while it is open: where recording goes on, and what is said."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from telemetry.model.errors import StoreError
from telemetry.store.connection import connect_for_writing
from telemetry.store.moved_file import Place

BUSY_S = 0.05


@pytest.fixture
def place(store: Path) -> Iterator[Place]:
    place = Place(store, connect_for_writing(store))
    place.db.execute(
        "INSERT INTO session (machine, started, start, origin, time_basis) VALUES ('cart', 0, 0, '', '')"
    )
    yield place
    place.close()


def machines(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as db:
        return [machine for (machine,) in db.execute("SELECT machine FROM session")]


def test_a_sound_file_with_its_name_is_kept(place: Place) -> None:
    assert place.kept(BUSY_S) is place
    assert not place.is_new


@pytest.mark.parametrize("how", ["deleted", "moved", "replaced"])
def test_one_that_is_gone_is_told_once_and_then_copied_with_all_its_rows(how: str, place: Place) -> None:
    store = place.path
    taken = store.with_name("sessions-2.sqlite3")
    taken.touch()
    if how == "deleted":
        store.unlink()
    else:
        store.rename(store.with_name("elsewhere.sqlite3"))
        if how == "replaced":
            store.write_bytes(b"what somebody else keeps here")
    with pytest.raises(StoreError) as told:
        place.kept(BUSY_S)
    beside = store.with_name("sessions-3.sqlite3")
    what = f"the store {store} was deleted, moved or replaced"
    assert str(told.value) == f"{what}; recording goes on in {beside}, with all earlier sessions"
    found = place.kept(BUSY_S)
    assert (found.path, found.is_new) == (beside, False)
    assert found.kept(BUSY_S) is found
    found.close()
    assert machines(beside) == ["cart"]
    assert taken.stat().st_size == 0, "what is there already is nobody's to overwrite"
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        place.db.execute("SELECT 1")


def test_a_damaged_one_is_left_and_an_empty_store_made_beside_it(place: Place) -> None:
    beside = place.path.with_name("sessions-2.sqlite3")
    said = place.give_up(sqlite3.DatabaseError("database disk image is malformed"))
    what = f"the store {place.path} is damaged (database disk image is malformed)"
    assert str(said) == f"{what}; recording goes on in the new {beside}, so copy the damaged one away"
    found = place.kept(BUSY_S)
    assert (found.path, found.is_new) == (beside, True)
    found.close()
    assert machines(beside) == []
    assert machines(place.path) == ["cart"]


def test_a_copy_that_fails_is_told_and_the_next_try_makes_it(place: Place) -> None:
    beside = place.path.with_name("sessions-2.sqlite3")
    place.path.unlink()
    with pytest.raises(StoreError, match="was deleted"):
        place.kept(BUSY_S)
    folder = place.path.parent.rename(place.path.parent.with_name("away"))
    with pytest.raises(StoreError, match="does not exist; make it first"):
        place.kept(BUSY_S)
    folder.rename(place.path.parent)
    place.kept(BUSY_S).close()
    assert machines(beside) == ["cart"]
