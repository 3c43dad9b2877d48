"""A pack, or anything that speaks Bluetooth LE: by the standard battery characteristics, or by a frame map.

See ``docs/bluetooth-le.md`` for what is understood and for each setting. Without a map nothing is ever written to
the device; with one, the requests that it states are, and nothing else.
"""

from __future__ import annotations

import re
import sys
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager, aclosing
from typing import Any, ClassVar, Literal, cast

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import LinkUnavailable, Problem, did_you_mean, printable

from .decode.bluetooth_characteristics import BATTERY_SERVICE, full_uuid
from .decode.bluetooth_readings import ReadingFigures
from .decode.columns import is_number
from .decode.frame_decoder import FrameFigures
from .decode.frame_map import FrameMapError, frame_map_of, requests_of
from .links import bluetooth_le_link
from .links.bluetooth_le_frames import FrameSession
from .links.bluetooth_le_link import BluetoothLink
from .links.bluetooth_le_standard import StandardSession
from .links.bluetooth_le_types import Seen, Wanted

DEFAULT_SILENCE_S = 10.0
DEFAULT_INTERVAL_S = 1.0
DEFAULT_SCAN_S = 6.0
LONGEST_SCAN_S = 12.0
LOOK_ROUND_S = 4.0

FIND_KEYS = ("address", "name", "service")
MAP_KEYS = ("map", "notify", "write")
KEYS = (*FIND_KEYS, *MAP_KEYS, "adapter", "scan_s", "silence_s", "interval_s", "system_bus")
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


class BluetoothLeDriver:
    """Reads a Bluetooth LE device; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "radio"
    path_keys: ClassVar = ("map",)

    def __init__(self, context: DriverContext) -> None:
        self.silence_s: float | None = float(context.settings.get("silence_s", DEFAULT_SILENCE_S))
        self._context = context
        self._link = BluetoothLink(_wanted(context.settings), context.clock)
        self._session: StandardSession | FrameSession | None = None

    @property
    def figures(self) -> ReadingFigures | FrameFigures | None:
        """What came so far in this opening; None before it is open."""
        return None if self._session is None else self._session.figures

    async def open(self) -> None:
        """Find the device, connect, and subscribe to what it sends by itself.

        Raises:
            LinkUnavailable: with the reason and the remedy.
            FrameMapError: the frame map has problems; all of them.

        """
        session = self._make_session()
        await session.begin(await self._link.open())
        self._session = session

    def _make_session(self) -> StandardSession | FrameSession:
        settings, source, clock = self._context.settings, self._context.source, self._context.clock
        if "map" not in settings:
            interval = round(float(settings.get("interval_s", DEFAULT_INTERVAL_S)) * MICROSECONDS)
            quiet = round(float(settings.get("silence_s", DEFAULT_SILENCE_S)) / 3 * MICROSECONDS)
            return StandardSession(self._link, source, clock, interval, quiet, self._context.tap)
        frame_map, problems = frame_map_of(settings["map"])
        if frame_map is None:
            raise FrameMapError("the frame map", problems)
        notify = uuid_of(settings.get("notify"))
        assert notify is not None, "check() has passed the settings"
        write, tap = uuid_of(settings.get("write")), self._context.tap
        return FrameSession(self._link, source, clock, frame_map, notify, write, tap)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield what arrives, as it comes.

        Raises:
            LinkLost: the device disconnected, or no longer answers.

        """
        assert self._session is not None, "readings() before open()"
        async with aclosing(cast("AsyncGenerator[Batch, None]", self._session.batches())) as batches:
            async for batch in batches:
                yield batch

    async def close(self) -> None:
        """Stop asking and disconnect."""
        if self._session is not None:
            await self._session.end()
        await self._link.close()

    @staticmethod
    def check(settings: Settings) -> list[Problem]:
        """Return every problem of a source's keys."""
        problems = [
            Problem(printable(key), "is not a setting of this driver", f"leave it out{did_you_mean(key, KEYS)}")
            for key in settings
            if key not in KEYS
        ]
        return [*problems, *_check_finding(settings), *_check_numbers(settings), *_check_map(settings)]

    @staticmethod
    def requests(settings: Settings) -> tuple[bytes, ...]:
        """Return what the source sends to its device, by its frame map."""
        return requests_of(settings.get("map"))

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each Bluetooth LE device heard, and under ``seems`` what it seems to speak.

        Raises:
            LinkUnavailable: there is no Bluetooth here, or it may not be used.

        """
        seen = await bluetooth_le_link.look_round(LOOK_ROUND_S)
        return [{"address": one.address, "seems": _seems(one)} for one in seen]

    @staticmethod
    def far_end(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine behind a private Bluetooth service (Linux); gives the settings that reach it.

        Args:
            settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

        Raises:
            LinkUnavailable: this is not Linux, or ``dbus-daemon`` is not there.

        """
        if sys.platform != "linux":
            raise LinkUnavailable("a simulated Bluetooth pack needs Linux; use watch --demo, or another link")
        from .simulated.bluetooth_far_end import simulated_far_end

        return simulated_far_end(settings)


def _wanted(settings: Settings) -> Wanted:
    return Wanted(
        settings.get("address"),
        settings.get("name"),
        uuid_of(settings.get("service")),
        settings.get("adapter"),
        float(settings.get("scan_s", DEFAULT_SCAN_S)),
        settings.get("system_bus"),
    )


def _seems(one: Seen) -> str:
    name = printable(one.name, 40) if one.name else "no name"
    if full_uuid(BATTERY_SERVICE) in one.services:
        return f"{name}: Battery Service, no map needed"
    return f"{name}: tells of no Battery Service, so it probably needs a map"


def _check_finding(settings: Settings) -> list[Problem]:
    problems = []
    given = [key for key in FIND_KEYS if key in settings]
    if len(given) != 1:
        what = "is missing" if not given else f"and {' and '.join(given[1:])} are both given"
        problems.append(Problem(given[0] if given else "address", what, "give one of address, name, service"))
    if "address" in settings and not _is_address(settings["address"]):
        right = 'write it as "C0:01:02:03:04:05" (on macOS, the UUID that the command sources tells)'
        problems.append(Problem("address", "is no Bluetooth address", right))
    if "service" in settings and uuid_of(settings["service"]) is None:
        right = 'write four hexadecimal digits, such as "180F", or the long form'
        problems.append(Problem("service", "is no UUID of a service", right))
    problems += [
        Problem(key, "is no text", f'write {key} = "...", or leave it out')
        for key in ("name", "adapter", "system_bus")
        if key in settings and (not isinstance(settings[key], str) or not settings[key])
    ]
    return problems


def _check_map(settings: Settings) -> list[Problem]:
    """Return the problems of the frame map and of what it is used with."""
    problems = [
        Problem(key, "is no UUID of a characteristic", "write four hexadecimal digits, or the long form")
        for key in ("notify", "write")
        if key in settings and uuid_of(settings[key]) is None
    ]
    if "map" not in settings:
        unused = [key for key in ("notify", "write") if key in settings]
        return [*problems, *(Problem(key, "is for a frame map", "give map, or leave it out") for key in unused)]
    if "interval_s" in settings:
        problems.append(Problem("interval_s", "is for reading without a map", "state it in the map under [poll]"))
    if "notify" not in settings:
        right = "write the UUID of the characteristic that sends; opened without a map, the device's are told"
        problems.append(Problem("notify", "is missing", right))
    frame_map, map_problems = frame_map_of(settings["map"])
    if frame_map is not None and frame_map.requests and "write" not in settings:
        right = "write the UUID of the characteristic that takes the map's requests"
        problems.append(Problem("write", "is missing", right))
    return [*problems, *map_problems]


def _is_address(text: Any) -> bool:
    return isinstance(text, str) and bool(_ADDRESS.fullmatch(text) or _UUID.fullmatch(text))


def _check_numbers(settings: Settings) -> list[Problem]:
    problems = []
    for key, example in (("silence_s", 10.0), ("interval_s", 1.0), ("scan_s", 6.0)):
        if key in settings and (not is_number(settings[key]) or settings[key] <= 0):
            problems.append(Problem(key, "is not a number of seconds above 0", f"write {key} = {example}, say"))
    interval_s, silence_s = settings.get("interval_s"), settings.get("silence_s", DEFAULT_SILENCE_S)
    if is_number(interval_s) and is_number(silence_s) and interval_s >= silence_s:
        problems.append(
            Problem("interval_s", "is not shorter than silence_s", "read more often, or allow more silence")
        )
    if is_number(settings.get("scan_s", 1)) and settings.get("scan_s", 1) > LONGEST_SCAN_S:
        problems.append(Problem("scan_s", "leaves no time to connect", f"write at most {LONGEST_SCAN_S:g}"))
    return problems
