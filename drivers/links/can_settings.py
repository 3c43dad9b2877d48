"""The keys of a ``[[source]]`` that say how to open a CAN bus."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from telemetry.driver import Settings
from telemetry.model.errors import printable

KEYS = ("interface", "channel", "bit_rate", "listen_only", "options")
"""The keys of a ``[[source]]`` that say how to open a bus."""


@dataclass(frozen=True, slots=True)
class BusSettings:
    """How to open a bus.

    Attributes:
        interface: a name of python-can's.
        channel: as the interface names it; None for its own default.
        bit_rate: bits a second; None where it is set elsewhere.
        listen_only: do not acknowledge, where the interface can be told.
        options: further arguments, passed to the interface as they are.

    """

    interface: str
    channel: str | int | None = None
    bit_rate: int | None = None
    listen_only: bool = True
    options: Mapping[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """What to call the bus to the user."""
        return printable(self.interface if self.channel is None else f"{self.interface} {self.channel}")


def bus_settings(settings: Settings) -> BusSettings:
    """Return the bus's part of a source's settings, found good by :func:`check_bus`."""
    return BusSettings(**{key: settings[key] for key in KEYS if key in settings})
