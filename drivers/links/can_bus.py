"""The CAN bus, by whatever interface python-can supports. The only file that imports python-can.

The bus is read by our own pump with short waits, and only read: nothing here sends a frame but :class:`SendingBus`,
which simulated devices use and no driver does. Where the interface can be opened so that it does not even
acknowledge, it is, unless the owner says otherwise.
"""

from __future__ import annotations

import importlib
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import Any, NamedTuple

from telemetry.model.clock import Clock
from telemetry.model.errors import LinkLost, LinkUnavailable
from telemetry.model.lean_imports import without

from ..decode.can_frames import EXTENDED, CanFrame
from .bounded_log import check_objects
from .can_settings import BusSettings
from .can_trouble import errors_explained, is_noise, why_lost, why_not
from .pump import READ_LIMIT_S

GATHER_S = 0.02
"""After the first frame others are waited for, as on a serial port: waking the reader for each costs much more."""
MOST_AT_ONCE = 2048
RECEIVE_BUFFER = 2**21
ERRORS_BEFORE_LOST = 50
"""So many error frames with no data frame between them: reading on will not help."""

UNREADABLE_BEFORE_LOST = 1000
"""So many pieces of noise with no frame between them: it is no line of such an adapter, or the port is closed."""

# How each interface of python-can 4.6 is told to listen only, as its constructor takes it. socketcan is not told
# by the program but by the system's own command; the others have no such mode or no way to ask for it.
_LISTEN_ONLY: dict[str, dict[str, Any]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "seeedstudio": {"operation_mode": "silent"},
}
_PASSIVE_STATE = ("pcan", "systec")


class CanRead(NamedTuple):
    """What one read gave; may be empty: then only time has passed.

    Attributes:
        frames: data frames in the order of arrival.
        errors: error frames among them.
        unreadable: pieces of noise on the adapter's line, and frames cut short by it.

    """

    frames: list[CanFrame]
    errors: int
    unreadable: int


def interfaces() -> list[str]:
    """Return the names of the interfaces that python-can knows here.

    Raises:
        LinkUnavailable: python-can is not installed.

    """
    try:
        return sorted(_library().interfaces.BACKENDS)
    except ImportError as error:
        raise LinkUnavailable(f"CAN needs the package python-can ({error}); run: pip install python-can") from error


def _library() -> Any:
    with without("asammdf"):  # python-can loads it where an extra of ours brought it: a second, and 70 MB
        import can
    return can


class CanLink:
    """An open bus; made by :func:`open_can`, used by one thread only."""

    def __init__(self, bus: Any, settings: BusSettings, clock: Clock) -> None:
        self._bus = bus
        self._settings = settings
        self._clock = clock
        self._errors_in_a_row = 0
        self._unreadable_in_a_row = 0
        self._unreadable = 0
        self._failure: LinkLost | None = None  # raised by the read after the one that gives what came before it
        self._last = 0

    def read(self) -> CanRead:
        """Return the frames that have arrived; empty after ``READ_LIMIT_S`` of nothing.

        Raises:
            LinkLost: the adapter is gone, the interface is down, or the bus gives nothing but errors.

        """
        if self._failure is not None:
            raise self._failure
        messages: list[Any] = []
        try:
            first = self._received(READ_LIMIT_S)
            if first is not None:
                messages.append(first)
                time.sleep(GATHER_S)
                while len(messages) < MOST_AT_ONCE and (message := self._received(0)) is not None:
                    messages.append(message)
        except Exception as error:
            # Adapters' drivers raise errors of their own, of any kind, when one is unplugged.
            self._failure = LinkLost(why_lost(self._settings.name, error))
            self._failure.__cause__ = error
            if not messages:
                raise self._failure from error
        return self._sorted_out(messages)

    def _received(self, seconds: float) -> Any:
        """Return a message or None; noise on an adapter's line, over which python-can trips, is passed over."""
        try:
            message = self._bus.recv(seconds)
        except Exception as error:
            self._unreadable += 1
            self._unreadable_in_a_row += 1
            if not is_noise(error) or self._unreadable_in_a_row > UNREADABLE_BEFORE_LOST:
                raise
            flush = getattr(self._bus, "flush", None)
            if flush is not None:
                flush()  # else it trips over the same bytes for ever
            return None
        if message is not None:
            self._unreadable_in_a_row = 0
        return message

    def close(self) -> None:
        """Close the bus, in whatever state it is."""
        with suppress(Exception):  # an adapter that has gone cannot be closed properly, and need not be
            self._bus.shutdown()
        port = getattr(self._bus, "serialPortOrig", None)
        if port is not None:  # python-can sends the adapter a farewell first and forgets its port where that fails
            with suppress(Exception):
                port.close()

    def _sorted_out(self, messages: list[Any]) -> CanRead:
        """Part data from errors; frames of one read are spaced as the adapter's times are, by at most the wait."""
        now = self._clock.now()
        newest = messages[-1].timestamp if messages else 0.0
        frames, errors = [], 0
        for message in messages:
            if message.is_error_frame:
                errors += 1
                self._errors_in_a_row += 1
                continue
            self._errors_in_a_row = 0
            if message.is_remote_frame or not message.is_rx:
                continue
            if len(message.data) != message.dlc:
                self._unreadable += 1
                continue
            ago = min(max(newest - message.timestamp, 0.0), GATHER_S)
            self._last = max(self._last, now - round(ago * 1e6))
            key = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
            frames.append(CanFrame(self._last, key, bytes(message.data)))
        if self._errors_in_a_row >= ERRORS_BEFORE_LOST:
            self._failure = LinkLost(errors_explained(self._settings, self._errors_in_a_row))
        unreadable, self._unreadable = self._unreadable, 0
        return CanRead(frames, errors, unreadable)


def open_can(settings: BusSettings, clock: Clock) -> CanLink:
    """Open a bus for reading; blocks for as long as that takes.

    Raises:
        LinkUnavailable: with the reason and the remedy.

    """
    bus = _open(settings)
    _make_room(bus)
    return CanLink(bus, settings, clock)


def _make_room(bus: Any) -> None:
    """Ask the system to hold more frames between two reads, where the bus is a socket.

    By default it holds a few hundred frames and then drops; it grants as much as it allows.
    """
    for holder in (bus, getattr(bus, "_multicast", None)):
        for name in ("socket", "_socket"):
            opened = getattr(holder, name, None)
            if isinstance(opened, socket.socket):
                with suppress(OSError):
                    opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)


def _open(settings: BusSettings) -> Any:
    known = interfaces()  # says so where python-can is missing
    can = _library()
    if settings.interface not in known:
        raise LinkUnavailable(f"there is no CAN interface {settings.name}; use one of {', '.join(known)}")
    arguments: dict[str, Any] = dict(settings.options or {})
    if settings.bit_rate is not None:
        arguments["bitrate"] = settings.bit_rate
    if settings.listen_only:
        arguments |= _LISTEN_ONLY.get(settings.interface, {})
        if settings.interface in _PASSIVE_STATE:
            arguments["state"] = can.BusState.PASSIVE
    try:
        # Without the settings of python-can's own files: what the machine file says is all that counts.
        return can.Bus(channel=settings.channel, interface=settings.interface, ignore_config=True, **arguments)
    except Exception as error:
        raise LinkUnavailable(why_not(settings, error)) from error


def listens_without_acknowledging(interface: str) -> bool:
    """Tell whether the program can have that interface listen without acknowledging what it hears."""
    return interface in _LISTEN_ONLY or interface in _PASSIVE_STATE


def buses_in_reach() -> list[dict[str, Any]]:
    """Return a source's settings for each CAN interface that can be found on this computer; blocks briefly."""
    try:
        can = _library()
    except ImportError:
        return []
    # Left out: those without hardware, those behind any serial port, and one that waits for the network.
    passed_over = ("virtual", "udp_multicast", "serial", "slcan", "robotell", "socketcand")
    ask = [name for name in interfaces() if name not in passed_over]
    found: list[Any] = []
    with suppress(Exception):  # an adapter's library that is half installed must not spoil the list
        found += can.detect_available_configs(ask, timeout=3.0)
    return [{"interface": str(config["interface"]), "channel": config["channel"]} for config in found]


def log_reader(suffix: str) -> Any:
    """Return python-can's reader of a log with that suffix.

    That of a BLF has a look at its objects; that of a TRC does not keep an odd line to itself.

    Raises:
        ImportError: python-can is not installed.

    """
    _library()
    from can.io import MESSAGE_READERS, BLFReader, TRCReader

    if suffix == ".mf4":
        return importlib.reload(importlib.import_module("can.io.mf4")).MF4Reader  # now with its library

    class BoundedBlf(BLFReader):
        def _parse_container(self, data: bytes) -> Iterator[Any]:
            whole, self._tail = self._tail + data, b""
            check_objects(whole)
            return super()._parse_container(whole)

    class StrictTrc(TRCReader):
        def _parse_line(self, line: str) -> Any:
            if not line or line.startswith(";"):  # the head goes to the end of the file
                return None
            return self._parse_cols(tuple(line.split(maxsplit=self._num_columns)))

    return {".blf": BoundedBlf, ".trc": StrictTrc}.get(suffix) or MESSAGE_READERS[suffix]


class SendingBus:
    """Sends frames as a simulated device. No driver may use it.

    Raises:
        LinkUnavailable: the interface cannot be opened.

    """

    def __init__(self, interface: str, channel: str, **options: Any) -> None:
        self._bus = _open(BusSettings(interface=interface, channel=channel, listen_only=False, options=options))

    def send(self, key: int, data: bytes) -> None:
        """Send one data frame; ``key`` as in :class:`~drivers.decode.can_frames.CanFrame`."""
        can = _library()
        extended = bool(key & EXTENDED)
        self._bus.send(can.Message(arbitration_id=key & ~EXTENDED, is_extended_id=extended, data=data))

    def close(self) -> None:
        """Close the bus."""
        self._bus.shutdown()
