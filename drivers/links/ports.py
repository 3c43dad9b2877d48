"""Which ports a machine file may name: a device, or one of three network forms.

pyserial opens more URLs than these, and some of them write to files (``spy://...?file=...``). A machine file may come
from a stranger, so only what a link needs is let through, and it is looked at before pyserial sees it.
"""

from __future__ import annotations

import re

from telemetry.model.errors import Problem, printable

_NETWORK = re.compile(
    r"(?:socket|rfc2217)://(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\]):[0-9]{1,5}/?"
    r"|rfc2217://(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\]):[0-9]{1,5}/?\?(?:ign_set_control|poll_modem)"
    r"|loop://"
)
_REMEDY = (
    'write a device such as "/dev/ttyUSB0" or "COM4", or socket://HOST:PORT, rfc2217://HOST:PORT or loop://, '
    "without anything behind it"
)


def is_network_port(port: str) -> bool:
    """Tell whether ``port`` is a URL, right or wrong, and not the name of a device."""
    return "://" in port


def port_problem(port: str, key: str = "port") -> Problem | None:
    """Return what is wrong with a port's name, None where it is a device or an allowed network form."""
    if is_network_port(port):
        return None if _NETWORK.fullmatch(port) else Problem(key, f"{printable(port)} is not allowed", _REMEDY)
    on_another_computer = port.replace("/", "\\").startswith("\\\\") and not port.startswith("\\\\.\\")
    if on_another_computer or not port.isprintable():
        return Problem(key, f"{printable(port)} is not the name of a device on this computer", _REMEDY)
    return None
