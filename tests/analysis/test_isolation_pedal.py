"""The pedal's faults against feet and wipers that are composed here, so that their truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.foot_path import LONGEST_S, departures, shaking
from telemetry.analysis.fault_isolation.pedal import pedal_faults, pedal_trace, sensor_odds
from telemetry.analysis.fault_isolation.response import pedal_range
from tests.reference.other_drives import other_drive

REST_V, SPAN_V, NOISE_V = 0.85, 3.3, 0.006


def a_limb(seed, seconds=150.0, step=0.05):
    """Return times and travel of a foot that holds, adjusts, rests, lifts and presses, at 5 travels a second at most.

    Voluntary movements of a limb are smooth, with a bell-shaped speed (T. Flash and N. Hogan, J. Neuroscience 5,
    1985, from memory); a critically damped one is about that.
    """
    chance = np.random.default_rng(seed)
    fine = 0.005
    place, speed, wanted, base, until = 0.0, 0.0, 0.0, 0.3, -1.0
    travel = np.zeros(round(seconds / fine))
    for row in range(len(travel)):
        if row * fine > until:
            base = base if chance.random() < 0.5 else chance.uniform(0.15, 0.7)
            kind = chance.random() if row else 0.0
            wanted = 0.0 if kind < 0.2 else min(base + chance.uniform(0.2, 0.6), 1.0) if kind < 0.35 else base
            until = row * fine + (chance.uniform(0.3, 0.9) if 0.05 < kind < 0.35 else chance.uniform(1.5, 5.0))
        speed += (110 * (wanted - place) - 21 * speed) * fine
        speed = float(np.clip(speed, -5.0, 5.0))
        place = min(max(place + speed * fine, 0.0), 1.0)
        travel[row] = place
    every = round(step / fine)
    return np.arange(len(travel[::every])) * step, travel[::every]


def bumps(t, seed, share=0.03):
    """Return what bumps add to the travel: a foot swings some four times a second for half a second."""
    chance = np.random.default_rng([seed, 1])
    shaken = np.zeros(len(t))
    for at in chance.uniform(0, t[-1], 25):
        since = np.maximum(t - at, 0)
        shaken += share * chance.uniform(0.3, 1) * np.sin(8 * np.pi * since) * np.exp(-since / 0.2) * (since > 0)
    return shaken


def read(travel, seed):
    return REST_V + SPAN_V * travel + np.random.default_rng([seed, 2]).normal(0, NOISE_V, len(travel))


def judged(t, pedal):
    """Return the faults, and the log odds of a worn sensor."""
    seen = pedal_trace(t, pedal, pedal_range(pedal))
    odds = sensor_odds(seen)
    return pedal_faults(seen, odds), odds


def found_in(t, travel, seed):
    return judged(t, read(travel, seed))


def worn(travel, seed, change, band=(0.28, 0.42)):
    """Return the travel with the wiper off its track a dozen times where the foot is in the band, and the rows."""
    chance = np.random.default_rng([seed, 3])
    inside = np.flatnonzero((travel > band[0]) & (travel < band[1]))
    wrong, starts, free = travel.copy(), [], 0
    for row in inside[:: max(len(inside) // 12, 1)]:
        rows = int(chance.integers(2, 6))
        if row < free or row + rows + 2 > len(travel):
            continue
        wrong[row : row + rows] = change(travel[row : row + rows], chance)
        starts.append(int(row))
        free = row + rows + 12
    return wrong, starts


@pytest.mark.parametrize("seed", range(8))
def test_a_foot_that_is_quick_and_shaken_is_no_bad_sensor(seed):
    t, travel = a_limb(seed)
    faults, odds = found_in(t, np.clip(travel + bumps(t, seed), 0, 1), seed)
    assert faults == []
    assert odds < 0


@pytest.mark.parametrize("seed", range(4))
def test_a_foot_that_never_rests_for_long_is_not_below_rest(seed):
    t, travel = a_limb(seed)
    resting = travel < 0.02
    rows = np.arange(len(t))
    since = rows - np.maximum.accumulate(np.where(resting, -1, rows))
    travel = travel[since < 12]
    assert found_in(t[: len(travel)], travel, seed)[0] == []


@pytest.mark.parametrize("share", [0.02, 0.05])
def test_a_foot_that_trembles_throughout_is_no_bad_sensor(share):
    t, travel = a_limb(2)
    trembling = np.random.default_rng(2).normal(0, share, len(t)) * (travel > 0.03)
    faults, odds = found_in(t, np.clip(travel + trembling, 0, 1), 2)
    assert faults == []
    assert odds < 0


CHANGES = {
    "dip": lambda true, chance: 0.5 * true,
    "spike": lambda true, chance: true + 0.6 * (1 - true),
    "open": lambda true, chance: np.full(len(true), -0.2),
    "noise": lambda true, chance: true + chance.normal(0, 0.25, len(true)),
}


@pytest.mark.parametrize("kind", CHANGES)
@pytest.mark.parametrize("seed", range(3))
def test_a_worn_track_is_found_event_by_event(kind, seed):
    t, travel = a_limb(seed)
    travel = np.clip(travel + bumps(t, seed), 0, 1)
    wrong, starts = worn(travel, seed, CHANGES[kind])
    faults, odds = found_in(t, wrong, seed)
    hit = [any(abs(fault.t - t[row]) <= 0.15 for fault in faults) for row in starts]
    assert len(starts) >= 6
    assert sum(hit) >= 0.8 * len(starts)
    assert len(faults) <= len(starts) + 2
    assert odds > 5
    low, high = np.quantile([fault.travel for fault in faults], [0.1, 0.9])
    assert low > 0.2
    assert high < 0.5


def test_slight_dips_are_believed_only_where_plain_ones_show_a_worn_track():
    t = np.arange(0, 60, 0.05)
    travel = 0.3 + 0.4 * np.sin(0.4 * t) ** 2
    travel[:100] = travel[-100:] = 0.0
    alike = [row for row in range(120, 1080, 40) if row != 600 and abs(travel[row] - travel[600]) < 0.05]
    slight = travel.copy()
    slight[600:603] -= 0.035
    plain = slight.copy()
    for row in alike:
        plain[row : row + 4] = -0.2
    assert len(alike) >= 3
    assert found_in(t, slight, 0)[0] == []
    starts = [fault.t for fault in found_in(t, plain, 0)[0]]
    assert any(abs(start - t[600]) < 0.1 for start in starts)


@given(st.lists(st.floats(0.0, 5.0), min_size=20, max_size=80))
def test_the_range_of_any_readings_is_one_that_was_read(volts):
    limits = pedal_range(np.array(volts))
    assert min(volts) <= limits.rest <= max(volts)
    assert limits.rest < limits.top <= max(*volts, limits.rest + 0.05)
    assert limits.noise > 0


def test_a_signal_below_rest_is_no_foot_even_once():
    t, travel = a_limb(4)
    row = int(np.flatnonzero(travel > 0.3)[40])
    travel[row : row + 3] = -0.22
    ((fault,), _) = found_in(t, travel, 4)
    assert fault.kind == "below rest"
    assert fault.what == "drop-out"
    assert fault.t == pytest.approx(t[row], abs=0.05)
    assert fault.duration == pytest.approx(0.15, abs=0.051)


@pytest.mark.parametrize("step", [0.01, 0.02, 0.05, 0.1])
def test_readings_may_come_at_any_rate_that_shows_a_drop_out(step):
    t, travel = a_limb(5, 90.0, step)
    rows = round(0.25 / step)
    places = [int(row) for row in np.flatnonzero(travel > 0.25)[:: len(t) // 8]][1:6]
    for row in places:
        travel[row : row + rows] *= 0.3
    found, _ = found_in(t, travel, 5)
    assert sum(any(abs(fault.t - t[row]) <= 0.1 for fault in found) for row in places) >= len(places) - 1


def test_a_gap_in_the_recording_is_no_jump():
    t, travel = a_limb(6)
    kept = np.ones(len(t), dtype=bool)
    for row in range(200, 2800, 100):
        kept[row : row + 20] = False
    assert found_in(t[kept], travel[kept], 6)[0] == []


def test_the_way_of_the_foot_is_cut_where_the_readings_are_off_it():
    t, travel = a_limb(7, 40.0)
    travel = travel + np.random.default_rng(7).normal(0, 0.002, len(t))
    held = next(row for row in range(100, 700) if np.ptp(travel[row - 10 : row + 15]) < 0.02 and travel[row] > 0.2)
    travel[held + 1 : held + 5] -= 0.15
    surprise, spread = shaking(travel, 0.002)
    cut = [
        (each.left, each.back) for each in departures(travel, surprise, spread, -0.05, 0.25, 0.05) if each.margin > 5
    ]
    assert (held, held + 5) in cut
    assert all(back - left <= LONGEST_S / 0.05 for left, back in cut)


@pytest.mark.parametrize("seed", [300, 301, 302])
def test_the_other_machine_shows_its_bad_pedal_and_its_sound_ones_none(seed):
    drive = other_drive("pedal-sensor", seed)
    pedal = drive.table[:, 0]
    t = np.arange(len(pedal)) * 0.05
    found, odds = judged(t, pedal)
    assert odds > 3
    hit = sum(any(abs(fault.t - event[0]) <= 0.3 for fault in found) for event in drive.events)
    assert hit >= 0.7 * len(drive.events)
    sound = other_drive("healthy", seed).table[:, 0]
    assert judged(t, sound)[0] == []
