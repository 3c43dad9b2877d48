"""The open standards that are read without a catalogue of the owner's: data files, read by the same decoder.

``standard = ["rv-c", "nmea-2000", "j1939", "canopen-418"]``. What is taken, and as what, stands in ``catalogues/``:
a DBC file for the layout and a TOML file for the rest. CANopen has no fixed layout: its objects lie where the
device's process data objects map them (CiA 301), so there the TOML file lists objects.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, ClassVar

from telemetry.model.errors import Problem
from telemetry.model.keys import BadValue, Key, setting
from telemetry.model.kinds import Words, count, number
from telemetry.model.signals import extra_name
from telemetry.model.tables import Named, Rules, unknown_word

from .can_frames import parameter_group
from .can_signals import Field, Take
from .message_catalogue import (
    CatalogueSettings,
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
FIRST_HEARD = -1
"""In place of an instance: the first that is heard."""
_BATTERY_STEP = 0x800
_MOST_BATTERIES = 16


@dataclass(frozen=True)
class ReadMessage:
    """A message that is read, and when a frame of its identifier counts.

    Attributes:
        wanted: the message and what is taken of it.
        group: name of the group that its signals belong to.
        instance: the field that tells which of several batteries or drives it is about, and the one that is wanted;
            :data:`FIRST_HEARD` for any.
        only: fields that must have one of these counts.
        priority: the field with the sending device's priority; the highest of those on the bus is read.
        one_device: frames of several senders share the identifier, and only one sender is read.
        fast_packet: it comes in several frames of NMEA 2000.
        shared: by each signal that several messages of the standard give, how many go before this one, and the name
            under which it is kept while one of them is heard.

    """

    wanted: Wanted
    group: str
    instance: tuple[Field, int] | None = None
    only: tuple[tuple[Field, frozenset[int]], ...] = ()
    priority: Field | None = None
    one_device: bool = False
    fast_packet: bool = False
    shared: Mapping[str, tuple[int, str]] = field(default_factory=dict)


class Standards(Words):
    """Names of open standards, each once."""

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:  # noqa: ARG002 - no key changes it
        """Return the names; BadValue for one that is not known."""
        for word in words:
            if word not in FILES:
                raise unknown_word("standard", word, FILES)
        if len(set(words)) != len(words):
            raise BadValue("names one twice", "name each once")
        return words


class MappedObjects(Words):
    """What a process data object maps: index, sub-index and bits in hexadecimal, as the device does."""

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:  # noqa: ARG002 - no key changes it
        """Return the objects; BadValue for what is none, or too many of them."""
        if not all(map(_is_mapping, words)):
            right = 'write index, sub-index and bits in hexadecimal as the device maps them: ["60600020"], say'
            raise BadValue("is not a list of mapped objects", right)
        if sum(int(each[6:], 16) for each in words) > 64:
            raise BadValue("maps more than 64 bits", "check the device's data sheet")
        return words


class ProcessData(Named):
    """Mappings of the transmit process data objects, by name."""

    def check_name(self, name: str) -> None:
        """Raise BadValue for a name that is none."""
        if name not in PDO_IDENTIFIERS:
            raise BadValue("is not known", f"use {', '.join(PDO_IDENTIFIERS)}")


def _something(s: DecodingSettings) -> Iterator[Problem]:
    if s.catalogue is None and not s.standard:
        right = f'name the file of your device, or write standard = ["{next(iter(FILES))}"], say'
        yield Problem("catalogue", "is missing, and so is standard", right)


def _canopen_only(s: DecodingSettings) -> Iterator[Problem]:
    for key in ("node", "pdo"):
        if key in s.stated and CANOPEN not in s.standard:
            yield Problem(key, f"has a meaning for {CANOPEN} only", "leave it out")


def _profile(s: DecodingSettings) -> Iterator[Problem]:
    if CANOPEN not in s.standard:
        return
    battery = 1 if s.instance is None else s.instance
    if not 1 <= battery <= _MOST_BATTERIES:
        yield Problem("instance", "is no battery of the profile", f"use 1 to {_MOST_BATTERIES}")
        return
    objects = _objects(battery)
    for name, entries in (s.pdo or {}).items():
        for entry in entries:
            known = objects.get(entry[:4].lower())
            if known is not None and int(entry[6:], 16) != known["bits"]:
                what = f"maps {entry[:4]} with {int(entry[6:], 16)} bits"
                yield Problem(f"pdo.{name}", what, f"it has {known['bits']}")


@dataclass(frozen=True, kw_only=True)
class DecodingSettings(CatalogueSettings):
    """The keys of a ``[[source]]`` that say what its frames mean."""

    rules: ClassVar[Rules] = (_something, _canopen_only, _profile)
    standard: tuple[str, ...] = setting(
        Standards(),
        "open standards to read; at least one of this and catalogue",
        "the device's sheet",
        ["rv-c"],
        default=(),
    )
    instance: int | None = count(0, 250, "which battery; else the standard's first", "the log lists those heard", 1)
    node: int = count(1, 127, "CANopen: the device's node number", "the device's settings", 5, default=1)
    pdo: Mapping[str, tuple[str, ...]] | None = setting(
        ProcessData(MappedObjects(fewest=1)),
        "CANopen: mappings of `tpdo1` to `tpdo4`",
        "the device's sheet",
        {"tpdo2": ["60600020", "60810008"]},
    )
    close_after_s: float = number(
        *(0.001, 60, "seconds that a row over several messages waits for what is missing"),
        *("how often the device sends", 0.25),
        default=0.25,
    )


def standard_messages(settings: DecodingSettings, taken: set[str]) -> list[ReadMessage]:
    """Return the messages of the standards stated.

    A signal that is in ``taken`` already, or that an earlier standard gives, is carried as an extra: one signal comes
    from one place. Of several messages of one standard the first that is heard gives it, in the order of its data
    file. ``taken`` is added to.
    """
    found: list[ReadMessage] = []
    for name in settings.standard:
        messages = _canopen(settings) if name == CANOPEN else _by_group(name, settings.instance)
        given = Counter(take.signal for message in messages for take in message.wanted.takes)
        before: Counter[str] = Counter()
        for message in messages:
            takes, shared = [], {}
            for take in message.wanted.takes:
                rank, own = before[take.signal], extra_name(f"{plain_name(message.wanted.layout.name)}_{take.signal}")
                signal = take.signal
                if signal in taken:
                    signal = own if rank else f"extra_{FILES[name]}_{signal}"
                elif given[signal] > 1:
                    shared[signal] = (rank, own)
                before[take.signal] += 1
                takes.append(replace(take, signal=signal))
            found.append(replace(message, wanted=Wanted(message.wanted.layout, tuple(takes)), shared=shared))
        taken |= given.keys()
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
        if entry.get("first_instance"):
            wanted_instance = FIRST_HEARD
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


def _canopen(settings: DecodingSettings) -> list[ReadMessage]:
    """Place the profile's objects where the process data objects map them."""
    battery, node, mapped = 1 if settings.instance is None else settings.instance, settings.node, settings.pdo or {}
    objects = _objects(battery)
    messages = []
    for name, entries in (_data(CANOPEN)["preset"] | dict(mapped)).items():
        if name not in mapped:
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
