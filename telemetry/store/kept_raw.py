"""Raw bytes around high alarms, into their tables and out again; nothing else in the store refers to them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from telemetry.model.raw_bytes import RawBytes, RawMissing
from telemetry.store.field_check import checked

if TYPE_CHECKING:
    from sqlite_utils import Database


@dataclass(frozen=True, slots=True)
class RawLink:
    """What is kept of one link around one alarm, or around several that overlap.

    Attributes:
        alarm_t: when the first alarm was raised, microseconds.
        source: the source's name.
        driver: the source's driver; None where it is not known.
        start, end: times of the first and last piece, microseconds.
        pieces: how many there are.
        bytes: their length in the store.

    """

    alarm_t: int
    source: str
    driver: str | None
    start: int
    end: int
    pieces: int
    bytes: int


def insert_raw(db: Database, session: int, drivers: Mapping[str, str], raw: Iterable[RawBytes | RawMissing]) -> None:
    """Write ``raw`` to ``session``; ``drivers`` gives the driver's name by source."""
    for one in raw:
        if isinstance(one, RawBytes):
            db.conn.execute(
                'INSERT INTO raw_bytes (session, alarm_t, source, driver, start, "end", pieces, data)'
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [session, one.alarm_t, one.source, drivers.get(one.source), one.start, one.end, one.pieces, one.data],
            )
        else:
            db.conn.execute(
                'INSERT INTO raw_missing (session, alarm_t, source, start, "end", lost_bytes, why)'
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                [session, one.alarm_t, one.source, one.start, one.end, one.lost_bytes, one.why],
            )


def read_raw(db: Database, session: int, sources: Collection[str]) -> Iterator[RawBytes]:
    """Give the blocks of ``sources`` in time order; few in memory at one time."""
    rows = db.conn.execute(
        "SELECT id, source FROM raw_bytes WHERE session = ? ORDER BY start, id", [session]
    ).fetchall()
    for number, source in rows:
        if source in sources:
            row = db.conn.execute(
                'SELECT alarm_t, source, start, "end", pieces, data FROM raw_bytes WHERE id = ?', [number]
            ).fetchone()
            yield checked(RawBytes(*row))


def raw_links(db: Database, session: int) -> list[RawLink]:
    """Return what is kept of each link around each alarm, in time order."""
    rows = db.conn.execute(
        'SELECT alarm_t, source, max(driver), min(start), max("end"), sum(pieces), sum(length(data)) FROM raw_bytes'
        " WHERE session = ? GROUP BY alarm_t, source ORDER BY alarm_t, source",
        [session],
    ).fetchall()
    return [checked(RawLink(*row)) for row in rows]


def raw_missing(db: Database, session: int) -> list[RawMissing]:
    """Return what could not be kept, in time order."""
    rows = db.conn.execute(
        'SELECT alarm_t, source, start, "end", lost_bytes, why FROM raw_missing WHERE session = ? ORDER BY id',
        [session],
    ).fetchall()
    return [checked(RawMissing(*row)) for row in rows]
