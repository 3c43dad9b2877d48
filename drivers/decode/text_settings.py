"""The keys of a ``[[source]]`` that say how a device's text is laid out, and what is wrong with them. Pure."""

from __future__ import annotations

from typing import Any

from telemetry.driver import Settings
from telemetry.model.errors import Problem, did_you_mean, printable

from .columns import check_columns, is_number
from .device_clock import MICROSECONDS_IN
from .text_lines import FORMATS, TextSettings

KEYS = (
    "format",
    "delimiter",
    "columns_in_order",
    "record_mark",
    "time_column",
    "time_unit",
    "time_wraps_at",
    "columns",
)
_NO_DELIMITERS = frozenset("\"'+-.\r\n")


def text_settings(settings: Settings) -> TextSettings:
    """Return the layout's part of a source's settings, found good by :func:`check_text`."""
    return TextSettings(
        settings.get("format"),
        settings.get("delimiter"),
        tuple(settings.get("columns_in_order", ())),
        settings.get("record_mark"),
    )


def check_text(settings: Settings) -> list[Problem]:
    """Return every problem of the layout's part of a source's settings."""
    return [
        *_check_format(settings),
        *_check_order(settings),
        *_check_time(settings),
        *check_columns(settings.get("columns", {})),
    ]


def _check_format(settings: Settings) -> list[Problem]:
    problems = []
    wanted, mark, delimiter = settings.get("format"), settings.get("record_mark"), settings.get("delimiter")
    if wanted is not None and wanted not in FORMATS:
        near = did_you_mean(str(wanted), FORMATS)
        problems.append(Problem("format", f"{printable(wanted)} is not known", f"use {', '.join(FORMATS)}{near}"))
    if mark is not None and not isinstance(mark, str):
        problems.append(Problem("record_mark", "is not text", 'write the line that begins a record: "BEGIN", say'))
    elif mark is None and wanted == "record":
        problems.append(Problem("record_mark", "is missing", 'write the line that begins one, "" for a blank line'))
    elif mark is not None and wanted in ("csv", "key=value", "json"):
        problems.append(Problem("record_mark", f"has no meaning for {wanted} lines", "leave it out"))
    if delimiter is not None and not _is_delimiter(delimiter):
        problems.append(Problem("delimiter", "cannot part values", 'write one of "," ";" "\\t" " " or the like'))
    elif delimiter is not None and wanted in ("key=value", "json"):
        problems.append(Problem("delimiter", f"has no meaning for {wanted} lines", "leave it out"))
    return problems


def _check_order(settings: Settings) -> list[Problem]:
    names = settings.get("columns_in_order")
    if names is None:
        return []
    if not isinstance(names, list | tuple) or not names or not all(isinstance(n, str) and n.strip() for n in names):
        return [
            Problem("columns_in_order", "is not a list of names", 'write columns_in_order = ["ms", "u_bat"], say')
        ]
    problems = []
    if len(set(names)) != len(names):
        twice = next(name for name in names if list(names).count(name) > 1)
        problems.append(Problem("columns_in_order", f"names {printable(twice)} twice", "give each its own name"))
    if settings.get("format", "csv") != "csv" or settings.get("record_mark") is not None:
        problems.append(Problem("columns_in_order", "has a meaning for csv lines only", "leave it out"))
    table = settings.get("columns", {})
    for name in table if isinstance(table, dict) else ():
        if name not in names:
            right = f"name one of columns_in_order{did_you_mean(name, names)}"
            problems.append(Problem(f"columns.{printable(name)}", "is not among columns_in_order", right))
    return problems


def _check_time(settings: Settings) -> list[Problem]:
    problems = []
    column, unit, wraps_at = (settings.get(key) for key in ("time_column", "time_unit", "time_wraps_at"))
    order = settings.get("columns_in_order")
    if column is None:
        problems += [
            Problem(key, "stands without time_column", "name the column with the device's time, or leave it out")
            for key, value in (("time_unit", unit), ("time_wraps_at", wraps_at))
            if value is not None
        ]
    elif not isinstance(column, str) or not column.strip():
        problems.append(Problem("time_column", "is not a column's name", 'write time_column = "ms", say'))
    elif isinstance(order, list | tuple) and column not in order:
        right = f"name one of them{did_you_mean(column, [n for n in order if isinstance(n, str)])}"
        problems.append(Problem("time_column", f"{printable(column)} is not among columns_in_order", right))
    if unit is not None and unit not in MICROSECONDS_IN:
        problems.append(Problem("time_unit", f"{printable(unit)} is not known", f"use {', '.join(MICROSECONDS_IN)}"))
    if wraps_at is not None and (not is_number(wraps_at) or wraps_at <= 0):
        right = "write the count at which the device's time begins again, such as 4294967296"
        problems.append(Problem("time_wraps_at", "is not a number above 0", right))
    return problems


def _is_delimiter(value: Any) -> bool:
    return isinstance(value, str) and len(value) == 1 and not value.isalnum() and value not in _NO_DELIMITERS
