"""Times as a person reads them: h:mm:ss within a session, lengths with their unit, dates with their zone."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.time_text import clock, clock_at, length, local, local_at


@given(st.integers(0, 10**6))
def test_a_moment_reads_back(seconds: int) -> None:
    hours, minutes, rest = clock(seconds).split(":")
    assert 3600 * int(hours) + 60 * int(minutes) + int(rest) == seconds
    assert len(minutes) == len(rest) == 2


@pytest.mark.parametrize(
    ("seconds", "whole", "tenths"),
    [
        (95.0, "0:01:35", "0:01:35.0"),
        (95.44, "0:01:35", "0:01:35.4"),
        (59.96, "0:00:59", "0:01:00.0"),
        (-2.0, "-0:00:02", "-0:00:02.0"),
        (-0.02, "0:00:00", "0:00:00.0"),
        (3725.9, "1:02:05", "1:02:05.9"),
    ],
)
def test_moments(seconds: float, whole: str, tenths: str) -> None:
    assert clock(seconds) == clock_at(round(seconds * 1e6), 0) == whole
    assert clock(seconds, tenths=True) == tenths


def test_lengths() -> None:
    told = [length(each) for each in (0.4, 9.94, 48, 119, 119.6, 1690, 11100, 3.5e6)]
    assert told == ["0.4 s", "9.9 s", "48 s", "119 s", "2 min", "28 min", "3 h 05 min", "41 days"]


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone cannot be set here")
@pytest.mark.parametrize(
    ("zone", "text"),
    [
        ("UTC0", "2026-05-09 08:30 UTC"),
        ("AAA-2", "2026-05-09 10:30 UTC+2"),
        ("BBB-5:30", "2026-05-09 14:00 UTC+5:30"),
        ("CCC+3:30", "2026-05-09 05:00 UTC-3:30"),
    ],
)
def test_dates_are_local_and_name_their_zone(zone: str, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        moment = datetime(2026, 5, 9, 8, 30, tzinfo=UTC)
        assert local(moment) == local_at(round(moment.timestamp() * 1e6)) == text
    finally:
        monkeypatch.undo()
        assert os.environ.get("TZ") != zone
        time.tzset()
