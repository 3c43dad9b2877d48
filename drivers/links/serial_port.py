"""The serial port, and the network forms that pyserial opens by URL. The only file that imports pyserial.

A port is a device name (``/dev/ttyUSB0``, ``COM4``) or a URL (``socket://radio.local:4000``, ``rfc2217://...``,
``loop://``); :mod:`.ports` refuses all others. Every failure to open becomes :class:`LinkUnavailable` with the
remedy; every later failure :class:`LinkLost`: an unplugged adapter shows itself by many different errors, and none
of them can be mended by reading on.

Opening must not restart a board unless asked, so both control lines are put low by default. What the program can do
about that is limited: on Linux and macOS the kernel raises both lines itself in the moment of opening, and they
are lowered a moment later.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from telemetry.model.errors import LinkLost, LinkUnavailable, printable
from telemetry.model.keys import BadValue, Key, setting
from telemetry.model.kinds import Text, choice, count, switch
from telemetry.model.tables import Table

from .ports import is_network_port, port_problem
from .pump import READ_LIMIT_S

_SAID = 8  # ports that are listed


Parity = Literal["none", "even", "odd", "mark", "space"]
PARITIES: dict[str, str] = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
STOP_BITS = (1, 1.5, 2)
MOST_AT_ONCE = 65536
WRITE_LIMIT_S = 0.25
"""How long sending one request may last at the most: a link that takes nothing for so long is broken."""
WOKEN_LIMIT_S = 0.5
"""How long a read lasts at the most that is woken where there is something to send, and at the end."""
GATHER_S = 0.02
"""After the first byte the rest of its line is waited for: a read for every few bytes costs five times as much."""


class Port(Text):
    """The name of a port; see :mod:`.ports` for what may be one."""

    words = "a device, or socket://HOST:PORT, rfc2217://HOST:PORT, loop://"

    def read(self, key: Key, value: object) -> Any:  # noqa: D102 - as for every kind
        port = Text.read(self, key, value)
        if (wrong := port_problem(port)) is not None:
            raise BadValue(wrong.what, wrong.right)
        return port


@dataclass(frozen=True, kw_only=True)
class PortSettings(Table):
    """The keys of a ``[[source]]`` that say how a port is opened."""

    port: str = setting(
        Port(200),
        "the port; on Linux a name under `/dev/serial/by-id` stays the same whichever socket you use",
        "`shakedown sources` lists those in reach",
        "/dev/ttyUSB0",
        required=True,
    )
    baud_rate: int = count(
        50,
        12_000_000,
        "bits a second; if every line is noise, this is wrong",
        "the device's sheet",
        9600,
        default=115200,
    )
    parity: Parity = choice(PARITIES, "parity bit of each byte", "the device's sheet", "even", default="none")
    stop_bits: float = choice(STOP_BITS, "stop bits of each byte", "the device's sheet", 2, default=1)
    dtr: bool = switch(
        "state of the data-terminal-ready line; many boards restart when it rises",
        "see below",
        example=True,
        default=False,
    )
    rts: bool = switch("state of the request-to-send line", "see below", example=True, default=False)


class SerialLink:
    """An open port; made by :func:`open_serial`, used by one thread only."""

    def __init__(self, port: Any, name: str, gather_s: float = GATHER_S) -> None:
        self._port = port
        self._name = name
        self._gather_s = gather_s
        self._closing = threading.Lock()
        self._is_closed = False
        self._socket = getattr(port, "_socket", None)
        self._file: int | None = getattr(port, "fd", None)  # of a device on POSIX, opened not to block

    def read(self) -> bytes | None:
        """Return the bytes that have arrived, or None after some time of nothing.

        Raises:
            LinkLost: the device is gone or the device has closed.

        """
        try:
            first: bytes = self._port.read(1)
            if not first:
                return None
            time.sleep(self._gather_s)
            return first + self._rest()
        except Exception as error:
            # Not OSError alone: an adapter that vanishes shows itself as termios.error, TypeError or ValueError too.
            raise LinkLost(f"{self._name} broke off ({reason(error)}); check its plug and its power") from error

    def write(self, data: bytes) -> None:
        """Send all of ``data``.

        Raises:
            LinkLost: the device is gone, or takes nothing for :data:`WRITE_LIMIT_S`.

        """
        try:
            self._port.write(data)
        except Exception as error:  # as many kinds as for reading
            raise LinkLost(
                f"{self._name} takes no request ({reason(error)}); check its plug and its power"
            ) from error

    def wake(self) -> None:
        """Have a read that is under way return at once; where the port cannot, it does after :data:`READ_LIMIT_S`."""
        with self._closing, suppress(Exception):
            # Not once it is closed: the number of the pipe behind it may by then be another file's.
            if not self._is_closed:
                self._port.cancel_read()

    def close(self) -> None:
        """Close the port, in whatever state it is."""
        with self._closing:
            self._is_closed = True
        with suppress(Exception):  # a device that has gone cannot be closed properly, and need not be
            self._port.close()
        if self._socket is not None:
            self._socket.close()  # pyserial forgets its socket unclosed where the other side closed first

    def _rest(self) -> bytes:
        """Return what else waits, without waiting for more."""
        if self._file is not None:
            try:
                return os.read(self._file, MOST_AT_ONCE)
            except BlockingIOError:
                return b""
        if self._socket is None:
            return bytes(self._port.read(waiting)) if (waiting := self._port.in_waiting) else b""
        # For a socket pyserial tells only whether anything waits, and would wait for the whole of a longer read.
        self._port.timeout = 0
        try:
            return bytes(self._port.read(MOST_AT_ONCE))
        finally:
            self._port.timeout = READ_LIMIT_S


def open_serial(settings: PortSettings, gather_s: float = GATHER_S) -> SerialLink:
    """Open a port; blocks for as long as that takes.

    Args:
        settings: which, and how.
        gather_s: seconds to wait after the first byte for those that follow.

    Raises:
        LinkUnavailable: with the reason and the remedy.

    """
    import serial

    name = printable(settings.port)
    if (wrong := port_problem(settings.port)) is not None:
        raise LinkUnavailable(f"{wrong.what}; {wrong.right}")
    port: Any = None
    try:
        port = serial.serial_for_url(settings.port, do_not_open=True)
        port.baudrate = settings.baud_rate
        port.parity = PARITIES[settings.parity]
        port.stopbits = settings.stop_bits
        port.timeout = WOKEN_LIMIT_S if hasattr(port, "cancel_read") else READ_LIMIT_S
        port.write_timeout = WRITE_LIMIT_S
        port.exclusive = True
        port.dtr = settings.dtr
        port.rts = settings.rts
        if os.name == "posix" and isinstance(port, serial.Serial):
            _open_native(port, settings.dtr)
        else:
            port.open()
    except Exception as error:
        if port is not None and port.is_open:
            port.close()
        raise LinkUnavailable(why_not(settings.port, error)) from error
    return SerialLink(port, name, gather_s)


def _open_native(port: Any, dtr: bool) -> None:
    """Open a POSIX device file so that RTS falls before DTR, and leave both as they are when the port is closed.

    Common practice, from memory: the usual two-transistor circuit holds a board in reset while RTS is up and DTR is
    down, and pyserial lowers DTR first; in the other order that state never occurs. Hang-up on closing is turned
    off, so that a line which is up stays up, and the next opening makes no edge.
    """
    import termios

    port.dsrdtr = True  # keeps pyserial from touching DTR while it opens; no other effect on POSIX
    port.open()
    port.dsrdtr = False
    try:
        port.dtr = dtr
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTTY):  # a pseudo-terminal has no control lines
            raise
    attributes = termios.tcgetattr(port.fd)
    attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(port.fd, termios.TCSANOW, attributes)


def serial_ports() -> list[tuple[str, str]]:
    """Return the serial ports of this computer as (device name, description), USB adapters first; blocks briefly."""
    from serial.tools import list_ports

    found = [(str(p.device), str(p.description or ""), p.vid is None) for p in list_ports.comports()]
    return [(device, description) for device, description, _ in sorted(found, key=lambda p: (p[2], p[0]))]


def reason(error: BaseException) -> str:
    """Return what the operating system or pyserial said, as one harmless line."""
    for cause in (error, error.__context__):
        said = getattr(cause, "strerror", None)
        if said:
            return printable(said, 120)
    said = str(error.args[-1]) if error.args else type(error).__name__
    return "the device is gone" if said.startswith("device reports readiness") else printable(said, 120)


def why_not(port: str, error: BaseException) -> str:
    """Return one sentence on why ``port`` cannot be opened, with the remedy."""
    name, number, said = printable(port), _error_number(error), str(error)
    if is_network_port(port):
        return f"{name} cannot be reached ({reason(error)}); check its address and that the device is switched on"
    if number == errno.ENOENT or "FileNotFoundError" in said:
        return f"there is no port {name}; {_those_that_exist()}"
    if number in (errno.EBUSY, errno.EAGAIN) or "lock port" in said:
        return (
            f"{name} is in use by another program, or by another [[source]] here; close that program (a board's "
            "serial monitor, perhaps), or keep one [[source]] a port"
        )
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in said:
        return _no_permission(port, name)
    if number in (errno.ENXIO, errno.ENODEV, errno.EIO):
        return f"{name} exists but no device answers behind it; plug it in again, or name another port"
    if number == errno.EINVAL:
        return f"{name} does not take these settings; try another baud_rate, parity or stop_bits"
    if number in (errno.ENOTTY, errno.EISDIR, errno.ENOTDIR):
        return f"{name} is not a serial device; {_those_that_exist()}"
    return f"{name} cannot be opened ({reason(error)}); {_those_that_exist()}"


def _error_number(error: BaseException) -> int | None:
    """Return the operating system's number for ``error``; pyserial keeps some only in the text: ``(25, '...')``."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    for part in (*error.args, getattr(error, "__context__", None)):
        if isinstance(part, int):
            return part
        if isinstance(part, BaseException) and part.args and isinstance(part.args[0], int):
            return part.args[0]
    return None


def _those_that_exist() -> str:
    names = [printable(device) for device, _ in serial_ports()]
    if not names:
        return "no serial port is in reach, so plug the device in"
    return f"ports in reach: {', '.join(names[:_SAID])}" + (
        f" and {len(names) - _SAID} more" if len(names) > _SAID else ""
    )


def _no_permission(port: str, name: str) -> str:
    if sys.platform == "win32":
        return f"{name} is in use by another program; close that program (a board's serial monitor, perhaps)"
    command = f"sudo usermod -a -G {_group_of(port)} $USER"
    return f"you have no right to open {name}; join its group ({command}), then log out and in again"


def _group_of(port: str) -> str:
    """Return the group that owns the device: dialout on many systems, uucp on others."""
    try:
        group = Path(port).group()
    except (OSError, KeyError):
        return "dialout"
    return "dialout" if group == "root" else printable(group)
