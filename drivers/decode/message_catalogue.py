"""An owner's message catalogue (DBC, KCD, SYM, ARXML): read by cantools, and matched with our signals.

``[source.signals]`` names what is wanted of it::

    [source.signals]
    "PackState.Voltage" = "pack_voltage"                  message and signal, or the signal alone where it is unique
    Current_A = { signal = "pack_current", scale = -1.0 }   on top of what the catalogue does; see model/columns.py
    CellTemp = { signal = "pack_temperature_1", unknown = [255] }         counts on the wire that mean "no reading"

A catalogue's signal that bears the name of one of ours passes as it is.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from telemetry.model.columns import Column, Columns
from telemetry.model.errors import InputError, Problem, did_you_mean, printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.keys import Key, setting
from telemetry.model.kinds import FileName
from telemetry.model.signals import cell_number, find_signal, pack_temperature_number, passes_as
from telemetry.model.tables import Rules, Table

from .can_frames import EXTENDED
from .can_signals import Field, Take
from .catalogue_bounds import MOST_BITS, MOST_FILE_BYTES, check_bounds
from .value_names import fault_names, is_no_reading

_SAID = 6  # names that are listed
_DEEPEST = 8  # switches within switches that are followed: a catalogue with more is a circle


if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

SUFFIXES = (".dbc", ".kcd", ".sym", ".arxml")
# Parameters of SAE J1939-71: the highest count that is a reading, by width. 8 and 16 bits were seen in a stored
# header; 32 bits and the two-bit states are from memory.
J1939_HIGHEST = {2: 0x1, 4: 0xD, 8: 0xFA, 16: 0xFAFF, 24: 0xFAFFFF, 32: 0xFAFFFFFF}


@dataclass(frozen=True)
class Layout:
    """One message of a catalogue.

    Attributes:
        name: as the catalogue names it.
        key: identifier, with the mark for 29 bits.
        by_group: J1939: known by its parameter group; priority and sender may differ.
        fields: its signals by name.
        length: bytes.

    """

    name: str
    key: int
    by_group: bool
    fields: Mapping[str, Field]
    length: int = 8


@dataclass(frozen=True)
class Wanted:
    """A message and what is taken from it."""

    layout: Layout
    takes: tuple[Take, ...]


def read_catalogue(path: Path) -> tuple[Layout, ...]:
    """Return the messages of a catalogue; a file that has not changed is not read twice.

    Raises:
        InputError: it is not there, of another format, or does not parse; one sentence with the remedy.

    """
    shown = printable(path, 200)
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f"{shown} is no catalogue that can be read; name a file ending in {', '.join(SUFFIXES)}")
    try:
        state = path.stat()
    except FileNotFoundError:
        raise InputError(
            f"there is no file {shown}; relative names count from {printable(Path.cwd(), 200)}"
        ) from None
    except OSError as error:
        raise InputError(f"{shown} cannot be read ({error.strerror}); check its rights") from error
    return _read(path, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=16)
def _read(path: Path, _changed: int, _size: int) -> tuple[Layout, ...]:
    shown = printable(path, 200)
    try:
        import cantools.database
    except ImportError as error:
        raise InputError(f"{shown} needs the package cantools ({error}); run: pip install cantools") from error
    _check(path, shown)
    try:
        # Not strict: files in use do hold overlapping signals, and what is not wanted may be wrong.
        found: Any = cantools.database.load_file(os.fspath(path), strict=False)
        messages = [message for message in getattr(found, "messages", ()) if hasattr(message, "frame_id")]
        layouts = tuple(_layout(message) for message in messages if message.name)
    except Exception as error:  # a malformed file shows itself by many kinds of error
        why = printable(" ".join(str(error).split()) or type(error).__name__, 160)
        raise InputError(
            f"{shown} does not parse as a message catalogue ({why}); export it anew, or open it in an editor there"
        ) from error
    if not layouts:
        raise InputError(f"{shown} describes no CAN message; name the catalogue of the bus that the device is on")
    return layouts


def _check(path: Path, shown: str) -> None:
    """Look at the file's size and numbers before it is parsed."""
    if not path.is_file():
        raise InputError(f"{shown} is not a file; name the catalogue")
    with path.open("rb") as file:
        content = file.read(MOST_FILE_BYTES + 1)
    if len(content) > MOST_FILE_BYTES:
        raise InputError(
            f"{shown} holds more than {MOST_FILE_BYTES // 1_000_000} MB; export only what you need of it"
        )
    check_bounds(content.decode("latin-1"), path.suffix.lower(), shown)


def _layout(message: Message) -> Layout:
    is_j1939 = message.protocol == "j1939" and message.is_extended_frame
    by_name = {signal.name: signal for signal in message.signals}
    # What no frame can hold is left out: not strict, the parser lets it through.
    fields = {signal.name: _field(signal, by_name, is_j1939) for signal in message.signals if _is_possible(signal)}
    key = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
    return Layout(message.name, key, is_j1939, fields, int(message.length or 8))


def _is_possible(signal: Signal) -> bool:
    sizes = (16, 32, 64) if signal.is_float else range(1, MOST_BITS + 1)
    return bool(signal.name) and 0 <= signal.start < MOST_BITS and signal.length in sizes


def _field(signal: Signal, by_name: Mapping[str, Signal], is_j1939: bool, depth: int = 0) -> Field:
    names = tuple((int(count), str(said)) for count, said in (signal.choices or {}).items())
    unknown = frozenset(count for count, said in names if is_no_reading(said, signal.name))
    when: tuple[tuple[Field, frozenset[int]], ...] = ()
    switch = by_name.get(signal.multiplexer_signal or "")
    if switch is not None and _is_possible(switch) and signal.multiplexer_ids and depth < _DEEPEST:
        outer = _field(switch, by_name, False, depth + 1)
        when = (*outer.when, (replace(outer, when=()), frozenset(signal.multiplexer_ids)))
    return Field(
        signal.name,
        signal.start,
        signal.length,
        signal.byte_order == "big_endian",
        signal.is_signed,
        signal.is_float,
        float(signal.scale),
        float(signal.offset),
        high=J1939_HIGHEST.get(signal.length) if is_j1939 and not signal.is_signed else None,
        unknown=unknown,
        names=names,
        when=when,
    )


def with_stated_range(layout: Layout, ranges: Mapping[str, tuple[float, float]]) -> Layout:
    """Return ``layout`` with counts outside the ranges (in units) taken for no reading."""
    fields = dict(layout.fields)
    for name, (low, high) in ranges.items():
        field = fields[name]
        counts = sorted(((low - field.offset) / field.scale, (high - field.offset) / field.scale))
        fields[name] = replace(field, low=round(counts[0]), high=round(counts[1]))
    return replace(layout, fields=fields)


@lru_cache(maxsize=16)
def stated_ranges(path: Path) -> dict[str, dict[str, tuple[float, float]]]:
    """Return the ranges that a catalogue of our own states: message -> signal -> (lowest, highest), in units."""
    import cantools.database

    found: Any = cantools.database.load_file(os.fspath(path))
    return {
        message.name: {
            signal.name: (float(signal.minimum), float(signal.maximum))
            for signal in message.signals
            if signal.minimum is not None and signal.maximum is not None
        }
        for message in found.messages
    }


def flat_signals(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return ``[source.signals]`` by plain names; TOML reads an unquoted ``Pack.Voltage = ...`` as nested tables."""
    flat: dict[str, Any] = {}
    for name, entry in table.items():
        if isinstance(entry, Mapping) and "signal" not in entry and entry and all(map(_is_entry, entry.values())):
            flat |= {f"{name}.{inner}": value for inner, value in entry.items()}
        else:
            flat[name] = entry
    return flat


def _is_entry(value: Any) -> bool:
    return isinstance(value, Mapping) or (isinstance(value, str) and find_signal(value) is not None)


class CatalogueSignals(Columns):
    """``[source.signals]``: what each signal of the catalogue becomes."""

    def read(self, key: Key, value: object) -> Any:
        """Return the columns by the catalogue's names."""
        return Columns.read(self, key, flat_signals(value) if isinstance(value, Mapping) else value)


def check_catalogue(s: CatalogueSettings) -> Iterator[Problem]:
    """Give what the catalogue's file and the names stated do not have in common."""
    names = s.stated.get("signals")
    names = flat_signals(names) if isinstance(names, Mapping) else {}
    if s.catalogue is None:
        if names:
            yield Problem("signals", "needs a catalogue", 'add catalogue = "FILE.dbc", for example')
        return
    try:
        layouts = read_catalogue(Path(s.catalogue).expanduser())
    except InputError as error:
        what, _, right = str(error).rpartition("; ")
        yield Problem("catalogue", what, right)
        return
    unknown = [problem for key in names for problem in _check_name(key, layouts)]
    yield from unknown
    wanted = list(_wanted(layouts, s.signals or {}))
    seen = Counter(each.layout.key for each in wanted)
    for each in wanted:
        if seen.pop(each.layout.key, 1) > 1:
            yield Problem(
                "catalogue", f"defines message {printable(each.layout.name)} twice", "delete one of the two"
            )
    if not unknown and not wanted:
        right = f"name some in [source.signals]; it holds {_some(_all_names(layouts))}"
        yield Problem("catalogue", "gives none of our signals", right)


@dataclass(frozen=True, kw_only=True)
class CatalogueSettings(Table):
    """The keys of a ``[[source]]`` that name a catalogue and what is taken of it."""

    rules: ClassVar[Rules] = (check_catalogue,)
    catalogue: str | None = setting(
        FileName(), "the DBC, KCD, SYM or ARXML file", "the maker of the device", "pack.dbc"
    )
    signals: Mapping[str, Column] | None = setting(
        CatalogueSignals(),
        "what each signal of the catalogue becomes",
        "the catalogue",
        {"PackState.Voltage": "pack_voltage"},
    )


def wanted_of(settings: CatalogueSettings) -> list[Wanted]:
    """Return what the owner's catalogue gives.

    Raises:
        InputError: the file has changed since it was checked and cannot be read.

    """
    if settings.catalogue is None:
        return []
    return list(_wanted(read_catalogue(Path(settings.catalogue).expanduser()), settings.signals or {}))


def fault_names_of(settings: CatalogueSettings) -> dict[str, FaultNames]:
    """Return what the owner's catalogue says of the codes of the signals taken from it, by signal.

    Raises:
        InputError: as :func:`wanted_of`.

    """
    return fault_names(take for wanted in wanted_of(settings) for take in wanted.takes)


def _wanted(layouts: tuple[Layout, ...], table: Mapping[str, Column]) -> Iterator[Wanted]:
    taken = {column.signal for column in table.values()}
    for layout in layouts:
        takes = []
        for name, field in layout.fields.items():
            key = next((k for k in (f"{layout.name}.{name}", name) if k in table), None)
            if key is not None:
                takes.append(_take(field, table[key]))
            elif (signal := passes_as(name)) is not None and signal not in taken:
                taken.add(signal)
                takes.append(Take(field, signal))
        if takes:
            yield Wanted(layout, tuple(takes))


def _take(field: Field, column: Column) -> Take:
    return Take(field, column.signal, *column.line, frozenset(int(code) for code in column.unknown))


def _all_names(layouts: tuple[Layout, ...]) -> list[str]:
    return [f"{layout.name}.{name}" for layout in layouts for name in layout.fields]


def _check_name(key: str, layouts: tuple[Layout, ...]) -> list[Problem]:
    where = f"signals.{printable(key)}"
    names = _all_names(layouts)
    if key in names:
        return []
    alone = [name for name in names if name.partition(".")[2] == key]
    if len(alone) == 1:
        return []
    if alone:
        return [Problem(where, f"is in {len(alone)} messages", f"name one: {_some(alone)}")]
    known = names if "." in key else [name.partition(".")[2] for name in names]
    near = did_you_mean(key, dict.fromkeys(known)) or f"; it holds {_some(names)}"
    return [Problem(where, "is not in the catalogue", printable(near.removeprefix("; "), 300))]


def _some(names: list[str]) -> str:
    shown = ", ".join(printable(name) for name in names[:_SAID])
    return f"{shown} and {len(names) - _SAID} more" if len(names) > _SAID else shown


def group_name(wanted: Wanted) -> str:
    """Return the name of the group that a message's signals belong to.

    Cells form one group over all messages that bring some, and so do the pack's temperature sensors where a message
    brings nothing else; any other message is a group of its own.
    """
    signals = [take.signal for take in wanted.takes]
    if any(cell_number(signal) for signal in signals):
        return "cells"
    if all(pack_temperature_number(signal) for signal in signals):
        return "temperatures"
    return plain_name(wanted.layout.name)


def plain_name(name: str) -> str:
    """Return a message's name as a group's: ``DcSourceStatus1`` becomes ``dc_source_status1``."""
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name)
    clean = re.sub(r"[^a-z0-9]+", "_", words.lower(), flags=re.ASCII).strip("_")
    return (clean if clean[:1].isalpha() else f"message_{clean}")[:60].strip("_")
