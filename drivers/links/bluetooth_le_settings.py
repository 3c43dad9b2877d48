"""What a ``[[source]]`` of the Bluetooth LE driver states: which device to open, and how it is read."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

from telemetry.model.errors import Problem, printable
from telemetry.model.keys import BadValue, Key, described, setting
from telemetry.model.kinds import Text, number, text
from telemetry.model.tables import Rules, Table

from ..decode.bluetooth_characteristics import full_uuid
from ..decode.frame_layout import FrameMap
from ..decode.frame_map import FrameMapKind

LONGEST_SCAN_S = 12.0
"""A longer look round leaves no time to connect."""
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE | re.ASCII)
_SHORT_UUID = re.compile(r"(0x)?[0-9a-f]{4}", re.IGNORECASE | re.ASCII)
_ADDRESS = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}", re.IGNORECASE | re.ASCII)


def uuid_of(text: Any) -> str | None:
    """Return the 128-bit UUID, in lower case, that ``text`` states in its short or long form; None if it is none."""
    if not isinstance(text, str):
        return None
    if _SHORT_UUID.fullmatch(text):
        return full_uuid(int(text[-4:], 16))
    return text.lower() if _UUID.fullmatch(text) else None


class Uuid(Text):
    """A UUID in its short or long form; the attribute has all 128 bits, in lower case."""

    words = 'four hexadecimal digits, such as "180F", or the long form'

    def read(self, key: Key, value: object) -> Any:
        """Return the UUID; BadValue where it is none."""
        found = uuid_of(value)
        if found is None:
            raise BadValue("is no UUID", f"write {key.takes}")
        return found


class GivenName(Text):
    """A name as a device gives it out, whatever that is."""

    def read(self, key: Key, value: object) -> Any:
        """Return the name, letter for letter; BadValue where it is none."""
        if not isinstance(value, str) or not value:
            raise BadValue(f"is {described(value)} where a name belongs", f"write {key.takes}")
        return value


class Address(Text):
    """A Bluetooth address, or the UUID that stands for one on macOS."""

    words = 'an address such as "C0:01:02:03:04:05"; on macOS, which hides them, a UUID'

    def read(self, key: Key, value: object) -> Any:
        """Return the address; BadValue where it is none."""
        if not isinstance(value, str) or not (_ADDRESS.fullmatch(value) or _UUID.fullmatch(value)):
            raise BadValue("is no Bluetooth address", f"write {key.takes}")
        return value


def _one_of(s: BluetoothLeSettings) -> Iterator[Problem]:
    given = [key for key in ("address", "name", "service") if key in s.stated]
    if len(given) != 1:
        what = "is missing" if not given else f"and {' and '.join(given[1:])} are both given"
        yield Problem(given[0] if given else "address", what, "give one of address, name, service")


def _with_a_map(s: BluetoothLeSettings) -> Iterator[Problem]:
    if "map" not in s.stated:
        for key in sorted(s.stated.keys() & {"notify", "write"}):
            yield Problem(key, "is for a frame map", "give map, or leave it out")
        return
    if "interval_s" in s.stated:
        yield Problem("interval_s", "is for reading without a map", "state it in the map under [poll]")
    if "notify" not in s.stated:
        right = "write the UUID of the characteristic that sends; opened without a map, the device's are told"
        yield Problem("notify", "is missing", right)
    if "write" not in s.stated and s.map is not None and s.map.requests:
        right = "write the UUID of the characteristic that takes the map's requests"
        yield Problem("write", "is missing", right)


def _often_enough(s: BluetoothLeSettings) -> Iterator[Problem]:
    if "interval_s" in s.stated and s.interval_s >= s.silence_s:
        yield Problem("interval_s", "is not shorter than silence_s", "read more often, or allow more silence")


_IN_REACH = "`shakedown sources` lists those heard"
_OPENED = "opened without a map, the device's are told"


@dataclass(frozen=True, kw_only=True)
class BluetoothLeSettings(Table):
    """What a ``[[source]]`` of this driver states."""

    rules: ClassVar[Rules] = (_one_of, _with_a_map, _often_enough)
    address: str | None = setting(Address(), "its Bluetooth address", _IN_REACH, "C0:00:5E:00:53:02")
    name: str | None = setting(
        GivenName(),
        "the name that it gives out, letter for letter; names may be shared, and anyone can give out any name",
        _IN_REACH,
        "my pack",
    )
    service: str | None = setting(
        Uuid(), "a service that it gives out; the first device that is heard is taken", _IN_REACH, "180F"
    )
    map: FrameMap | None = setting(
        FrameMapKind(),
        "a frame map, for a device without the standard ones",
        "[frame maps](frame-map.md)",
        "pack.toml",
    )
    notify: str | None = setting(Uuid(), "with a map: the characteristic that sends", _OPENED, "FFE1")
    write: str | None = setting(Uuid(), "with a map that has requests: the one that takes them", _OPENED, "FFE2")
    adapter: str | None = text(
        "the computer's adapter (Linux); else the first that is on", "`bluetoothctl list`", "hci1"
    )
    scan_s: float = number(
        *(0.1, LONGEST_SCAN_S, "how long to look for the device each time"),
        *("how often the device lets itself be heard", 6.0),
        default=6.0,
    )
    silence_s: float = number(
        *(0.1, 3600, "seconds without a value after which the link counts as failed and is opened anew"),
        *("how often the device sends", 10.0),
        default=10.0,
    )
    interval_s: float = number(
        *(0.02, 3600, "how often a standard characteristic is read that does not send by itself"),
        *("how often you want values; shorter than silence_s", 1.0),
        default=1.0,
    )
    system_bus: str | None = text(
        "D-Bus address of the bus that the Bluetooth service is on (Linux): for a simulated pack, or in a container",
        "`simulate` prints it",
        "unix:path=/run/dbus/system_bus_socket",
        longest=200,
    )

    def __str__(self) -> str:
        if self.address is not None:
            return f"Bluetooth device {printable(self.address)}"
        if self.name is not None:
            return f"Bluetooth device named {printable(self.name)}"
        return f"Bluetooth device with service {printable(self.service)}"
