"""The wide tables: which table a series' rows go to, and the narrow views of them.

A group table is named ``group_NAME`` after the group, or ``group_NAME_2`` and so on where one layout will not do. A
new series uses a table of its group's name if at least half of all the columns would be in use by both; so at most
half of a row is empty, and recordings with wholly different columns do not share one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from telemetry.model.signals import is_identifier

if TYPE_CHECKING:
    from sqlite_utils import Database

# SQLite takes 2000 columns a table (https://www.sqlite.org/limits.html); three are ours.
MAX_SIGNALS = 1990
_OWN_COLUMNS = frozenset({"row", "series", "t"})
_SHARE = 0.5
# A compound SELECT has at most 500 arms (same page).
_ARMS = 400


def check_names(group: str, signals: Iterable[str]) -> None:
    """Raise ValueError unless these can stand as names of a table and its columns."""
    for name in (group, *signals):
        if not is_identifier(name):
            raise ValueError(f"{name!r} cannot name a table or column")
    if taken := _OWN_COLUMNS.intersection(signals):
        raise ValueError(f"{sorted(taken)} are columns of the store's own")


def quoted(name: str) -> str:
    """Return a checked identifier as it stands in SQL; quoted, for some are words of SQL too."""
    if not is_identifier(name):
        raise ValueError(f"{name!r} cannot name a table or column")
    return f'"{name}"'


def table_for(db: Database, group: str, signals: Sequence[str]) -> str:
    """Return the table for a new series of ``group``, with all columns it needs; made or widened where necessary."""
    wanted = set(signals)
    best, best_share = None, _SHARE
    tables = [
        str(row["table_name"]) for row in db.query("SELECT table_name FROM layout WHERE group_name = ?", [group])
    ]
    for table in sorted(tables, key=lambda name: (len(name), name)):
        present = columns(db, table)
        all_of_them = wanted.union(present)
        share = len(wanted.intersection(present)) / len(all_of_them)
        if len(all_of_them) <= MAX_SIGNALS and (share > best_share or (best is None and share == best_share)):
            best, best_share = table, share
    if best is None:
        return _create(db, group, signals)
    widen(db, best, signals)
    return best


def columns(db: Database, table: str) -> list[str]:
    """Return the signals that ``table`` has a column for."""
    return [column.name for column in db.table(table).columns if column.name not in _OWN_COLUMNS]


def widen(db: Database, table: str, signals: Iterable[str]) -> bool:
    """Add the columns that ``table`` lacks; return False, with nothing done, where it cannot hold them."""
    present = columns(db, table)
    more = [signal for signal in signals if signal not in present]
    if len(present) + len(more) > MAX_SIGNALS:
        return False
    for signal in more:
        db.execute(f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(signal)} REAL")
    if more:
        _make_narrow_view(db, table)
    return True


def drop_unused(db: Database) -> None:
    """Drop every group table that no series uses any more, with its view."""
    unused = list(db.query("SELECT table_name FROM layout WHERE table_name NOT IN (SELECT table_name FROM series)"))
    if not unused:
        return
    for row in unused:
        table = str(row["table_name"])
        db.execute("DELETE FROM layout WHERE table_name = ?", [table])
    _make_view_of_all(db)
    for row in unused:
        table = str(row["table_name"])
        db.execute(f"DROP VIEW {quoted(_narrow(table))}")
        db.execute(f"DROP TABLE {quoted(table)}")


def _create(db: Database, group: str, signals: Sequence[str]) -> str:
    check_names(group, signals)
    taken = set(db.table_names())
    table, number = f"group_{group}", 1
    while table in taken:
        number += 1
        table = f"group_{group}_{number}"
    listed = "".join(f", {quoted(signal)} REAL" for signal in signals)
    db.execute(
        f'CREATE TABLE "{table}" (row INTEGER PRIMARY KEY, series INTEGER NOT NULL, t INTEGER NOT NULL{listed})'
    )
    db.execute(f'CREATE INDEX "by_time_{table}" ON "{table}" (series, t)')
    db.execute("INSERT INTO layout (table_name, group_name) VALUES (?, ?)", [table, group])
    _make_narrow_view(db, table)
    _make_view_of_all(db)
    return table


def _narrow(table: str) -> str:
    return "narrow_" + table.removeprefix("group_")


def _make_narrow_view(db: Database, table: str) -> None:
    """One row for each known value. One pass over the table, and no limit on columns as one SELECT a column has."""
    signals = columns(db, table)
    names = ", ".join(f"('{signal}')" for signal in signals)
    arms = " ".join(f"WHEN '{signal}' THEN wide.\"{signal}\"" for signal in signals)
    db.create_view(
        _narrow(table),
        # Names come from the checked columns of the table itself.
        "SELECT * FROM (SELECT wide.series AS series, wide.t AS t, name.column1 AS signal,"  # noqa: S608
        f' CASE name.column1 {arms} END AS value FROM "{table}" AS wide, (VALUES {names}) AS name)'
        " WHERE value IS NOT NULL",
        replace=True,
    )


def _make_view_of_all(db: Database) -> None:
    """The view ``narrow`` over all narrow views; in tiers (``narrow__1`` ...) where there are very many."""
    for view in db.view_names():
        if view == "narrow" or view.startswith("narrow__"):
            db.execute(f'DROP VIEW "{view}"')
    tables = [str(row["table_name"]) for row in db.query("SELECT table_name FROM layout ORDER BY table_name")]
    names = [_narrow(table) for table in tables]
    if len(names) > _ARMS:
        tiers = [names[i : i + _ARMS] for i in range(0, len(names), _ARMS)]
        names = []
        for number, tier in enumerate(tiers, 1):
            names.append(f"narrow__{number}")
            db.create_view(names[-1], _union(tier))
    if names:
        db.create_view("narrow", _union(names))


def _union(views: Iterable[str]) -> str:
    return " UNION ALL ".join(f'SELECT series, t, signal, value FROM "{view}"' for view in views)  # noqa: S608
