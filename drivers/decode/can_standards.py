"""The open standards that are read without a catalogue of the owner's: data files, read by the same decoder.

``standard = ["rv-c", "nmea-2000", "j1939", "canopen-418"]``. What is taken, and as what, stands in ``catalogues/``:
a DBC file for the layout and a TOML file for the rest. CANopen has no fixed layout: its objects lie where the
device's process data objects map them (CiA 301), so there the TOML file lists objects.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from telemetry.driver import Settings
from telemetry.model.errors import Problem, did_you_mean, printable

from .can_frames import parameter_group
from .can_signals import Field, Take
from .message_catalogue import (
    Layout,
    Wanted,
    group_name,
    plain_name,
    read_catalogue,
    stated_ranges,
    with_stated_range,
)

FOLDER = Path(__file__).parent / "catalogues"
FILES = {"rv-c": "rv_c", "nmea-2000": "nmea_2000", "j1939": "j1939", "canopen-418": "canopen_418"}
CANOPEN = "canopen-418"
# CiA 301, predefined connection set: identifiers of the transmit objects, to which the node's number is added.
PDO_IDENTIFIERS = {"tpdo1": 0x180, "tpdo2": 0x280, "tpdo3": 0x380, "tpdo4": 0x480}
_BATTERY_STEP = 0x800
_MOST_BATTERIES = 16


@dataclass(frozen=True)
class ReadMessage:
    """A message that is read, and when a frame of its identifier counts.

    Attributes:
        wanted: the message and what is taken of it.
        group: name of the group that its signals belong to.
        instance: the field that tells which of several batteries it is about, and the one that is wanted.
        only: fields that must have one of these counts.
        priority: the field with the sending device's priority; the highest of those on the bus is read.
        one_device: frames of several senders share the identifier, and only one sender is read.
        fast_packet: it comes in several frames.

    """

    wanted: Wanted
    group: str
    instance: tuple[Field, int] | None = None
    only: tuple[tuple[Field, frozenset[int]], ...] = ()
    priority: Field | None = None
    one_device: bool = False
    fast_packet: bool = False


def check_standards(settings: Settings) -> list[Problem]:
    """Return every problem of ``standard``, ``instance``, ``node`` and ``pdo``."""
    problems = []
    names = settings.get("standard", [])
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        return [Problem("standard", "is not a list of names", f'write standard = ["{next(iter(FILES))}"], say')]
    problems += [
        Problem("standard", f"{printable(name)} is not known", f"use {', '.join(FILES)}{did_you_mean(name, FILES)}")
        for name in names
        if name not in FILES
    ]
    if len(set(names)) != len(names):
        problems.append(Problem("standard", "names one twice", "name each once"))
    instance = settings.get("instance")
    if instance is not None and not (_is_whole(instance) and 0 <= instance <= 250):
        problems.append(Problem("instance", "is no whole number from 0 to 250", "write instance = 1, say"))
    for key in ("node", "pdo"):
        if key in settings and CANOPEN not in names:
            problems.append(Problem(key, f"has a meaning for {CANOPEN} only", "leave it out"))
    if CANOPEN in names:
        problems += _check_canopen(settings)
    return problems


def _check_canopen(settings: Settings) -> list[Problem]:
    problems = []
    node, instance = settings.get("node", 1), settings.get("instance", 1)
    if not (_is_whole(node) and 1 <= node <= 127):
        problems.append(Problem("node", "is no whole number from 1 to 127", "write the device's node number"))
    if _is_whole(instance) and not 1 <= instance <= _MOST_BATTERIES:
        problems.append(Problem("instance", "is no battery of the profile", f"use 1 to {_MOST_BATTERIES}"))
        instance = 1
    pdo = settings.get("pdo", {})
    if not isinstance(pdo, Mapping):
        return [*problems, Problem("pdo", "is not a table", 'write pdo = { tpdo2 = ["60600020", "60810008"] }, say')]
    objects = _objects(instance if _is_whole(instance) else 1)
    for name, entries in pdo.items():
        where = f"pdo.{printable(name)}"
        if name not in PDO_IDENTIFIERS:
            problems.append(Problem(where, "is not known", f"use {', '.join(PDO_IDENTIFIERS)}"))
        elif not isinstance(entries, list) or not entries or not all(_is_mapping(entry) for entry in entries):
            right = 'write index, sub-index and bits in hexadecimal as the device maps them: ["60600020"], say'
            problems.append(Problem(where, "is not a list of mapped objects", right))
        elif sum(int(entry[6:], 16) for entry in entries) > 64:
            problems.append(Problem(where, "maps more than 64 bits", "check the device's data sheet"))
        else:
            problems += [
                Problem(where, f"maps {entry[:4]} with {int(entry[6:], 16)} bits", f"it has {known['bits']}")
                for entry in entries
                if (known := objects.get(entry[:4].lower())) and int(entry[6:], 16) != known["bits"]
            ]
    return problems


def standard_messages(settings: Settings, taken: set[str]) -> list[ReadMessage]:
    """Return the messages of the standards stated, found good by :func:`check_standards`.

    A signal that is in ``taken`` already, or that an earlier standard gives, is carried as an extra: one signal comes
    from one place. ``taken`` is added to.
    """
    found: list[ReadMessage] = []
    for name in settings.get("standard", []):
        messages = _canopen(settings) if name == CANOPEN else _by_group(name, settings.get("instance"))
        for message in messages:
            takes = []
            for take in message.wanted.takes:
                signal = f"extra_{FILES[name]}_{take.signal}" if take.signal in taken else take.signal
                takes.append(replace(take, signal=signal))
                taken.add(signal)
            found.append(replace(message, wanted=Wanted(message.wanted.layout, tuple(takes))))
    return found


def owners_messages(wanted: list[Wanted]) -> list[ReadMessage]:
    """Return the messages of the owner's catalogue; of those known by parameter group one sender is read.

    Where the catalogue lists one group for several senders, they are told apart by the whole identifier.
    """
    groups = Counter(parameter_group(each.layout.key) for each in wanted if each.layout.by_group)
    messages = []
    for each in wanted:
        if each.layout.by_group and groups[parameter_group(each.layout.key)] > 1:
            each = Wanted(replace(each.layout, by_group=False), each.takes)
        messages.append(ReadMessage(each, group_name(each), one_device=each.layout.by_group))
    return messages


@cache
def _data(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{FILES[name]}.toml").read_text(encoding="utf-8"))


def _by_group(name: str, instance: int | None) -> list[ReadMessage]:
    """Read a standard whose messages are known by their parameter group."""
    data = _data(name)
    path = FOLDER / data["catalogue"]
    layouts = {layout.name: layout for layout in read_catalogue(path)}
    messages = []
    for entry in data["message"]:
        layout = with_stated_range(layouts[entry["name"]], stated_ranges(path)[entry["name"]])
        layout = replace(layout, by_group=True)
        fields = layout.fields
        takes = tuple(Take(fields[field], signal) for field, signal in entry["signals"].items())
        wanted_instance = data.get("instance", 0) if instance is None else instance
        messages.append(
            ReadMessage(
                Wanted(layout, takes),
                plain_name(layout.name),
                (fields[entry["instance"]], wanted_instance) if "instance" in entry else None,
                tuple((fields[field], frozenset(counts)) for field, counts in entry.get("only", {}).items()),
                fields[entry["priority"]] if "priority" in entry else None,
                one_device=True,
                fast_packet=entry.get("fast_packet", False),
            )
        )
    return messages


def _canopen(settings: Settings) -> list[ReadMessage]:
    """Place the profile's objects where the process data objects map them."""
    battery, node = settings.get("instance", 1), settings.get("node", 1)
    objects = _objects(battery)
    messages = []
    for name, entries in (_data(CANOPEN)["preset"] | dict(settings.get("pdo", {}))).items():
        if "pdo" not in settings or name not in settings["pdo"]:
            entries = [f"{int(e[:4], 16) + _BATTERY_STEP * (battery - 1):04x}{e[4:]}" for e in entries]
        start, takes, fields = 0, [], {}
        for entry in entries:
            bits = int(entry[6:], 16)
            known = objects.get(entry[:4].lower())
            if known is not None:
                field = _object_field(entry[:4], start, known)
                fields[field.name] = field
                takes.append(Take(field, known["signal"]))
            start += bits
        if takes:
            layout = Layout(name, PDO_IDENTIFIERS[name] + node, False, fields)
            messages.append(ReadMessage(Wanted(layout, tuple(takes)), f"battery_{name}"))
    return messages


def _object_field(index: str, start: int, known: Mapping[str, Any]) -> Field:
    scale = float(known.get("scale", 1.0))
    low, high = (None if known.get(end) is None else round(known[end] / scale) for end in ("low", "high"))
    return Field(index, start, known["bits"], signed=known.get("signed", False), scale=scale, low=low, high=high)


def _objects(battery: int) -> dict[str, dict[str, Any]]:
    """Return the objects of one battery by index, four hexadecimal digits."""
    known: dict[str, dict[str, Any]] = _data(CANOPEN)["object"]
    return {f"{int(index, 16) + _BATTERY_STEP * (battery - 1):04x}": entry for index, entry in known.items()}


def _is_mapping(entry: Any) -> bool:
    if not isinstance(entry, str) or len(entry) != 8:
        return False
    return all(c in "0123456789abcdefABCDEF" for c in entry) and 1 <= int(entry[6:], 16) <= 64


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
