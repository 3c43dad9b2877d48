"""The controller alone, on currents composed here of a pedal, a speed and what goes wrong."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.controller import quick_stops, shortfalls
from telemetry.analysis.fault_isolation.drive import around
from telemetry.analysis.fault_isolation.fold_back import fold_back
from telemetry.analysis.fault_isolation.pedal_map import lagged
from telemetry.analysis.fault_isolation.response import controller_response

STEP = 0.05
COUNT = 3600
T = np.arange(COUNT) * STEP
ALL = np.ones(COUNT, dtype=bool)


def a_ride(seed, slope=0.0, late_slope=0.0):
    """A foot that presses for some seconds and lets go, and the speed (m/s) it makes; up a hill, later a steeper."""
    random = np.random.default_rng(seed)
    travel, speed = np.zeros(COUNT), np.zeros(COUNT)
    foot = wanted = v = 0.0
    for row in range(COUNT):
        if random.random() < 0.015:
            wanted = random.choice([0.0, 0.3, 0.5, 0.7, 1.0])
        foot += float(np.clip(0.3 * (wanted - foot), -0.2, 0.2))
        steep = slope if row < COUNT // 2 else late_slope
        v = max(v + (2.2 * foot - 0.5 - 9.81 * steep - 0.25 * v) * STEP, 0.0)
        travel[row], speed[row] = foot, v
    return travel, speed


def given(travel, speed, share=1.0, seed=0, follows="torque"):
    """The current (A) of a controller with 0.12 s of lag, with 3 A of others beside and 0.3 A of noise."""
    random = np.random.default_rng(seed)
    asked = travel if follows == "torque" else np.clip(4 * (travel - 0.16 * speed), 0, 1)
    force = lagged(asked * share, 0.12)
    return 3.0 + 12 * force * speed + 15 * force**2 + random.normal(0, 0.3, COUNT)


def learnt(travel, speed, current):
    response = controller_response(T, travel, current, speed, ALL)
    assert response is not None
    return shortfalls(response, T, current, ALL, quick_stops(current, travel, ALL))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("follows", ["torque", "voltage"])
def test_a_sound_controller_of_either_kind_gives_all_along(seed, follows):
    travel, speed = a_ride(seed)
    found, response = learnt(travel, speed, given(travel, speed, seed=seed, follows=follows))
    assert found == []
    assert response.explained > 0.97
    assert (response.how.ratio > 0) == (follows == "voltage")


@pytest.mark.parametrize("left", [0.0, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_cuts_are_found_where_they_begin_also_shortly_after_another(seed, left):
    travel, speed = a_ride(seed)
    pressed = np.flatnonzero(np.convolve(travel > 0.28, np.ones(40), "valid") == 40)
    starts = [int(pressed[int(len(pressed) * place)]) for place in (0.1, 0.35, 0.6, 0.85)]
    starts.append(starts[0] + 22)
    share = np.ones(COUNT)
    for start in starts:
        share[start : start + 10] = left
    found, _ = learnt(travel, speed, given(travel, speed, share, seed))
    for start in starts:
        assert min(abs(each.start - start) for each in found) * STEP <= 0.3
    for each in found:
        assert min(abs(each.start - start) for start in starts) * STEP <= 0.3


@pytest.mark.parametrize("seed", range(4))
def test_stops_every_other_second_are_not_learnt_as_the_answer(seed):
    travel, speed = a_ride(seed)
    share, starts = np.ones(COUNT), np.arange(60, COUNT - 60, 36)
    for start in starts:
        share[start : start + 28] = 0.0
    current = given(travel, speed, share, seed)
    stops = quick_stops(current, travel, ALL)
    response = controller_response(T, travel, current, speed, ALL & ~around(stops, COUNT, 0, 0))
    assert response is not None
    found, _ = shortfalls(response, T, current, ALL, stops)
    asked = given(travel, speed, seed=seed) - 3
    clear = [a for a in starts if asked[a - 2 : a + 6].min() > 5 and np.ptp(travel[a - 6 : a + 8]) < 0.02]
    assert len(clear) > 30
    seen = [start for start in clear if min(abs(each.start - start) for each in found) * STEP <= 0.3]
    assert len(seen) >= 0.8 * len(clear)


@pytest.mark.parametrize("seed", range(4))
def test_another_consumer_that_stops_is_no_cut(seed):
    travel, speed = a_ride(seed)
    found, response = learnt(travel, speed, given(travel, speed, seed=seed) + np.where(T < 90, 14.0, 0.0))
    assert found == []
    assert response.base[:1200].mean() == pytest.approx(17, abs=1.5)
    assert response.base[-1200:].mean() == pytest.approx(3, abs=1.5)


@pytest.mark.parametrize("seed", range(4))
def test_an_output_that_shrinks_is_told_with_its_share(seed):
    travel, speed = a_ride(seed)
    share = 1 - 0.6 * np.clip((T - 70) / 60, 0, 1)
    current = given(travel, speed, share, seed)
    _, response = learnt(travel, speed, current)
    fold = fold_back(response, T, current, None, ALL)
    assert fold is not None
    assert fold.evidence > 4.5
    assert fold.lost == pytest.approx(0.6, abs=0.2)
    assert fold.start * STEP == pytest.approx(70, abs=40)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("late_slope", [0.0, 0.06])
def test_neither_a_sound_drive_nor_a_hill_at_its_end_is_a_shrinking_output(seed, late_slope):
    travel, speed = a_ride(seed, late_slope=late_slope)
    current = given(travel, speed, seed=seed)
    _, response = learnt(travel, speed, current)
    fold = fold_back(response, T, current, None, ALL)
    assert fold is not None
    assert fold.evidence < 4.5


def test_too_little_is_not_judged():
    travel, speed = a_ride(1)
    current = given(travel, speed)
    response = controller_response(T, travel, current, speed, ALL)
    assert response is not None
    assert fold_back(response, T, current, None, T < 40) is None
    assert controller_response(T, travel, current, speed, T < 10) is None
