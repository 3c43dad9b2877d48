"""What a Bluetooth LE link is told and what it tells: plain data."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Present:
    """A characteristic of the open device.

    Attributes:
        handle: tells it from every other of the device.
        uuid: 128 bits, lower case.
        properties: what can be done with it: ``read``, ``notify``, ``indicate``, ``write``,
            ``write-without-response`` and others.

    """

    handle: int
    uuid: str
    properties: frozenset[str]

    @property
    def notifies(self) -> bool:
        """Whether it can be subscribed to."""
        return bool(self.properties & {"notify", "indicate"})

    @property
    def can_be_read(self) -> bool:
        """Whether it can be read."""
        return "read" in self.properties

    @property
    def writable(self) -> bool:
        """Whether it can be written."""
        return bool(self.properties & {"write", "write-without-response"})


@dataclass(frozen=True, slots=True)
class Notification:
    """One value that the device sent by itself, or that was read.

    Attributes:
        handle: of its characteristic.
        arrival: microseconds since the Unix epoch.
        data: the bytes.
        lost_before: notifications given up just before this one since the queue was full.

    """

    handle: int
    arrival: int
    data: bytes
    lost_before: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """A device heard while looking round.

    Attributes:
        address: as in :class:`BluetoothLeSettings`.
        name: as it came over the air: not to be shown as it is; None where it gives none.
        services: UUIDs that it gives out, lower case.
        signal_dbm: received signal strength.

    """

    address: str
    name: str | None
    services: tuple[str, ...]
    signal_dbm: int
