"""A column map: what somebody settled about tables with one header, as a TOML file that reads the next of them."""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, ClassVar

from telemetry.model.columns import Column, ColumnNames, Columns, Delimiter
from telemetry.model.errors import InputError, Problem, did_you_mean, printable
from telemetry.model.keys import BadValue, Key, keys_of, setting
from telemetry.model.kinds import Text, choice, number
from telemetry.model.tables import Rules, Table, read_table
from telemetry.model.toml_text import RefusedToml, parse_toml, toml_key, toml_value
from telemetry.recordings.foreign.time_columns import DATES, KINDS, LocalTime, TimeKind

_FILE = "the file itself, in a text editor"


class _Encoding(Text):
    words = 'an encoding, such as "utf-8", "utf-16" or "cp1252"'

    def read(self, key: Key, value: object) -> Any:
        name = Text.read(self, key, value)
        try:
            codecs.lookup(name)
            is_text = "".encode(name) is not None
        except (LookupError, TypeError, ValueError):
            is_text = False
        if not is_text:
            raise BadValue("is no encoding of text", f"write {key.takes}")
        return name


class _Zone(Text):
    words = '"local" for this computer\'s, "UTC", an offset such as "+02:00", or a name of the time zone data base'

    def read(self, key: Key, value: object) -> Any:
        name = Text.read(self, key, value)
        try:
            LocalTime(name)
        except ValueError as error:
            raise BadValue(printable(error, 100), f"write {key.takes}") from None
        return name


def _named_columns(m: ColumnMap) -> Iterator[Problem]:
    for name in (*m.time, *m.columns, *([m.charge_column] if m.charge_column else [])):
        if name not in m.header:
            right = f"name one of header{did_you_mean(name, m.header)}"
            yield Problem(f"column {printable(name)}", "is not among header", right)


def _charge_beside_discharge(m: ColumnMap) -> Iterator[Problem]:
    signals = {name: what.signal for name, what in m.columns.items()}
    if m.charge_column and ("pack_current" not in signals.values() or signals.get(m.charge_column) == "pack_current"):
        what = "has no column of the discharge current beside it"
        yield Problem("charge_column", what, "name another column pack_current under [columns]")


def _time_is_stated(m: ColumnMap) -> Iterator[Problem]:
    if (m.time_is == "rows") == bool(m.time):
        has = "has no meaning beside" if m.time else "is missing for"
        right = 'leave it out for "rows", else name one or two columns of header'
        yield Problem("time", f"{has} time_is = {toml_value(m.time_is)}", right)
    if m.time_is == "rows" and m.interval_s is None:
        yield Problem("interval_s", 'is missing for time_is = "rows"', "write how many seconds lie between rows")


@dataclass(frozen=True, kw_only=True)
class ColumnMap(Table):
    """How a table is laid out, which columns are its time, and what the others become."""

    rules: ClassVar[Rules] = (_named_columns, _charge_beside_discharge, _time_is_stated)
    header: tuple[str, ...] = setting(
        ColumnNames(fewest=2),
        "names of the columns; a file is known by them",
        _FILE,
        ["Time", "Volts"],
        required=True,
    )
    encoding: str = setting(_Encoding(), "how the text is encoded", _FILE, "utf-16", default="utf-8")
    delimiter: str = setting(Delimiter(), "what separates cells", _FILE, ";", default=",")
    decimal: str = choice((".", ","), "the decimal mark", _FILE, ",", default=".")
    time: tuple[str, ...] = setting(
        ColumnNames(), "the column of the time, or those of date and time", _FILE, ["Date", "Time"], default=()
    )
    time_is: TimeKind = choice(KINDS, "how the time is written", _FILE, "day first", default="elapsed s")
    zone: str = setting(_Zone(), "zone of dates that state none", "where it was recorded", "UTC", default="local")
    interval_s: float | None = number(
        1e-3, 3600, 'seconds between rows, for time_is = "rows"', "how often the logger writes", 1.0
    )
    charge_column: str | None = setting(
        Text(),
        "column of the charge current, where that of pack_current holds the discharge alone; its size is taken off",
        _FILE,
        "Charge A",
    )
    columns: Mapping[str, Column] = setting(
        Columns(),
        "what the columns become; one that is left out is kept as extra_NAME",
        "a meter beside each",
        {"Volts": "pack_voltage"},
        required=True,
    )

    @property
    def is_absolute(self) -> bool:
        """Whether its times are dates, not seconds from a start."""
        return self.time_is in DATES or self.time_is.startswith(("unix", "days"))


def map_text(found: ColumnMap, name: str) -> str:
    """Return a map as a TOML file, ``name`` being the table that it was made for."""
    lines = [f"# How shakedown reads tables with this header; made for {printable(name)}.", ""]
    left_out = (None, ())
    for key in keys_of(ColumnMap):
        value = getattr(found, key.name)
        if key.name != "columns" and value not in left_out:
            lines.append(f"{key.name} = {toml_value(value)}")
    lines += ["", "[columns]"]
    for column, what in found.columns.items():
        stated = {key.name: getattr(what, key.name) for key in keys_of(Column)}
        stated = {name: value for name, value in stated.items() if value not in (*left_out, _UNCHANGED[name])}
        lines.append(f"{toml_key(column)} = {toml_value(stated if len(stated) > 1 else what.signal)}")
    return "\n".join([*lines, ""])


_UNCHANGED = {each.name: each.default for each in fields(Column)}


def load_map(path: Path) -> ColumnMap:
    """Return the map in the file ``path``.

    Raises:
        InputError: it cannot be read, or every problem in it.

    """
    file = printable(path, 200)
    try:
        found, problems = read_table(ColumnMap, parse_toml(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise InputError(f"{file}: the column map cannot be read: {error.strerror}; check its name") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RefusedToml) as error:
        raise InputError(f"{file}: it is no column map in TOML: {printable(error, 120)}") from None
    if found is None:
        raise InputError("; ".join(f"{file}, {problem}" for problem in problems))
    return found


def kept_maps(header: tuple[str, ...], folder: Path) -> Iterator[tuple[Path, ColumnMap]]:
    """Give the maps in ``folder`` for tables with this header, and where each is; of those that can be read."""
    return ((path, found) for path, found in _maps_in(folder) if found.header == header)


def keep_map(found: ColumnMap, name: str, folder: Path) -> Path:
    """Write a map into ``folder`` under a free name, in place of one for tables written likewise; return where."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    same = (path for path, other in _maps_in(folder) if _written(other) == _written(found))
    free = (folder / f"{_plain(name)}{ending}.toml" for ending in ("", *(f"-{n}" for n in range(2, 10_000))))
    path = next(same, None) or next(each for each in free if not each.exists())
    beside = path.with_suffix(".new")
    beside.write_text(map_text(found, name), encoding="utf-8")
    beside.replace(path)
    return path


def _written(found: ColumnMap) -> tuple[object, ...]:
    """Return what tells files apart that have the same names of columns, as those of two loggers may."""
    return found.header, found.delimiter, found.decimal, found.time_is


def _maps_in(folder: Path) -> Iterator[tuple[Path, ColumnMap]]:
    for path in sorted(folder.glob("*.toml")):
        with suppress(InputError):
            yield path, load_map(path)


def _plain(name: str) -> str:
    stem = name.split(".")[0].lower()
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in stem).strip("-")[:40] or "table"
