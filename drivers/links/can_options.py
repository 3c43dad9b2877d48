"""Which ``options`` a CAN interface takes from a machine file.

python-can passes every argument on to the interface, and some interfaces load the library that an argument names. A
machine file may come from a stranger, so each interface has its list; an interface that is not listed takes none. The
names are those of python-can 4.6.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from telemetry.model.errors import Problem, did_you_mean, printable

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


def option_problems(interface: object, options: Mapping[str, Any]) -> Iterator[Problem]:
    """Give what is wrong with a source's ``options``."""
    allowed = ALLOWED.get(interface, ()) if isinstance(interface, str) else ()
    for name, value in options.items():
        where = f"options.{printable(name)}"
        if name in _OWN_KEY:
            yield Problem(where, "has a key of its own", f"write {_OWN_KEY[name]} beside options")
        elif name not in allowed:
            known = f"use {', '.join(allowed)}" if allowed else "leave options out"
            yield Problem(where, f"is not an option of {printable(interface)}", known + did_you_mean(name, allowed))
        elif not isinstance(value, bool | int | float | str) or len(str(value)) > _LONGEST:
            yield Problem(where, "is neither a number, true, false nor a short text", "write one of these")
