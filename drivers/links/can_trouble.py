"""What is said when a CAN bus does not open, breaks off, or gives errors only: one sentence, with the remedy."""

from __future__ import annotations

import errno
import re
import sys

from telemetry.model.errors import printable

from .can_settings import BusSettings


def errors_explained(settings: BusSettings, count: int) -> str:
    """Return one sentence on why a bus gives error frames only."""
    rate = "the bit rate set for it" if settings.bit_rate is None else f"bit_rate = {settings.bit_rate}"
    return (
        f"{settings.name} gave {count} error frames in a row and no message; {rate} is probably not that of the bus "
        f"(250000 for RV-C and NMEA 2000), or CAN high and low are swapped, or the 120 ohm terminators are missing"
    )


def said_by(error: BaseException) -> str:
    """Return what an error says, or its name where it says nothing, as one harmless line."""
    return printable(" ".join(str(error).split()) or type(error).__name__, 160)


def _number(error: BaseException | None) -> int | None:
    """Return the operating system's number for an error, which python-can may have wrapped."""
    in_text = re.search(r"\((\d+), '", str(error))  # pyserial keeps some only there: (25, '...')
    for _ in range(4):
        if error is None:
            break
        number = getattr(error, "errno", None) or getattr(error, "error_code", None)
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return int(in_text[1]) if in_text else None


def is_noise(error: BaseException | None) -> bool:
    """Tell whether what arrived could not be read as a frame; an error of the port itself is none."""
    noise = False
    while error is not None:
        if isinstance(error, OSError):
            return False
        noise = noise or isinstance(error, ValueError | IndexError)
        error = error.__cause__ or error.__context__
    return noise


def why_not(settings: BusSettings, error: Exception) -> str:
    """Return one sentence on why the bus cannot be opened, with the remedy."""
    name, number, said = settings.name, _number(error), said_by(error)
    channel = printable(settings.channel)
    if isinstance(error, TypeError) and settings.channel is None:
        return f"{name} cannot be opened without a channel; name the adapter's port or number as channel"
    if isinstance(error, TypeError | ValueError):
        return f"{name} does not take these settings ({said}); check channel, bit_rate and options"
    known = _BY_NUMBER.get(0 if number is None else number)
    if settings.interface == "socketcan":
        if number == errno.ENODEV:
            return f"there is no CAN interface {channel}; plug the adapter in, and list those in reach: ip link"
        if number == errno.ENETDOWN:
            return f"{name} is down; {_up(settings)}"
        if number == errno.EAFNOSUPPORT:
            return "this system's kernel has no CAN sockets; load them: sudo modprobe can_raw, or use another adapter"
    if settings.interface == "udp_multicast":
        return f"{name} cannot be opened ({said}); the channel is a multicast address such as 239.74.163.2"
    if known is not None:
        return known.format(name=name, channel=channel)
    if _is_missing(error, said):
        return f"{name} needs a package or driver that is not here ({said}); install what the adapter's maker names"
    return f"{name} cannot be opened ({said}); check that the adapter is plugged in and its driver installed"


_RIGHT = (
    "close the program that uses it"
    if sys.platform == "win32"
    else "join its group (sudo usermod -a -G dialout $USER), then log out and in again"
)
_BY_NUMBER = {
    errno.ENOENT: "there is no port {channel}; plug the adapter in, or name another channel",
    errno.EACCES: f"you have no right to open {{name}}; {_RIGHT}",
    errno.EPERM: f"you have no right to open {{name}}; {_RIGHT}",
    errno.EBUSY: "{name} is in use by another program; close that program",
    errno.ENOTTY: "{channel} is not a serial device; name the adapter's port as channel",
}


def _is_missing(error: Exception, said: str) -> bool:
    """Tell whether what drives the adapter is not installed; some interfaces of python-can then trip over a name."""
    hints = ("not installed", "import module", "library not found", "not found: ")
    return isinstance(error, ImportError | NotImplementedError | NameError) or any(hint in said for hint in hints)


def why_lost(name: str, error: Exception) -> str:
    """Return one sentence on why an open bus broke off."""
    if _number(error) == errno.ENETDOWN:
        return f"{name} went down; bring it up again: ip link set up, or plug the adapter in anew"
    return f"{name} broke off ({said_by(error)}); check the adapter's plug and its power"


def _up(settings: BusSettings) -> str:
    """Return the command that brings a Linux CAN interface up as it should be."""
    rate = settings.bit_rate or 250000
    listen = " listen-only on" if settings.listen_only else ""
    channel = printable(settings.channel)
    return f"bring it up: sudo ip link set {channel} up type can bitrate {rate}{listen}"
