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

It **may** have, as class-level members

* ``check(settings)``: static; return the problems of its own keys in a ``[[source]]`` table, all at once;
* ``discover()``: static, async; return what is in reach as ready-made ``[[source]]`` settings;
* ``far_end(settings)``: static; an async context manager that puts a simulated machine behind a real link, for
  another process to watch, and gives the settings that reach it;
* ``path_keys``: which of its keys name files; relative ones are taken from the machine file's folder;
* ``log_suffixes``, ``log_of`` and ``recording(path, settings)`` (static): the driver reads files of those suffixes
  as a :class:`~telemetry.model.recording.Recording`, decoded by the settings of a source of its own or of the
  drivers named in ``log_of``;
* ``example(settings)``: static; return the text of a machine file that fits this driver's source.

Batches may bear times a little ahead of the clock (a device's own spacing, played out evenly); rows are held until
their time. Values need no cleaning: infinite and physically impossible ones become unknown, and are counted, for
every driver alike. Signs and scales are already ours: ``context.sign_of_current`` is applied by the program, not by
the driver.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Protocol, runtime_checkable

from telemetry.model.batch import Batch, Span
from telemetry.model.capture import CapturedPiece, Direction
from telemetry.model.clock import Clock
from telemetry.model.events import Event

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

        Where the speed changed or play was paused meanwhile, return the earlier time that play stands at: rows up
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
        """Let go of everything."""
        ...
