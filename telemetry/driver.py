"""The driver contract: how a source of readings plugs in.

A driver is a class, found by the entry-point group ``shakedown.drivers`` under the name that a machine file's
``driver = "..."`` gives. It opens a link, yields batches and closes; it knows nothing of stores, alarms or screens.

It **must**

* be constructed as ``Driver(context)`` without touching the outside world;
* ``open()``: open the link within ``OPEN_LIMIT_S``, or raise :class:`~telemetry.model.errors.LinkUnavailable` with
  one sentence that names the port or device and the remedy;
* ``readings()``: yield :class:`~telemetry.model.batch.Batch` (or :class:`Asleep`) as they come, times by
  ``context.clock``; a source that plays a recorded run also yields the input events recorded with it; raise
  :class:`~telemetry.model.errors.LinkLost` when the link breaks; return when the source has ended by itself (a
  replay file). Be cancellable within half a second;
* ``close()``: let go of everything, from any state, twice if asked, without raising.

One object serves one opening: after a failure the supervisor closes it and constructs a new one.

What else a driver can do is a capability: a protocol below, which its class meets by having the members. Whoever
needs one asks with ``isinstance(driver, Discovers)``. Most drivers are :class:`Declares`: their settings are a
dataclass (see :mod:`telemetry.model.tables`), of which checks, documentation and schema are made.

Batches may have times a little ahead of the clock (a device's own spacing, played out evenly); rows are held until
their time. Values need no cleaning: infinite and physically impossible ones become unknown, and are counted, for
every driver alike. Signs and scales are already ours: ``context.sign_of_current`` is applied by the program, not by
the driver.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Literal, Protocol, TextIO, runtime_checkable

from telemetry.model.batch import Batch, Span
from telemetry.model.capture import CapturedPiece, Direction
from telemetry.model.clock import Clock
from telemetry.model.events import Event
from telemetry.model.fault_names import FaultNames
from telemetry.model.recording import Recording
from telemetry.model.tables import Table

Settings = Mapping[str, Any]
OPEN_LIMIT_S = 15.0
CLOSE_LIMIT_S = 5.0


class Pace(Protocol):
    """What a source that plays spans needs of the plan it plays them by."""

    @property
    def slice_us(self) -> int | None:
        """Microseconds of the recording to give out at a time at the present speed; None for whole spans."""
        ...

    async def reach(self, t: int) -> int:
        """Wait until rows up to ``t`` are due and return ``t``.

        Where the speed changed or play was paused meanwhile, return the earlier time that play has reached: rows up
        to there are due, and the next piece is cut by the new ``slice_us``.
        """
        ...

    async def delivered(self, t: int) -> None:
        """Say that all rows up to ``t`` have been taken; return once the run has taken ``t`` as a span's end."""
        ...


class Feed(Protocol):
    """What the replay driver plays."""

    @property
    def spans(self) -> Iterator[Span]:
        """The recording, in time order, each instant whole within one span; taken once."""
        ...

    @property
    def plan(self) -> Pace:
        """The plan they are played by."""
        ...


@dataclass(frozen=True)
class DriverContext:
    """What a driver is given.

    Attributes:
        source: the source's name; goes into each :class:`~telemetry.model.batch.Group`.
        settings: the ``[[source]]`` table less the keys that belong to the program, already checked.
        clock: the run's clock.
        feed: for the replay driver only: the spans to play and the plan to play them by.
        capture: takes raw bytes as they come and go, from any thread; None where nobody wants them.

    """

    source: str
    settings: Settings
    clock: Clock
    feed: Feed | None = None
    capture: Callable[[CapturedPiece], None] | None = None

    @property
    def tap(self) -> Callable[[int, Direction, bytes], None] | None:
        """What a link calls with each piece: time, ``in`` or ``out``, bytes; None where nothing is captured."""
        capture = self.capture
        if capture is None:
            return None
        return lambda t, direction, data: capture(CapturedPiece(t, self.source, direction, data))


@dataclass(frozen=True, slots=True)
class Asleep:
    """The device sleeps by design: no alarm, and no polling that would keep it awake. ``why`` is one sentence."""

    why: str


@runtime_checkable
class Driver(Protocol):
    """See the module's docstring for what must hold.

    Attributes:
        kind: ``wired`` links are tried again after 0.25 to 1 s, ``radio`` after 0.25 to 5 s; ``plan`` is a source
            that plays to its end and is not tried again.
        silence_s: seconds without a batch after which an open link counts as failed; None for never.

    """

    kind: ClassVar[Literal["wired", "radio", "plan"]]
    silence_s: float | None

    async def open(self) -> None:
        """Open the link."""
        ...

    def readings(self) -> AsyncIterator[Batch | Asleep | Event]:
        """Yield what arrives, until the link breaks or the source ends.

        Events are only those recorded with a run that is played again.
        """
        ...

    async def close(self) -> None:
        """Release everything."""
        ...


class DriverClass(Protocol):
    """A driver before it is made for one opening: what the registry finds."""

    kind: ClassVar[Literal["wired", "radio", "plan"]]

    def __call__(self, context: DriverContext, /) -> Driver:
        """Return a driver for one opening."""
        ...


@runtime_checkable
class Declares(Protocol):
    """Declares its own keys of a ``[[source]]`` table as a dataclass."""

    table: ClassVar[type[Table]]


@runtime_checkable
class Discovers(Protocol):
    """Looks for devices in reach."""

    def discover(self) -> Awaitable[list[dict[str, Any]]]:
        """Return what is in reach as ready-made ``[[source]]`` settings; ``seems`` may say what a device seems to be.

        Raises:
            LinkUnavailable: it cannot look.

        """
        ...


@dataclass(frozen=True)
class Listening:
    """How to listen.

    Attributes:
        seconds: at each place and rate.
        only: places; all in reach where there are none.
        keep_s: how long to go on and keep the bytes of a serial port that speaks, s; 0 for not at all.

    """

    seconds: float
    only: Sequence[str] = ()
    keep_s: float = 0.0


@dataclass(frozen=True)
class Heard:
    """What speaks at a place where somebody listened.

    Attributes:
        place: the port, bus or device.
        speaks: what was heard, in words.
        settings: a ready-made ``[[source]]`` with its ``driver``; empty where none can be proposed.
        values: the latest values heard, by signal.
        kept: bytes that were kept, where that was asked for.

    """

    place: str
    speaks: str
    settings: Settings = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)
    kept: tuple[CapturedPiece, ...] = ()


@runtime_checkable
class Tries(Protocol):
    """Listens wherever its kind of link is in reach, sends nothing, and says what speaks there."""

    def tried(self, how: Listening, /) -> Awaitable[list[Heard]]:
        """Return what was heard.

        Raises:
            LinkUnavailable: it cannot listen at all.

        """
        ...


@runtime_checkable
class Asks(Protocol):
    """Can ask a silent device what it speaks, by reads that its standard declares harmless."""

    def asked(self, places: Sequence[str], /) -> Awaitable[list[Heard]]:
        """Return what answered at each of the places, which the owner named."""
        ...


@runtime_checkable
class Simulates(Protocol):
    """Can put a simulated machine behind a real link, for another process to watch and for the tests."""

    def peer(self, settings: Settings, /) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Return what serves the peer while it is open, and gives the settings that reach it.

        Args:
            settings: ``scenario``, ``seed``, ``rate_hz`` and ``fault`` of the simulated machine, each optional.

        Raises:
            LinkUnavailable: it cannot be opened on this computer.

        """
        ...


@runtime_checkable
class GivesExample(Protocol):
    """Plays a machine that is not there, and knows the machine file that fits it."""

    def example(self, settings: Settings, /) -> str:
        """Return the text of a machine file whose source is this driver's.

        Raises:
            InputError: there is no such machine.

        """
        ...


@runtime_checkable
class PlaysFeed(Protocol):
    """Plays what it is handed as ``context.feed``."""

    plays_feed: ClassVar[bool]


@runtime_checkable
class TellsPosition(Protocol):
    """Its raw bytes show where the machine was, so that they are left out where places are to stay private."""

    tells_position: ClassVar[bool]


@runtime_checkable
class Advises(Protocol):
    """Can say what is wrong with a device of which nothing can be read."""

    def advice(self) -> str:
        """Return what was heard and what to check; empty where nothing was, or where it is read."""
        ...


@runtime_checkable
class Maps(Protocol):
    """Reads by a map or catalogue of the owner's, which may name what the device never sends."""

    def mapped(self) -> Iterable[str]:
        """Return the signals that an open link must give sooner or later; none of those a frame may leave out."""
        ...

    def seen(self) -> str:
        """Return in a few words what came so far, read or not; empty where nothing did."""
        ...


@runtime_checkable
class ReadsLogs(Protocol):
    """Reads logs of its kind of link, decoded as a source of its own or of ``log_of`` says.

    ``reads_any_text``: lines of text may be such a log, whatever is in them; only the machine file can tell.
    """

    log_of: ClassVar[tuple[str, ...]]
    reads_any_text: ClassVar[bool]

    def is_log(self, path: Path, /) -> bool:
        """Return whether a file is such a log, by its name or its beginning."""
        ...

    def recording(self, path: Path, context: DriverContext, /) -> Recording:
        """Return the log as a recording; its groups are of ``context.source``, whose settings say how to decode.

        Raises:
            NothingReadable: nothing of it is read, with what was seen.
            InputError: the log, or what decodes it, cannot be read.

        """
        ...


@runtime_checkable
class WritesRaw(Protocol):
    """Writes raw bytes that were kept as a log of its own, whose name ends in ``raw_suffix``."""

    raw_suffix: ClassVar[str]

    def write_raw(self, pieces: Iterable[CapturedPiece], stream: TextIO, /) -> None:
        """Write the pieces."""
        ...


@runtime_checkable
class DecodesCaptures(Protocol):
    """Makes rows of the raw bytes that a capture kept of its link, as it would have made them live."""

    def decoded(self, context: DriverContext, pieces: Iterable[CapturedPiece], /) -> Iterator[Batch]:
        """Give the rows in the order of the pieces, all of them from one source.

        Raises:
            NothingReadable: nothing of them is read, with what was seen.
            InputError: what decodes them cannot be read.

        """
        ...


@runtime_checkable
class NamesFaults(Protocol):
    """Knows from its source's own description what the fault codes in its signals mean."""

    def fault_names(self, settings: Settings, /) -> Mapping[str, FaultNames]:
        """Return what the codes of each signal mean, by signal.

        Raises:
            InputError: the description cannot be read.

        """
        ...


@runtime_checkable
class Sends(Protocol):
    """Writes to its device, which the owner has to agree to."""

    def requests(self, settings: Settings, /) -> tuple[bytes, ...]:
        """Return all that a source sends."""
        ...


@runtime_checkable
class OnlyListens(Protocol):
    """Can be opened to see whether anything comes, for it sends nothing but what :class:`Sends` tells."""

    only_listens: ClassVar[bool]


@runtime_checkable
class ChecksCaptures(Protocol):
    """Shows what the owner's map makes of captured bytes, and proposes a map for bytes that nobody knows."""

    def check_capture(self, frame_map: Path, capture: Path, source: str | None = None, /) -> Iterator[str]:
        """Give it line by line; ``source`` names one of several in the capture.

        Raises:
            InputError: a problem of either file.

        """
        ...

    def guess_map(self, capture: Path, readings: Sequence[str], source: str | None = None, /) -> Iterator[str]:
        """Give the lines of a proposed map; ``readings`` as a person types what a meter showed meanwhile.

        Raises:
            InputError: a problem of the capture, or of a reading.

        """
        ...
