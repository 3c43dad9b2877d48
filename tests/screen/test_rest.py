"""What is said of a rest: its length, the current drawn, and the drift of the cells. Invented values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.rest import Rest, rest_of
from telemetry.screen.settled import Settlement

START = 1_700_000_000 * MICROSECONDS
SIGNALS = ("pack_current", "vehicle_speed", "cell_min_voltage", "cell_max_voltage")
LOAD_S = 60


def rested(
    seconds: int, draws: float = 0.2, drift_mv_h: float = 0.0, step_v: float = 0.001, every_s: int = 1
) -> Rest | None:
    """Return what is seen at the end of so long a rest after a minute of load, cells read in steps of ``step_v``."""
    snapshot = Snapshot({}, START)
    t = START + MICROSECONDS * every_s * (1 + np.arange((LOAD_S + seconds) // every_s))
    rows = []
    for moment in t.tolist():
        after = (moment - START) / MICROSECONDS - LOAD_S
        volts = 3.3 + drift_mv_h / 1000 * after / 3600 if after > 0 else 3.2 + 0.0007 * after
        low, high = (round((volts + more) / step_v) * step_v for more in (-0.004, 0.003))
        rows.append([draws, 0.0, low, high] if after > 0 else [40.0, 6.0, low, high])
    snapshot.take(Span(int(t[-1]), (Batch.of_rows(Group("pack", "pack", SIGNALS), t, rows),), ()))
    return rest_of(snapshot, int(t[-1]), 0.0)


def test_a_rest_counts_from_the_last_load() -> None:
    found = rested(372)
    assert found is not None
    assert found.seconds == pytest.approx(372, abs=1)
    assert found.text().startswith("at rest 6 min, cells steady within ")
    assert found.draws_text() == "draws 0.2 A"


@pytest.mark.parametrize(
    ("seconds", "text"), [(5, "at rest 4 s"), (200, "at rest 3 min"), (4000, "at rest over 60 min, cells")]
)
def test_what_is_not_known_yet_is_not_said(seconds: int, text: str) -> None:
    found = rested(seconds)
    assert found is not None
    assert found.text().startswith(text)
    assert (found.draws_text() == "") == (seconds < 30)


@pytest.mark.parametrize(
    ("draws", "text"),
    [(0.34, "draws 0.3 A"), (0.02, "draws <0.1 A"), (-0.01, "draws <0.1 A"), (-0.2, "takes 0.2 A")],
)
def test_what_it_draws_is_said_to_a_tenth(draws: float, text: str) -> None:
    found = rested(60, draws)
    assert found is not None
    assert found.draws_text() == text


def test_a_slow_source_rests_too_and_a_load_ends_it() -> None:
    slow = rested(900, every_s=5)
    assert slow is not None
    assert slow.seconds == pytest.approx(900, abs=6)
    assert rested(0) is None
    assert rested(600, draws=12.0) is None


def test_nothing_is_known_of_a_run_without_current() -> None:
    assert rest_of(Snapshot({}, START), START, 0.0) is None


@given(st.integers(400, 3000), st.floats(-400.0, 400.0), st.sampled_from([0.001, 0.002, 0.01]))
@settings(max_examples=25, deadline=None)
def test_the_drift_is_the_slope_of_the_cells_within_its_doubt(seconds: int, drift: float, step: float) -> None:
    found = rested(seconds, drift_mv_h=drift, step_v=step)
    assert found is not None
    assert found.drift is not None
    rate, doubt = found.drift
    assert abs(rate - drift) <= doubt
    assert doubt <= 1500 * step / (min(seconds / 2, 1800) - 30) * 3600 + abs(drift) * 0.2 + 2
    if abs(drift) > 2 * doubt:
        assert ("rising" if drift > 0 else "falling") in found.text()


def test_cells_that_are_not_sent_have_no_drift() -> None:
    snapshot = Snapshot({}, START)
    group = Group("pack", "pack", ("pack_current",))
    for second in range(500):
        t = START + second * MICROSECONDS
        snapshot.take(Span(t, (Batch.of_rows(group, [t], [[0.1]]),), ()))
    found = rest_of(snapshot, snapshot.end, 0.0)
    assert found is not None
    assert found.drift is None
    assert math.isclose(found.draws or 0.0, 0.1)


def test_a_rest_counts_for_the_charge_once_it_has_narrowed_the_estimate() -> None:
    settled = Settlement()
    assert [settled.made_surer(doubt) for doubt in (10.0, 9.0, 8.0, 7.0)] == [False, False, True, True]
    assert not settled.made_surer(None)
    assert not settled.made_surer(7.0), "the next rest begins with what is known by then"
