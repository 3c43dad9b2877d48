"""The sessions of a store as a list: what is known of each, which are shown, and which is chosen.

The outcomes that are kept come with the list; the others come one by one while it is open, from who makes them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from telemetry.model.errors import ShakedownError, printable
from telemetry.model.time_text import length
from telemetry.screen.spark import round_up
from telemetry.screen.theme import Meaning

if TYPE_CHECKING:
    from telemetry.store.outcomes import Outcome
    from telemetry.store.reader import SessionRecord

LOOK_AGAIN_US = 2_000_000
MEANINGS: dict[str, Meaning] = {
    "PARK": "danger",
    "NOT READABLE": "danger",
    "DRIVE GENTLY": "caution",
    "NOT ENOUGH SEEN": "act",
    "NO VALUES": "act",
    "DRIVE ON": "normal",
    "CHARGED": "normal",
}
"""How the badge of each outcome is filled."""


@dataclass(frozen=True)
class Entry:
    """One session of the list.

    Attributes:
        record: what the store says of it.
        outcome: what it came to; None where that is not known yet, or it is still recorded, or of the bench.
        marks: words of its marks.

    """

    record: SessionRecord
    outcome: Outcome | None = None
    marks: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What the list calls it: the owner's name for it, else the machine."""
        return printable(self.record.name or self.record.machine, 60)

    @property
    def state(self) -> str:
        """What stands in the badge's place where there is no outcome."""
        if self.record.ended is None:
            return "being recorded"
        return "on the bench" if self.record.origin == "bench" else "not judged yet"

    @property
    def why(self) -> str:
        """Why it came out so, in a few words."""
        return "" if self.outcome is None else self.outcome.why

    def searched(self, now: int) -> str:
        """Return all words that it is found by, in small letters."""
        word = self.state if self.outcome is None else self.outcome.word
        record = self.record
        words = (
            str(record.id),
            record.machine,
            record.name,
            record.note,
            when(record.started, now),
            f"{_local(record.started):%Y-%m-%d}",
            word,
            self.why,
            *self.marks,
        )
        return f" {' '.join(words).lower()}"


def when(t: int, now: int) -> str:
    """Return a moment as a person says it: ``today 14:10``, ``27 Nov 16:40``, ``27 Nov 2024``. Local time."""
    moment, today = _local(t), _local(now)
    if moment.date() == today.date():
        return f"today {moment:%H:%M}"
    if moment.year == today.year:
        return f"{moment.day} {moment:%b %H:%M}"
    return f"{moment.day} {moment:%b %Y}"


def _local(t: int) -> datetime:
    try:
        return datetime.fromtimestamp(t / 1e6)
    except (OSError, OverflowError, ValueError):  # a year far off
        return datetime(1970, 1, 1)


def hours_minutes(seconds: float) -> str:
    """Return a length of time as ``h:mm``, below ten minutes with its seconds: ``0:42``, ``48 s``."""
    return length(seconds) if seconds < 59.5 else f"{round(seconds / 60) // 60}:{round(seconds / 60) % 60:02d}"


class Judging(Protocol):
    """Makes the outcomes that are missing, somewhere else."""

    def ready(self) -> list[Outcome]:
        """Return those made since the last call."""
        ...

    @property
    def is_done(self) -> bool:
        """Whether there are no more to come."""
        ...

    def close(self) -> None:
        """Make no more."""
        ...


@dataclass
class SessionList:
    """The list; nothing is read before :meth:`open`.

    Attributes:
        path: the store.
        program: version whose outcomes count.
        judge: begins to make the outcomes that are missing; None where nobody is to, as while a run is recorded.
        text: what has been typed to find sessions.
        chosen: number of the chosen session; None for the first.
        comparing: number of the session that another is to be compared with.
        trouble: why there is no list; empty where there is one.
        first: place of the session in the first row on view.

    """

    path: Path | None
    program: str = ""
    judge: Callable[[Path], Judging] | None = None
    text: str = ""
    chosen: int | None = None
    comparing: int | None = None
    trouble: str = ""
    first: int = 0
    _entries: list[Entry] = field(default_factory=list)
    _judging: Judging | None = None
    _stamp: object = None
    _looked: int | None = None
    _shown: tuple[object, list[Entry]] | None = None

    def look(self, now: int) -> None:
        """Read the list where it may have changed, and take what has been judged; call it before each picture.

        Args:
            now: real time, int microseconds.

        """
        if self._looked is None or now >= self._looked + LOOK_AGAIN_US:
            self._looked = now
            self._read()
        for outcome in [] if self._judging is None else self._judging.ready():
            self._put(outcome)

    def look_again(self) -> None:
        """Read the list anew at the next :meth:`look`."""
        self._looked = self._stamp = None

    def close(self) -> None:
        """Judge no more."""
        if self._judging is not None:
            self._judging.close()
            self._judging = None

    def _read(self) -> None:
        from telemetry.store.outcomes import kept_outcomes  # late: the first picture does not wait for the store
        from telemetry.store.reader import StoreReader

        if self.path is None or not self.path.exists():
            self._entries, self.trouble = [], ""
            self._shown = None
            return
        try:
            with StoreReader.open(self.path) as reader:
                stamp = reader.stamp()
                if stamp == self._stamp:
                    return
                records, marks = reader.sessions(), reader.mark_texts()
            known = {entry.record.id: entry.outcome for entry in self._entries if entry.outcome is not None}
            known |= kept_outcomes(self.path, self.program)
        except ShakedownError as error:
            self.trouble = str(error)
            return
        self._stamp, self.trouble, self._shown = stamp, "", None
        found = [Entry(each, known.get(each.id), tuple(marks.get(each.id, ()))) for each in records]
        self._entries = found[::-1]
        waiting = any(entry.state == "not judged yet" for entry in found if entry.outcome is None)
        if self.judge is not None and waiting and not self.is_judging:
            self._judging = self.judge(self.path)

    def _put(self, outcome: Outcome) -> None:
        for place, entry in enumerate(self._entries):
            if entry.record.id == outcome.session:
                self._entries[place] = Entry(entry.record, outcome, entry.marks)
                self._shown = None

    @property
    def is_judging(self) -> bool:
        """Whether outcomes are being made."""
        return self._judging is not None and not self._judging.is_done

    @property
    def all(self) -> list[Entry]:
        """Every session, the newest first."""
        return self._entries

    @property
    def top_w(self) -> float:
        """The top of the one scale for the power of all of them, W."""
        return round_up(
            max((entry.outcome.peak_w for entry in self._entries if entry.outcome is not None), default=0)
        )

    def shown(self, now: int) -> list[Entry]:
        """Return those in which every typed word begins a word, the newest first."""
        key = self.text, now // 60_000_000
        if self._shown is None or self._shown[0] != key:
            wanted = self.text.lower().split()
            found = [
                entry
                for entry in self._entries
                if not wanted or all(f" {word}" in entry.searched(now) for word in wanted)
            ]
            self._shown = key, found
        return self._shown[1]

    def place(self, now: int) -> int:
        """Return the place of the chosen session among the shown; 0 where it is not among them."""
        ids = [entry.record.id for entry in self.shown(now)]
        return ids.index(self.chosen) if self.chosen in ids else 0

    def chosen_entry(self, now: int) -> Entry | None:
        """Return the chosen session; None where none is shown."""
        shown = self.shown(now)
        return shown[self.place(now)] if shown else None

    def move(self, step: int, now: int) -> None:
        """Choose another, ``step`` places below."""
        shown = self.shown(now)
        if shown:
            self.chosen = shown[min(max(0, self.place(now) + step), len(shown) - 1)].record.id
