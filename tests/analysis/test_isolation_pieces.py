"""A long drive is seen in pieces and judged as a whole."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.isolate import LONGEST_S, PIECE_S, isolate, pieces
from telemetry.analysis.series import Series, SessionSeries
from tests.reference.other_drives import other_drive


def recording(seconds, start=5_000_000):
    t = start + np.arange(int(seconds * 10)) * 100_000
    now_and_then = Series(t[::400], np.ones(len(t[::400])))
    signals = {"pack_current": Series(t, np.arange(len(t), dtype=float)), "soc_reported": now_and_then}
    return SessionSeries("drive", int(t[0]), int(t[-1]), start, "absolute", signals, None)


@given(seconds=st.floats(30.0, 5000.0))
def test_every_reading_is_in_one_piece_and_pieces_are_alike(seconds):
    whole = recording(seconds)
    parts = list(pieces(whole))
    assert len(parts) == 1 or max(part.duration_s for part in parts) <= PIECE_S + 0.1
    assert len(parts) == 1 or whole.duration_s > LONGEST_S
    assert {part.origin for part in parts} == {whole.origin}
    for name, series in whole.signals.items():
        found = [part.signals[name] for part in parts if name in part.signals]
        assert np.array_equal(np.concatenate([each.t for each in found]), series.t)
        assert np.array_equal(np.concatenate([each.values for each in found]), series.values)


@pytest.mark.slow
def test_a_quarter_of_an_hour_is_judged_as_three_minutes_are():
    sound = isolate(other_drive("healthy", 5, 900.0).series())
    assert sound.cause == "healthy"
    drive = other_drive("controller", 9, 900.0)
    found = isolate(drive.series())
    assert found.cause == "controller"
    found_s = [event.t for event in found.events]
    hits = [t for t, _, _ in drive.events if min(abs(t - other) for other in found_s) <= 0.3]
    assert len(hits) > 0.7 * len(drive.events)
    assert sum(t > 450 for t in hits) > 10


def test_a_few_seconds_clear_no_part():
    short = isolate(other_drive("healthy", 5, 8.0).series())
    assert not short.judged
    assert any("too short to clear any part" in problem for problem in short.problems)
