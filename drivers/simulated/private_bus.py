"""A D-Bus daemon of our own, for simulated devices that are reached over a bus."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path

from telemetry.model.errors import LinkUnavailable

BUS_LIMIT_S = 5.0
_CONFIGURATION = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
</busconfig>
"""


class PrivateBus:
    """A D-Bus daemon of our own in a folder of its own. Use as an async context manager; ``address`` reaches it."""

    def __init__(self) -> None:
        self.address = ""
        self._folder: tempfile.TemporaryDirectory[str]
        self._process: asyncio.subprocess.Process

    async def __aenter__(self) -> PrivateBus:
        program = shutil.which("dbus-daemon")
        if program is None:
            raise LinkUnavailable(
                "a simulated Bluetooth device needs the program dbus-daemon; install it "
                "(Debian: apt install dbus-daemon)"
            )
        self._folder = tempfile.TemporaryDirectory(prefix="shakedown-")
        socket = Path(self._folder.name) / "bus"
        configuration = Path(self._folder.name) / "bus.conf"
        configuration.write_text(_CONFIGURATION.format(socket=socket), encoding="utf-8")
        self._process = await asyncio.create_subprocess_exec(
            *(program, f"--config-file={configuration}", "--nofork", "--nopidfile", "--print-address=1"),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        try:
            async with asyncio.timeout(BUS_LIMIT_S):
                line = await self._process.stdout.readline()
        except TimeoutError:
            line = b""
        if not line:
            await self.__aexit__()
            raise LinkUnavailable("dbus-daemon did not start; see whether it runs by hand: dbus-daemon --session")
        self.address = f"unix:path={socket}"
        return self

    async def __aexit__(self, *exc: object) -> None:
        with suppress(ProcessLookupError):
            self._process.terminate()
        await self._process.communicate()
        self._folder.cleanup()
