"""Keeps the computer awake while a run is recorded, where the platform has a way, and says plainly what holds.

Each way lets go by itself when this program dies, however it dies: a child that waits for the end of a pipe from
us, a child that watches our process, or a request that the system drops with its thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import sys
from typing import Self

_WHY = "a run of a machine is being recorded"
_ANSWER_LIMIT_S = 3.0
_CAT = "cat"
# Windows, winbase.h: ES_CONTINUOUS, ES_SYSTEM_REQUIRED.
_CONTINUOUS, _SYSTEM_REQUIRED = 0x80000000, 0x00000001

_BAG = "A closed bag gets hot: leave air around the computer."


class StayAwake:
    """Inhibits sleep for as long as it is entered; failing to is said by :meth:`describe` and never raised."""

    def __init__(self) -> None:
        self._child: asyncio.subprocess.Process | None = None
        self._said = "Nothing keeps this computer awake yet."
        self.holds_sleep = False
        self.holds_lid = False

    async def __aenter__(self) -> Self:
        try:
            await self._inhibit()
        except OSError as error:
            self._said = f"Sleep could not be prevented ({error.strerror}): turn off sleep."
        return self

    async def __aexit__(self, *_failure: object) -> None:
        if sys.platform == "win32" and self.holds_sleep:
            _request_by_windows(_CONTINUOUS)
        child, self._child = self._child, None
        if child is not None:
            await _ended(child)
        self.holds_sleep = self.holds_lid = False

    def describe(self) -> str:
        """Return one sentence that says what holds and what does not, and what to do about it."""
        return self._said

    async def _inhibit(self) -> None:
        if sys.platform == "win32":
            self.holds_sleep = _request_by_windows(_CONTINUOUS | _SYSTEM_REQUIRED)
            self._said = (
                "This computer stays awake while the run is recorded, but not with its lid closed: set what closing "
                f"the lid does to nothing in the power settings. {_BAG}"
                if self.holds_sleep
                else "Windows refused to stay awake: turn off sleep in the power settings."
            )
        elif sys.platform == "darwin":
            await self._inhibit_by_caffeinate()
        else:
            await self._inhibit_by_logind()

    async def _inhibit_by_caffeinate(self) -> None:
        program = shutil.which("caffeinate")
        if program is None:
            self._said = "Sleep cannot be prevented here, caffeinate is missing: turn off sleep."
            return
        quiet = asyncio.subprocess.DEVNULL
        self._child = await asyncio.create_subprocess_exec(
            program, "-i", "-s", "-w", str(os.getpid()), stdin=quiet, stdout=quiet, stderr=quiet
        )
        self.holds_sleep = True
        self._said = (
            "This computer stays awake while the run is recorded, but sleeps when its lid is closed: leave the lid "
            f"open a little. {_BAG}"
        )

    async def _inhibit_by_logind(self) -> None:
        program, cat = shutil.which("systemd-inhibit"), shutil.which(_CAT)
        if program is None or cat is None:
            self._said = (
                "Nothing here can prevent sleep, systemd-inhibit is missing: turn off sleep, including on lid close."
            )
            return
        # Holding the lid may need a right that a remote or second login lacks; sleep alone is asked for then.
        for what, lid in (("sleep:idle:handle-lid-switch", True), ("sleep:idle", False)):
            if await self._held_by_logind(program, cat, what):
                self.holds_sleep, self.holds_lid = True, lid
                self._said = (
                    f"This computer stays awake while the run is recorded, even with its lid closed. {_BAG}"
                    if lid
                    else "This computer stays awake while the run is recorded, but may sleep when its lid is closed: "
                    f"set the lid to do nothing. {_BAG}"
                )
                return
        self._said = "systemd-inhibit was refused: turn off sleep, including on lid close."

    async def _held_by_logind(self, program: str, cat: str, what: str) -> bool:
        """Start a child under the lock that echoes a line back, which shows that the lock was granted."""
        pipe = asyncio.subprocess.PIPE
        child = await asyncio.create_subprocess_exec(
            program,
            f"--what={what}",
            "--who=shakedown",
            f"--why={_WHY}",
            "--mode=block",
            cat,
            stdin=pipe,
            stdout=pipe,
            stderr=asyncio.subprocess.DEVNULL,
        )
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(b"held\n")
            answer = await asyncio.wait_for(child.stdout.readline(), _ANSWER_LIMIT_S)
        except (OSError, TimeoutError):
            answer = b""
        if answer == b"held\n":
            self._child = child
            return True
        await _ended(child)
        return False


async def _ended(child: asyncio.subprocess.Process) -> None:
    """Let a child go: close its pipe, and end it where that is not enough."""
    with contextlib.suppress(OSError):
        if child.stdin is not None:
            child.stdin.close()
        else:
            child.terminate()
    try:
        await asyncio.wait_for(child.wait(), 1.0)
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            child.kill()
        await child.wait()


def _request_by_windows(state: int) -> bool:
    """Set this thread's execution state; return whether Windows took it."""
    if sys.platform == "win32":
        import ctypes

        return bool(ctypes.windll.kernel32.SetThreadExecutionState(state))
    return False
