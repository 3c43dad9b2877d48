"""Events as rows: one table for each kind, and ``number`` for the order in which a session's events came."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from telemetry.model.events import (
    Acknowledge,
    AlarmChange,
    AlarmFinding,
    Event,
    Gap,
    LinkChange,
    Loss,
    Mark,
    MarkChange,
    ResetLatch,
    SavingChange,
    Shelve,
    Unshelve,
)
from telemetry.store.field_check import checked

if TYPE_CHECKING:
    from sqlite_utils import Database

_TABLES: dict[type[Event], str] = {
    AlarmChange: "alarm",
    Mark: "mark",
    LinkChange: "link_state",
    Acknowledge: "acknowledge",
    Gap: "gap",
    Loss: "loss",
    SavingChange: "saving",
    Shelve: "shelve",
    Unshelve: "unshelve",
    ResetLatch: "reset_latch",
    AlarmFinding: "alarm_finding",
}
# Where a field's name is a word of SQL, the column has another.
_COLUMNS = {"limit": "limit_name", "values": "lost_values", "by": "set_by"}
_CHANGE_MARK = """
    UPDATE mark SET text = ?, taken_back = ? WHERE id =
        (SELECT max(id) FROM mark WHERE session = ? AND t = ? AND set_by = 'operator')"""
_SWITCHES = frozenset({"taken_back"})
_UNKNOWN_IF_NULL = frozenset({"value", "bound", "worst"})


def check_event(event: Event) -> None:
    """Raise TypeError for a kind of event the store has no table for."""
    if type(event) not in (*_TABLES, MarkChange):
        raise TypeError(f"the store has no table for events of kind {event.kind}")


def insert_events(db: Database, session: int, number: int, events: Iterable[Event]) -> int:
    """Write ``events`` in their order, numbered from ``number``; return the next number.

    What changes a mark is no row of its own: the mark has its words, and whether it was taken back.
    """
    for event in events:
        if isinstance(event, MarkChange):
            db.conn.execute(_CHANGE_MARK, [event.text, event.taken_back, session, event.of])
            continue
        fields = [field.name for field in dataclasses.fields(event)]
        row = [session, number, *(_plain(getattr(event, field)) for field in fields)]
        columns = ", ".join(_COLUMNS.get(field, field) for field in fields)
        marks = ", ".join("?" * len(row))
        db.conn.execute(f"INSERT INTO {_TABLES[type(event)]} (session, number, {columns}) VALUES ({marks})", row)  # noqa: S608
        number += 1
    return number


def read_events(db: Database, session: int, inputs_only: bool = False) -> list[Event]:
    """Return the events of ``session`` by time; at equal times in the order in which they came."""
    found: list[tuple[int, int, Event]] = []
    for kind, table in _TABLES.items():
        if inputs_only and not kind.is_input:
            continue
        fields = [field.name for field in dataclasses.fields(kind)]
        columns = ", ".join(_COLUMNS.get(field, field) for field in fields)
        rows = db.conn.execute(f"SELECT number, {columns} FROM {table} WHERE session = ?", [session]).fetchall()  # noqa: S608
        for number, *values in rows:
            event = checked(kind(**{f: _value(f, value) for f, value in zip(fields, values, strict=True)}))
            found.append((event.t, number, event))
    found.sort(key=lambda entry: entry[:2])
    return [event for _, _, event in found]


def next_number(db: Database, session: int) -> int:
    """Return the number that follows those of all events of ``session``."""
    numbers = [
        db.conn.execute(f"SELECT max(number) FROM {table} WHERE session = ?", [session]).fetchone()[0]  # noqa: S608
        for table in _TABLES.values()
    ]
    return max((number + 1 for number in numbers if number is not None), default=0)


def last_event_time(db: Database, session: int) -> int | None:
    """Return the time of the latest event of ``session``, None where it has none."""
    times = [
        db.conn.execute(f"SELECT max(t) FROM {table} WHERE session = ?", [session]).fetchone()[0]  # noqa: S608
        for table in _TABLES.values()
    ]
    return max((t for t in times if t is not None), default=None)


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _value(field: str, value: Any) -> Any:
    if field in _SWITCHES and value in (0, 1):
        return bool(value)
    return math.nan if value is None and field in _UNKNOWN_IF_NULL else value
