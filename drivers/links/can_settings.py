"""The keys of a ``[[source]]`` that say how to open a CAN bus, and which ``options`` an interface takes.

python-can passes every argument on to the interface, and some interfaces load the library that an argument names. A
machine file may come from a stranger, so each interface has its list; an interface that is not listed takes none. The
names are those of python-can 4.6.
"""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from telemetry.model.errors import LinkUnavailable, Problem, did_you_mean, printable
from telemetry.model.keys import BadValue, Key, Kind, described, setting
from telemetry.model.kinds import count, switch, text
from telemetry.model.tables import Rules, Table

from .ports import port_problem

ALLOWED: Mapping[str, tuple[str, ...]] = {
    "canalystii": ("device", "rx_queue_size"),
    "cantact": ("poll_interval",),
    "gs_usb": ("index", "bus", "address"),
    "iscan": ("poll_interval",),
    "ixxat": ("extended", "fd", "data_bitrate", "rx_fifo_size", "tx_fifo_size", "unique_hardware_id"),
    "kvaser": ("accept_virtual", "data_bitrate", "fd", "no_samp", "single_handle", "sjw", "tseg1", "tseg2"),
    "neousys": ("device",),
    "neovi": ("fd", "data_bitrate", "serial", "use_system_timestamp"),
    "nixnet": ("can_termination", "fd", "fd_bitrate", "poll_interval"),
    "pcan": ("auto_reset", "device_id", "fd"),
    "robotell": ("rtscts", "ttyBaudrate"),
    "seeedstudio": ("baudrate", "frame_type", "timeout"),
    "serial": ("baudrate", "rtscts", "timeout"),
    "slcan": ("rtscts", "sleep_after_open", "timeout", "tty_baudrate"),
    "socketcan": ("fd", "ignore_rx_error_frames"),
    "socketcand": ("host", "port", "tcp_tune"),
    "systec": ("device_number", "rx_buffer_entries"),
    "udp_multicast": ("fd", "hop_limit", "port"),
    "vector": ("app_name", "data_bitrate", "fd", "poll_interval", "rx_queue_size", "serial"),
    "virtual": ("rx_queue_size",),
}

SERIAL = frozenset({"robotell", "seeedstudio", "serial", "slcan"})
"""Interfaces that open their channel as a serial port."""

_OWN_KEY = {"interface": "interface", "channel": "channel", "bitrate": "bit_rate", "listen_only": "listen_only"}
_LONGEST = 100


class Channel(Kind):
    """A bus by name or number, as its interface counts."""

    def takes(self, key: Key) -> str:
        return "a name or a number"

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, bool) or not isinstance(value, str | int):
            raise BadValue("is neither a name nor a number", 'write channel = "can0", say')
        return value

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": ["string", "integer"]}


class Options(Kind):
    """Further settings, as they are."""

    words = "a table of those [on the interface's list](security.md)"
    json: ClassVar[Mapping[str, Any]] = {"type": "object"}

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, Mapping):
            raise BadValue(
                f"is {described(value)} where a table belongs", "write options = { tty_baudrate = 2000000 }, say"
            )
        return value


def _interface(s: BusSettings) -> Iterator[Problem]:
    from .can_bus import interfaces

    try:
        known = interfaces()
    except LinkUnavailable as error:
        what, _, right = str(error).rpartition("; ")
        yield Problem("interface", what, right)
    else:
        if s.interface not in known:
            near = did_you_mean(s.interface, known) or f", of {', '.join(known)}"
            yield Problem("interface", f"{printable(s.interface)} is not known", f"use one that python-can has{near}")


def _channel(s: BusSettings) -> Iterator[Problem]:
    if isinstance(s.channel, str) and s.interface in SERIAL:
        device = s.channel.partition("@")[0] if s.interface == "slcan" else s.channel  # slcan takes DEVICE@BAUD
        wrong = port_problem(device, "channel")
        if wrong is not None:
            yield wrong


def _options(s: BusSettings) -> Iterator[Problem]:
    allowed = ALLOWED.get(s.interface, ())
    for name, value in (s.options or {}).items():
        where = f"options.{printable(name)}"
        if name in _OWN_KEY:
            yield Problem(where, "has a key of its own", f"write {_OWN_KEY[name]} beside options")
        elif name not in allowed:
            known = f"use {', '.join(allowed)}" if allowed else "leave options out"
            yield Problem(where, f"is not an option of {printable(s.interface)}", known + did_you_mean(name, allowed))
        elif not isinstance(value, bool | int | float | str) or len(str(value)) > _LONGEST:
            yield Problem(where, "is neither a number, true, false nor a short text", "write one of these")


@dataclass(frozen=True, kw_only=True)
class BusSettings(Table):
    """How to open a bus."""

    rules: ClassVar[Rules] = (_interface, _channel, _options)
    interface: str = text(
        "the adapter's kind, by python-can's name",
        "`socketcan` on Linux, `slcan` for a serial adapter, or your adapter's",
        "socketcan",
        required=True,
    )
    channel: str | int | None = setting(
        Channel(), "the bus, as the interface counts; else its own", "`ip link`; the adapter's port", "can0"
    )
    bit_rate: int | None = count(
        5_000,
        1_000_000,
        "bits a second; not used by `socketcan`, where the system's command sets it",
        "the device's sheet; 250000 or 500000 on most machines",
        250_000,
    )
    listen_only: bool = switch(
        "do not even acknowledge, where the adapter can", "see below", example=False, default=True
    )
    options: Mapping[str, Any] | None = setting(
        Options(), "further settings of the interface", "the adapter's manual", {"tty_baudrate": 2000000}
    )

    @property
    def name(self) -> str:
        """What to call the bus to the user."""
        return printable(self.interface if self.channel is None else f"{self.interface} {self.channel}")
