"""One file to ask for help with: a session, its machine file, versions and log, without positions and names."""

from __future__ import annotations

import dataclasses
import getpass
import platform
import re
import socket
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.driver import TellsPosition
from telemetry.machine.anonymous import anonymous_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import InputError, printable
from telemetry.model.events import Event, Mark
from telemetry.model.raw_bytes import packed, unpacked
from telemetry.model.signals import find_signal
from telemetry.model.toml_text import parse_toml
from telemetry.model.whole_file import check_free, whole_or_not_at_all
from telemetry.pipeline.registry import driver_names, drivers_that
from telemetry.report.raw_text import size_text
from telemetry.runs.anonymous_text import AnonymousText
from telemetry.runs.log_file import log_path
from telemetry.store.kept_raw import read_raw
from telemetry.store.ledger import Ledger
from telemetry.store.one_session import all_batches, write_one_session
from telemetry.store.reader import SessionRecord, StoreReader

_WITH_KEY, _ONE_FRAME = 4, 12  # bytes of a raw CAN frame: its key, and key with eight bytes of data
LOG_BYTES = 300_000
"""How much of the end of the log file goes in."""
POSITIONS = frozenset({"latitude", "longitude"})
_SENTENCE = re.compile(rb"\$(?:G|B)[A-Z]\w{3},")
"""How a sentence of a satellite receiver begins (IEC 61162-1); one in the raw bytes may hold a position."""
_POSITION_GROUPS = frozenset({129025, 129029, 65267})
"""CAN parameter groups of positions: NMEA 2000 position, rapid update, and GNSS position; J1939 vehicle position."""
_RUN = re.compile(rb"[A-Za-z0-9][A-Za-z0-9 _:.-]{5,}[A-Za-z0-9]")
_TEXTS = frozenset({"why", "text", "listener", "source", "signal", "limit", "limit_name"})


@dataclass(frozen=True)
class Bundle:
    """What was written: each part with what it is and its size, and what was taken out."""

    parts: tuple[tuple[str, str, int], ...]
    removed: tuple[str, ...]


def write_bundle(
    reader: StoreReader, record: SessionRecord, out: Path, *, positions: bool, names: bool, replace_it: bool
) -> Bundle:
    """Write the bundle of a session to ``out``, a zip file that only its owner may read.

    Args:
        reader: the store that holds it.
        record: which session.
        out: file to write.
        positions: leave positions in.
        names: leave names, texts, ports and addresses in.
        replace_it: whether a file that is there may be replaced.

    Raises:
        InputError: it exists or cannot be written, or the session is being recorded.
        StoreError: the store cannot be read.

    """
    if record.ended is None:
        raise InputError(f"session {record.id} is being recorded; end it first")
    check_free(out, replace_it)
    content = Content(reader, record, positions, names)
    with tempfile.TemporaryDirectory(prefix="shakedown-") as folder:
        store = Path(folder) / "session.sqlite3"
        write_one_session(store, content.record(), content.drivers, content.spans(), content.ledger())
        parts = {
            "session.sqlite3": ("the session; read it with --store", store.read_bytes()),
            "machine.toml": ("the machine file in force", (content.record().machine_text or "").encode()),
            "versions.txt": ("program, Python, system, packages", _versions().encode()),
            "log.txt": ("the end of the log", content.log().encode()),
        }
    bundle = Bundle(tuple((name, what, len(data)) for name, (what, data) in parts.items()), tuple(content.removed()))
    with whole_or_not_at_all(out, replace_it) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, (_, data) in parts.items():
            packed.writestr(name, data)
        packed.writestr("contents.txt", "\n".join(bundle_lines(bundle, Path("this file"))) + "\n")
    return bundle


def bundle_lines(bundle: Bundle, out: Path) -> list[str]:
    """Return what is inside and what is not, for the screen and for the bundle itself."""
    lines = [f"{printable(out, 200)} holds:"]
    lines += [f"  {name:16} {what} ({size_text(size)})" for name, what, size in bundle.parts]
    lines.append("Removed:" if bundle.removed else "Nothing was removed.")
    return [*lines, *(f"  {one}" for one in bundle.removed)]


class Content:
    """A session as it goes into a store of its own, with its positions and names or without."""

    def __init__(self, reader: StoreReader, record: SessionRecord, positions: bool, names: bool) -> None:
        self._reader, self._record = reader, record
        self._positions, self._names = positions, names
        groups = {(batch.group.key, batch.group.signals): batch.group for batch in all_batches(reader, record.id)}
        links, _ = reader.raw_links(record.id)
        found = [group.source for group in groups.values() if group.origin == "measured"]
        found += [each.source for each in links]
        found += _stated_sources(record.machine_text)
        self._sources = {name: f"source-{n}" for n, name in enumerate(dict.fromkeys(found), 1)}
        self._with_position = {g.source for g in groups.values() if POSITIONS.intersection(g.signals)}
        tellers = drivers_that(TellsPosition) if links else {}
        self._with_position |= {each.source for each in links if each.driver in tellers}
        self.drivers = {self._source(each.source): each.driver for each in links if each.driver}
        self._renamed: dict[str, str] = {}
        self._text = AnonymousText(self._sources, _owners_words(record, self._sources))
        self._raw_left_out: set[str] = set()

    def record(self) -> SessionRecord:
        """Return the session's own row."""
        if self._names:
            return self._record
        text = self._record.machine_text
        return replace(
            self._record,
            machine="machine",
            machine_text=None if text is None else anonymous_machine(text, self._sources, frozenset(driver_names())),
            replayed_from=None,
        )

    def spans(self) -> Iterator[Span]:
        """Give rows, then events, then raw bytes."""
        for batch in all_batches(self._reader, self._record.id):
            kept = self._batch(batch)
            if kept is not None and len(kept):
                yield Span(int(kept.t[-1]), (kept,))
        events = [self._event(event) for event in self._reader.events(self._record.id)]
        if events:
            yield Span(events[-1].t, events=tuple(events))
        for source in sorted({each.source for each in self._reader.raw_links(self._record.id)[0]}):
            yield from self._raw(source)

    def _raw(self, source: str) -> Iterator[Span]:
        """Give the raw bytes of a source, all of them or, where one may be of a position, none."""
        blocks = list(read_raw(self._reader._db, self._record.id, [source]))
        pieces = [list(unpacked(block)) for block in blocks]
        whole = b"".join(piece.data for each in pieces for piece in each)
        if not self._positions and (source in self._with_position or _may_hold_position(whole, pieces)):
            self._raw_left_out.add(self._source(source))
            return
        if not self._names:
            whole = _RUN.sub(self._masked, whole)  # over the ends of pieces: a name may come in two reads
        place = 0
        for block, each in zip(blocks, pieces, strict=True):
            data = b""
            for piece in each:
                data += packed(replace(piece, data=whole[place : place + len(piece.data)]))
                place += len(piece.data)
            yield Span(block.end, raw=(replace(block, source=self._source(source), data=data),))

    def _masked(self, found: re.Match[bytes]) -> bytes:
        """Return a run of letters and digits as it is where its words are the program's own, else blotted out."""
        text = found[0].decode("ascii")
        if any(sign.isalpha() for sign in text) and self._text(text) != text:
            return b"x" * len(text)
        return found[0]

    def ledger(self) -> Any:
        """Return what was entered by hand; its words are the program's own."""
        entries = Ledger(self._reader.path, self._reader._db).entries(self._record.id)
        return entries if self._names else [replace(each, entry=self._text(each.entry)) for each in entries]

    def log(self) -> str:
        """Return the end of the log."""
        with suppress(OSError):
            text = log_path().read_bytes()[-LOG_BYTES:].decode("utf-8", "replace")
            return text if self._names else self._text(text)
        return ""

    def removed(self) -> list[str]:
        """Return what was taken out, a sentence each."""
        removed = []
        if not self._names:
            removed += [
                "machine name, names of sources, groups and extra signals (numbered instead)",
                "the machine file's comments, texts, ports, addresses and file names",
                "in raw bytes, readable names and numbers of devices (written as xxx); not those in other coding",
                "the text of your marks; in the program's texts and the log, all but the program's own words",
            ]
        if not self._positions:
            removed.append("positions (latitude, longitude)")
        if self._raw_left_out:
            removed.append(f"raw bytes of {', '.join(sorted(self._raw_left_out))}, which hold positions")
        return removed

    def _source(self, name: str) -> str:
        return name if self._names else self._sources.get(name, name if name == "derived" else "source")

    def _signal(self, name: str) -> str:
        if not self._names and name.startswith("extra_"):  # what follows is the owner's word
            return self._renamed.setdefault(name, f"extra_{len(self._renamed) + 1}")
        if self._names or find_signal(name) is not None:
            return name
        return self._text(name)

    def _batch(self, batch: Batch) -> Batch | None:
        group = batch.group
        places = [n for n, signal in enumerate(group.signals) if self._positions or signal not in POSITIONS]
        if not places:
            return None
        name = group.name
        if not self._names and group.origin == "measured" and "_" in self._text(name.replace("_", " ")).split():
            name = self._renamed.setdefault(f"group {name}", f"group_{len(self._renamed) + 1}")
        signals = tuple(self._signal(group.signals[n]) for n in places)
        return Batch(
            Group(self._source(group.source), name, signals, group.origin),
            batch.t,
            np.ascontiguousarray(batch.values[:, places]),
        )

    def _event(self, event: Event) -> Event:
        if self._names:
            return event
        changed: dict[str, Any] = {}
        for field in dataclasses.fields(event):
            value = getattr(event, field.name)
            if field.name in _TEXTS and isinstance(value, str):
                known = value in self._sources
                changed[field.name] = self._sources[value] if known else self._owned(field.name, value)
        if isinstance(event, Mark) and event.by == "operator":
            changed["text"] = "mark"
        return replace(event, **changed)

    def _owned(self, field: str, value: str) -> str:
        return self._signal(value) if field == "signal" else self._text(value)


def _may_hold_position(whole: bytes, pieces: list[list[CapturedPiece]]) -> bool:
    """Return whether raw bytes hold a sentence of a satellite receiver, or what may be a CAN frame of a position."""
    if _SENTENCE.search(whole):
        return True
    for piece in (piece for each in pieces for piece in each):
        key = int.from_bytes(piece.data[:_WITH_KEY], "big")
        if _WITH_KEY <= len(piece.data) <= _ONE_FRAME and key >> 31 and (key >> 8) & 0x3FFFF in _POSITION_GROUPS:
            return True
    return False


def _stated_sources(text: str | None) -> list[str]:
    with suppress(ValueError, TypeError, AttributeError):
        return [str(table["name"]) for table in parse_toml(text or "").get("source", []) if "name" in table]
    return []


def _owners_words(record: SessionRecord, sources: Mapping[str, str]) -> list[str]:
    """Return the owner's own words: names, texts of the machine file, user and computer."""
    words = [record.machine, record.replayed_from or "", socket.gethostname(), str(Path.home())]
    with suppress(Exception):  # no name where the system knows none
        words.append(getpass.getuser())
    waiting: list[Any] = []
    with suppress(ValueError):
        waiting = [parse_toml(record.machine_text or "")]
    while waiting:
        each = waiting.pop()
        if isinstance(each, Mapping):
            waiting += each.values()
        elif isinstance(each, list):
            waiting += each
        elif isinstance(each, str) and (" " in each or not each.isascii()):
            words.append(each)
    return [word for word in words if word and word not in sources]


def _versions() -> str:
    lines = [
        f"Python {platform.python_version()}",
        f"system {platform.system()} {platform.release()} {platform.machine()}",
    ]
    found = {(each.metadata["Name"], each.version) for each in distributions()}
    return "\n".join([*lines, *(f"{name} {version}" for name, version in sorted(found, key=str))]) + "\n"
