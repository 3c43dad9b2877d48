"""Losses of the supply: when, by whom, and what only looks like one."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.compare import _loses
from telemetry.analysis.fault_isolation.pack_switch import supply_losses
from telemetry.analysis.fault_isolation.power_path import share_lost

STEP = 0.05
OHM = 0.08
BACK_S = 0.4


def driving(seconds=120.0, seed=2):
    """A pack of 52 V behind ``OHM`` under a current that a foot changes; 2 A flow always."""
    random = np.random.default_rng(seed)
    rows = round(seconds / STEP)
    asked = np.repeat(random.uniform(0, 60, rows // 40 + 1), 40)[:rows]
    current = 2 + np.convolve(asked, np.ones(6) / 6, "same")
    return 52 - OHM * current + random.normal(0, 0.02, rows), current + random.normal(0, 0.3, rows)


def opened(start, rows, empties_s):
    """The path opens for some rows; the capacitor at the controller empties with a time constant."""
    voltage, current = driving()
    for row in range(start, start + rows):
        current[row] = 0.2
        voltage[row] = voltage[start - 1] * np.exp(-(row - start + 0.5) * STEP / empties_s)
    back = slice(start + rows, start + rows + round(BACK_S / STEP))
    share = np.linspace(0, 1, back.stop - back.start)
    voltage[back] += OHM * (1 - share) * current[back]
    current[back] *= share
    return voltage, current


@pytest.mark.parametrize("rows", [1, 2, 4, 9])
@pytest.mark.parametrize("empties_s", [0.02, 0.9])
@pytest.mark.parametrize("start", [407, 1111])
def test_an_opening_is_found_once_and_where_it_begins(rows, empties_s, start):
    (loss,) = supply_losses(*opened(start, rows, empties_s), np.ones(2400))
    assert loss.by_switch is False
    assert abs(loss.start - start) <= 1
    assert abs(loss.end - start - rows) <= 1


def test_a_quick_foot_a_sag_and_a_jump_of_load_are_no_openings():
    voltage, current = driving()
    released = slice(600, 640)
    voltage[released] += OHM * current[released]
    current[released] = 0
    voltage[800:860] -= 12
    assert supply_losses(voltage, current, np.ones(2400)) == []


@pytest.mark.parametrize("late", [2, 4, 6])
def test_a_voltage_that_comes_late_is_no_opening(late):
    voltage, current = driving()
    assert supply_losses(np.roll(voltage, late), current, np.ones(2400)) == []
    assert supply_losses(np.roll(voltage, -late), current, np.ones(2400)) == []


def test_a_switch_that_chatters_is_counted_every_time_though_the_report_misses_most():
    voltage, current = driving()
    allowed = np.ones(2400)
    starts = range(1000, 1220, 11)
    for start in starts:
        voltage[start : start + 9], current[start : start + 9] = 0.03, 0.1
    off = voltage < 1
    allowed[4:] = np.repeat(~off[::8], 8)[:-4]
    losses = supply_losses(voltage, current, allowed)
    assert [loss.start for loss in losses] == list(starts)
    assert all(loss.by_switch for loss in losses)


def test_a_switch_that_opens_with_hardly_any_current_is_found():
    voltage, current = driving()
    current[300:700] = 0.4
    voltage[300:500] = 52
    voltage[500:700] = 52 * np.exp(-np.arange(200) * STEP / 1.2)
    allowed = np.ones(2400)
    allowed[504:704] = 0
    (loss,) = supply_losses(voltage, current, allowed)
    assert loss.by_switch
    assert abs(loss.start - 500) <= 1


def test_refused_braking_is_a_loss_upwards():
    voltage, current = driving()
    current[900:920] = -8
    voltage[900:920] = 52.6
    current[920:960], voltage[920:960] = 0, 52
    voltage[920:922] = 57, 55
    (loss,) = supply_losses(voltage, current, np.ones(2400))
    assert loss.upward
    assert loss.charging
    assert loss.start == 920


def test_who_switches_off_before_the_recorder_broke_nothing():
    voltage, current = driving()
    current[2000:] = 0.1
    voltage[2000:2100] = 52
    voltage[2100:] = 52 * np.exp(-np.arange(300) * STEP / 0.9)
    assert supply_losses(voltage, current, None) == []
    current[2060:2100] = 20
    (loss,) = supply_losses(voltage, current, None)
    assert loss.lasts


@pytest.mark.parametrize(("ohm", "offset"), [(0.001, -0.4), (0.005, 0.3), (0.06, 0.0)])
def test_what_is_lost_between_two_meters_is_told_whatever_their_offset(ohm, offset):
    random = np.random.default_rng(8)
    current = np.abs(np.convolve(random.normal(0, 60, 3600), np.ones(20) / 20, "same")) + 2
    pack = 52 - 0.02 * current + random.normal(0, 0.03, 3600)
    supply = pack - ohm * current + offset + random.normal(0, 0.03, 3600)
    lost = share_lost(pack, supply, current, np.ones(3600, dtype=bool))
    assert lost == pytest.approx(ohm * np.quantile(current, 0.995) / 51.6, rel=0.1, abs=5e-4)
    assert (_loses(lost) > 1) == (lost > 0.03)
    assert np.isnan(share_lost(np.full(3600, np.nan), supply, current, np.ones(3600, dtype=bool)))


def test_a_loss_that_is_not_known_says_nothing_and_a_greater_one_never_less():
    assert _loses(float("nan")) == 0
    odds = [_loses(share) for share in np.linspace(0.0, 0.3, 60)]
    assert odds == sorted(odds)
    assert odds[0] < 0 < odds[-1]
