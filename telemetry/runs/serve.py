"""The screen of a run in a browser: each page follows the recording in a process of its own and cannot touch it."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from telemetry.model.errors import InputError, printable
from telemetry.runs.program import PROGRAM

LOOPBACK = ("127.0.0.1", "localhost", "::1")
_LAST_PORT = 65_535
_NEEDS = "--serve needs the package textual-serve; install it with pip install 'shakedown[serve]'"
_OPEN = (
    "warning: anyone who reaches {host} on this network sees the drive, with its position. Nothing is encrypted and "
    "nobody is asked for a password"
)


def serve(address: str, store: Path | None) -> int:
    """Serve the run that is recorded until ctrl-c; return the exit status.

    Args:
        address: ``HOST:PORT``, ``PORT`` or ``HOST``.
        store: the store that was named; None for the usual.

    Raises:
        InputError: no such address, or the package is not installed.

    """
    host, port = host_and_port(address)
    try:
        from textual_serve.server import Server
    except ImportError:
        raise InputError(_NEEDS) from None
    words = [*PROGRAM, "watch", "--follow", *(() if store is None else ("--store", str(store.absolute())))]
    if host not in LOOPBACK:
        sys.stderr.write(f"{_OPEN.format(host=host)}\n")
    sys.stderr.write(f"the run that is recorded: http://{host}:{port}  ctrl-c ends it; the recording goes on\n")
    Server(shlex.join(words), host=host, port=port, title="shakedown").serve()
    return 0


def host_and_port(address: str) -> tuple[str, int]:
    """Return host and port of ``HOST:PORT``, ``PORT`` or ``HOST``.

    Raises:
        InputError: it is none of these.

    """
    host, colon, port = address.rpartition(":")
    if not colon:
        host, port = ("", address) if address.isdecimal() else (address, "")
    port = port or "8000"
    if not port.isdecimal() or not 0 < int(port) <= _LAST_PORT:
        raise InputError(f"{printable(address, 80)} is no address such as 127.0.0.1:8000")
    return host.strip("[]") or LOOPBACK[0], int(port)
