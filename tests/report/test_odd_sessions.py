"""Odd sessions in words: over midnight, over the end of summer time, and only a charge."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace

import pytest

from telemetry.report.plain_page import plain_lines
from telemetry.report.session_text import when_text
from tests.report.committed import committed

pytestmark = pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone cannot be set here")


@pytest.fixture(autouse=True)
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Central Europe: summer time ends on 25 October 2026, 3:00 becomes 2:00 (Directive 2000/84/EC)."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.parametrize(
    ("started", "minutes", "said"),
    [
        ("2026-05-09T08:30:00+00:00", 20, "2026-05-09 10:30 UTC+2 to 10:50"),
        ("2026-07-01T21:55:00+00:00", 15, "2026-07-01 23:55 UTC+2 to 2026-07-02 00:10 UTC+2"),
        ("2026-10-25T00:53:00+00:00", 15, "2026-10-25 02:53 UTC+2 to 2026-10-25 02:08 UTC+1"),
    ],
)
def test_the_end_is_said_so_that_nobody_reads_it_before_the_start(started: str, minutes: int, said: str) -> None:
    report = committed("orchard-mow").report
    totals = replace(report.totals, duration_s=60.0 * minutes)
    assert when_text(replace(report, started=started, totals=totals)) == said


def test_a_charge_with_controller_voltage_asks_for_a_load_and_not_for_what_it_has() -> None:
    rows = {row.key: row for row in committed("evening-charge").report.parts}
    assert rows["controller-low-voltage"].why == "no load in this session; record a drive"


def test_a_charge_is_not_called_a_drive_in_plain_words() -> None:
    said = " ".join(plain_lines(committed("evening-charge").report))
    assert "This was a charge: nothing was driven to judge it by." in said
    assert "his drive" not in said
