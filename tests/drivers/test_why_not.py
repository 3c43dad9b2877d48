"""Why a port or a bus does not open, as one sentence with its remedy: for errors that the libraries really raise."""

from __future__ import annotations

import errno
import os
from typing import Any

import can
import pytest
import serial

from drivers.links.can_settings import BusSettings
from drivers.links.can_trouble import errors_explained, is_noise, why_lost, why_not
from drivers.links.serial_port import reason
from drivers.links.serial_port import why_not as why_no_port
from telemetry.model.tables import settings_of


def bus(**keys: Any) -> BusSettings:
    return settings_of(BusSettings, keys)


SOCKET = bus(interface="socketcan", channel="can0")
ADAPTER = bus(interface="slcan", channel="/dev/ttyACM0", bit_rate=250000)


def system(number: int) -> OSError:
    return OSError(number, os.strerror(number))


def wrapped(number: int) -> can.CanError:
    """As python-can hands on what the system said."""
    try:
        try:
            raise system(number)
        except OSError as error:
            raise can.CanInitializationError("could not open") from error
    except can.CanError as error:
        return error


@pytest.mark.parametrize(
    ("settings", "error", "says"),
    [
        (bus(interface="slcan"), TypeError("channel"), "cannot be opened without a channel"),
        (ADAPTER, ValueError("bitrate"), r"does not take these settings \(bitrate\); check channel"),
        (SOCKET, system(errno.ENODEV), "there is no CAN interface can0; plug the adapter in, and list those"),
        (SOCKET, wrapped(errno.ENODEV), "there is no CAN interface can0"),
        (SOCKET, system(errno.ENETDOWN), "up type can bitrate 250000 listen-only on"),
        (SOCKET, system(errno.EAFNOSUPPORT), "kernel has no CAN sockets; load them: sudo modprobe can_raw"),
        (SOCKET, system(errno.EACCES), "you have no right to open"),
        (bus(interface="udp_multicast", channel="x"), system(errno.EINVAL), "a multicast address such as"),
        (ADAPTER, wrapped(errno.ENOENT), "there is no port /dev/ttyACM0; plug the adapter in"),
        (ADAPTER, can.CanInitializationError("no", errno.EBUSY), "in use by another program; close that program"),
        (ADAPTER, wrapped(errno.EACCES), "you have no right to open .*usermod"),
        (ADAPTER, serial.SerialException("(25, 'Inappropriate ioctl')"), "is not a serial device"),
        (ADAPTER, ImportError("No module named x"), "needs a package or driver that is not here"),
        (ADAPTER, can.CanInitializationError("libx.so library not found"), "needs a package or driver"),
        (
            ADAPTER,
            can.CanInitializationError("odd"),
            r"cannot be opened \(odd\); check that the adapter is plugged in",
        ),
        (ADAPTER, can.CanInitializationError(""), r"cannot be opened \(CanInitializationError\)"),
    ],
)
def test_a_bus_that_does_not_open(settings: BusSettings, error: Exception, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        raise ValueError(why_not(settings, error))


def test_a_bus_that_breaks_off_or_gives_errors_only() -> None:
    assert "went down; bring it up again" in why_lost("can0", wrapped(errno.ENETDOWN))
    assert "broke off (No such device" in why_lost("can0", can.CanOperationError("No such device"))
    assert "bit_rate = 250000 is probably not" in errors_explained(ADAPTER, 50)
    assert "the bit rate set for it is probably not" in errors_explained(SOCKET, 50)


def test_noise_is_what_could_not_be_read_and_no_error_of_the_port() -> None:
    assert is_noise(ValueError("invalid literal for int() with base 16: 'x'"))
    assert is_noise(IndexError())
    assert not is_noise(wrapped(errno.EIO))
    assert not is_noise(None)
    assert not is_noise(can.CanOperationError("x"))


@pytest.mark.parametrize(
    ("port", "error", "says"),
    [
        ("socket://pack:4000", system(errno.ECONNREFUSED), r"cannot be reached \(Connection refused\)"),
        ("/dev/ttyUSB9", system(errno.ENOENT), "there is no port /dev/ttyUSB9; "),
        ("/dev/ttyUSB0", system(errno.EBUSY), "in use by another program, or by another"),
        ("/dev/ttyUSB0", serial.SerialException("could not exclusively lock port: [Errno 11]"), "in use by another"),
        ("/dev/null", system(errno.EACCES), r"join its group \(sudo usermod -a -G dialout \$USER\)"),
        ("/dev/ttyS1", system(errno.EIO), "exists but no device answers behind it; plug it in again"),
        ("/dev/ttyUSB0", system(errno.EINVAL), "does not take these settings; try another baud_rate"),
        ("/etc", system(errno.EISDIR), "is not a serial device; "),
        ("/dev/null", serial.SerialException(25, "Could not configure port"), "is not a serial device; "),
        ("/dev/null", serial.SerialException("odd"), r"cannot be opened \(odd\); "),
    ],
)
def test_a_port_that_does_not_open(port: str, error: Exception, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        raise ValueError(why_no_port(port, error))


def test_what_the_system_said_goes_before_what_a_library_says() -> None:
    assert reason(system(errno.EIO)) == os.strerror(errno.EIO)
    written = serial.SerialException("write failed")
    written.__context__ = system(errno.ENXIO)
    assert reason(written) == os.strerror(errno.ENXIO)
    assert reason(serial.SerialException("device reports readiness to read but returned no data")) == (
        "the device is gone"
    )
    assert reason(serial.SerialException()) == "SerialException"
