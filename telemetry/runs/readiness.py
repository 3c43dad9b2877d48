"""Whether this computer is ready to record a drive: permissions, adapters, clock, disk, sleep, terminal.

Nothing is sent to any device, and nothing is opened but a file beside the store.
"""

from __future__ import annotations

import asyncio
import locale
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from telemetry.machine.sections import Machine
from telemetry.model.errors import printable

Word = Literal["ok", "note", "fix"]
SMALLEST_FREE_BYTES, ENOUGH_FREE_BYTES = 500_000_000, 2_000_000_000
"""Below the one a season's drives do not fit; the other is plenty for a day. Ours."""
SLOW_SYNC_S = 0.5
"""A disk that takes longer to confirm a small write is held up by something; ours."""
TRIED_WRITES, WRITE_BYTES = 5, 65_536
SMALLEST_TERMINAL = (80, 24)
"""Columns and lines that the screen is made for at the least."""
_OLDEST_CLOCK = datetime(2026, 1, 1, tzinfo=UTC)
"""Earlier than this program was made, so a clock that shows less is wrong."""
_ANSWER_LIMIT_S = 3.0


@dataclass(frozen=True)
class Ready:
    """One thing looked at.

    Attributes:
        what: it, in a word: ``disk``.
        word: ``fix`` where a drive cannot be recorded well before something is changed.
        found: what was found, one sentence, with the remedy where there is one.

    """

    what: str
    word: Word
    found: str


def readiness(store: Path, machine: Machine | None = None) -> list[Ready]:
    """Return what was found, in the order in which an owner would look."""
    looks: tuple[Callable[[], Iterator[Ready]], ...] = (
        _adapters,
        lambda: iter(()) if machine is None else _links_of(machine),
        _clock,
        lambda: _disk(store),
        _sleep,
        _terminal,
    )
    return [ready for look in looks for ready in look()]


def _adapters() -> Iterator[Ready]:
    from telemetry.runs.discover import sources_in_reach

    found, reasons = sources_in_reach()
    ports = sorted({str(each["port"]) for each in found if "port" in each})
    yield from (_port(port) for port in ports)
    if not ports:
        yield Ready("serial", "note", "no serial port in reach; plug the adapter in if you use one")
    buses = {f"{each['interface']} {each['channel']}" for each in found if "interface" in each}
    interfaces = can_interfaces()
    yield from (_can(name, is_up) for name, is_up in interfaces.items())
    others = sorted(bus for bus in buses if bus.split()[-1] not in interfaces)
    yield from (Ready("CAN", "ok", f"{printable(bus)} is in reach") for bus in others)
    if not buses and not interfaces:
        yield Ready("CAN", "note", "no CAN adapter in reach; plug it in if you use one")
    devices = sum("address" in each for each in found)
    radio = next((why for why in reasons if why.startswith("bluetooth")), "")
    if radio:
        yield Ready("Bluetooth", "note", radio.partition(": ")[2])
    else:
        yield Ready("Bluetooth", "ok", f"{devices} devices heard")
    yield from (Ready("links", "note", why) for why in reasons if why != radio)


def _port(port: str) -> Ready:
    if os.access(port, os.R_OK | os.W_OK) or not os.path.exists(port):  # noqa: PTH110 - not a file on every platform
        return Ready("serial", "ok", f"{printable(port)} can be opened")
    right = "add yourself to its group (on most Linux systems: sudo usermod -aG dialout $USER) and log in again"
    return Ready("serial", "fix", f"you have no permission to open {printable(port)}; {right}")


def can_interfaces(folder: Path = Path("/sys/class/net")) -> dict[str, bool]:
    """Return the CAN interfaces that Linux knows, and whether each is up."""
    found = {}
    for path in sorted(folder.glob("*can*")):
        try:
            found[path.name] = int((path / "flags").read_text(), 16) & 1 == 1
        except (OSError, ValueError):
            continue
    return found


def _can(name: str, is_up: bool) -> Ready:
    if is_up:
        return Ready("CAN", "ok", f"{name} is up")
    right = f"sudo ip link set {name} up type can bitrate 250000 listen-only on, with your bus's bit rate"
    return Ready("CAN", "fix", f"{name} is down; {right}")


def _links_of(machine: Machine) -> Iterator[Ready]:
    for source in machine.sources:
        port = source.settings.get("port")
        if isinstance(port, str) and "://" not in port:
            if os.path.exists(port):  # noqa: PTH110 - COM4 is no path
                yield Ready(source.name, "ok", f"{printable(port)} is there")
            elif sys.platform != "win32":
                yield Ready(source.name, "fix", f"{printable(port)} is not there; plug it in")
        wired = "port" in source.settings or "interface" in source.settings
        if wired and source.isolated is None:
            yield Ready(
                source.name,
                "note",
                "the file does not say whether it is isolated; write isolated = true if so",
            )


def _clock() -> Iterator[Ready]:
    now = datetime.now(tz=UTC)
    if now < _OLDEST_CLOCK:
        yield Ready("clock", "fix", f"it shows {now:%Y-%m-%d}, which is in the past; set date and time")
        return
    synchronised = _asked("timedatectl", "show", "--property=NTPSynchronized", "--value")
    local = now.astimezone()
    shown = f"{local:%Y-%m-%d %H:%M} ({local.tzname()})"
    if synchronised == "yes":
        yield Ready("clock", "ok", f"{shown}, set by the network")
    elif synchronised == "no":
        yield Ready("clock", "note", f"{shown}, not set by the network; compare it with a telephone")
    else:
        yield Ready("clock", "note", f"{shown}; not known whether the network sets it: compare it with a telephone")


def _asked(*words: str) -> str:
    """Return what a program of the system answers; empty where there is none, or it does not."""
    program = shutil.which(words[0])
    if program is None:
        return ""
    try:
        done = subprocess.run(  # noqa: S603 - a program of the system, with words of ours
            [program, *words[1:]], capture_output=True, text=True, timeout=_ANSWER_LIMIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip()


def _disk(store: Path) -> Iterator[Ready]:
    folder = next(each for each in (store.parent, *store.parent.parents) if each.exists())
    try:
        free = shutil.disk_usage(folder).free
        slowest = _slowest_write(folder)
    except OSError as error:
        why = printable(error.strerror or error, 120)
        yield Ready(
            "disk", "fix", f"{printable(folder, 200)} cannot be written ({why}); name another place with --store"
        )
        return
    shown = f"{free / 1e9:.1f} GB free at {printable(folder, 200)}"
    if free < SMALLEST_FREE_BYTES:
        yield Ready("disk", "fix", f"{shown}; free some space")
    elif free < ENOUGH_FREE_BYTES:
        yield Ready("disk", "note", f"{shown}, enough for a day")
    else:
        yield Ready("disk", "ok", shown)
    if slowest > SLOW_SYNC_S:
        slow = f"it took {slowest:.1f} s to confirm 64 kB; a slow card or stick can hold a recording up"
        yield Ready("disk", "note", slow)
    else:
        yield Ready("disk", "ok", f"64 kB confirmed within {1000 * slowest:.0f} ms")


def _slowest_write(folder: Path) -> float:
    """Return how long the slowest of a few writes took until the disk confirmed it, s."""
    slowest = 0.0
    with tempfile.TemporaryFile(dir=folder) as file:
        for _ in range(TRIED_WRITES):
            begun = time.monotonic()
            file.write(os.urandom(WRITE_BYTES))
            file.flush()
            os.fsync(file.fileno())
            slowest = max(slowest, time.monotonic() - begun)
    return slowest


def _sleep() -> Iterator[Ready]:
    from telemetry.runs.platform_sleep import StayAwake

    async def held() -> tuple[bool, str]:
        async with StayAwake() as awake:
            return awake.holds_sleep, awake.describe()

    holds, said = asyncio.run(held())
    yield Ready("sleep", "ok" if holds else "note", said)


def _terminal() -> Iterator[Ready]:
    from telemetry.screen.theme import detected_colours

    if not sys.stdout.isatty():
        yield Ready(
            "terminal", "note", "output goes to a file or a pipe; watch prints lines there and shows no screen"
        )
        return
    columns, lines = shutil.get_terminal_size()
    least = f"{SMALLEST_TERMINAL[0]} by {SMALLEST_TERMINAL[1]}"
    if (columns, lines) < SMALLEST_TERMINAL or lines < SMALLEST_TERMINAL[1]:
        yield Ready("terminal", "note", f"{columns} by {lines} characters; make the window {least} or more")
    else:
        yield Ready("terminal", "ok", f"{columns} by {lines} letters")
    encoding = sys.stdout.encoding or locale.getpreferredencoding()
    if encoding.lower().replace("-", "") != "utf8":
        yield Ready("terminal", "note", f"its character set is {encoding}; set it to UTF-8 for the gauges")
    colours: Any = detected_colours()
    if colours != "full":
        yield Ready("terminal", "note", f"it shows {'no' if colours == 'none' else 'only sixteen'} colours")
