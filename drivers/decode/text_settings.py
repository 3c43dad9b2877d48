"""The keys of a ``[[source]]`` that say how a device's text is laid out. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

from telemetry.model.columns import Column, ColumnNames, Columns, Delimiter
from telemetry.model.errors import Problem, did_you_mean, printable
from telemetry.model.keys import setting
from telemetry.model.kinds import Text, choice, number, text
from telemetry.model.tables import Rules, Table

from .device_clock import MICROSECONDS_IN, TimeUnit

TextFormat = Literal["csv", "key=value", "json", "record"]
FORMATS: tuple[TextFormat, ...] = ("csv", "key=value", "json", "record")
_CODE = "the code of the board, or what it prints"


def _format(s: TextSettings) -> Iterator[Problem]:
    if s.format == "record" and s.record_mark is None:
        yield Problem("record_mark", "is missing", 'write the line that begins one, "" for a blank line')
    if s.format in ("csv", "key=value", "json") and s.record_mark is not None:
        yield Problem("record_mark", f"has no meaning for {s.format} lines", "leave it out")
    if s.format in ("key=value", "json") and s.delimiter is not None:
        yield Problem("delimiter", f"has no meaning for {s.format} lines", "leave it out")


def _order(s: TextSettings) -> Iterator[Problem]:
    if s.columns_in_order and (s.format not in (None, "csv") or s.record_mark is not None):
        yield Problem("columns_in_order", "has a meaning for csv lines only", "leave it out")


def _names(s: TextSettings) -> Iterator[Problem]:
    for name in s.columns or ():
        if s.columns_in_order and name not in s.columns_in_order:
            right = f"name one of columns_in_order{did_you_mean(name, s.columns_in_order)}"
            yield Problem(f"columns.{printable(name)}", "is not among columns_in_order", right)


def _time(s: TextSettings) -> Iterator[Problem]:
    if "time_column" not in s.stated:
        for key in sorted(s.stated.keys() & {"time_unit", "time_wraps_at"}):
            right = "name the column with the device's time, or leave it out"
            yield Problem(key, "needs time_column", right)
    elif s.interval_s is not None:
        yield Problem("interval_s", "has no meaning beside time_column", "leave one out")
    elif s.columns_in_order and s.time_column is not None and s.time_column not in s.columns_in_order:
        right = f"name one of them{did_you_mean(s.time_column, s.columns_in_order)}"
        yield Problem("time_column", f"{printable(s.time_column)} is not among columns_in_order", right)


@dataclass(frozen=True, kw_only=True)
class TextSettings(Table):
    """How the text is laid out, and what its columns are."""

    rules: ClassVar[Rules] = (_format, _order, _names, _time)
    format: TextFormat | None = choice(FORMATS, "how lines are laid out; else found from the lines", _CODE, "csv")
    delimiter: str | None = setting(
        Delimiter(),
        "what separates cells, or name and value in a record; else found from the lines",
        _CODE,
        ";",
    )
    columns_in_order: tuple[str, ...] = setting(
        ColumnNames(fewest=1), "names of the cells where there is no header", _CODE, ["ms", "u_bat"], default=()
    )
    record_mark: str | None = setting(
        Text(shortest=0), "the line, or the first name of a line, that begins a record", _CODE, "BEGIN"
    )
    time_column: str | None = text("the column with the board's own time; it is kept as an extra", _CODE, "ms")
    time_unit: TimeUnit = choice(MICROSECONDS_IN, "unit of that time", _CODE, "us", default="ms")
    time_wraps_at: float | None = number(
        1, 1e18, "the count at which that time begins again", "4294967296 for a 32-bit count", 4294967296
    )
    interval_s: float | None = number(
        1e-3, 3600, "seconds between rows of a saved log that shows no times; live, arrivals count", _CODE, 0.1
    )
    columns: Mapping[str, Column] | None = setting(
        Columns(), "what the columns are; see below", "a meter beside each", {"u_bat": "pack_voltage"}
    )
