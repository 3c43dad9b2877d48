"""After a key: wait for what it sets going, not for a time."""

from __future__ import annotations

import asyncio

import pytest


async def until_quiet(_min_sleep: float = 0.0) -> None:
    """Wait until nothing in the loop can go on by itself: everything waits for a moment, a thread or a file."""
    ready = asyncio.get_running_loop()._ready  # type: ignore[attr-defined]
    await asyncio.sleep(0)
    while ready:  # noqa: ASYNC110 - it is the loop that is waited for
        await asyncio.sleep(0)


def keys_until_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a pilot's keys wait so; Textual's own way is 40 ms a key, and up to 2 s where the computer is busy."""
    for place in ("textual.app", "textual.pilot"):
        monkeypatch.setattr(f"{place}.wait_for_idle", until_quiet)
