"""The day that the fault laboratory records, a minute of it: its own tools must follow the program."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from tests.faults import day


def test_a_minute_of_the_day_is_recorded_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(day, "DRIVE_US", 60_000_000)  # ten minutes of a simulated machine take seconds
    told = asyncio.run(day.record(1 / 60, tmp_path / "sessions.sqlite3"))
    assert told["published"] == told["stored"] != 0
    assert told["refused"] == 0
