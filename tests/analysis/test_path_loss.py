"""The loss between pack and controller, and predicted sag: against drives of known resistance and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.instruments import errors_at
from telemetry.analysis.path_loss import find_path_loss, sag_in_the_cold, sag_nearly_empty
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.session_power import find_power
from telemetry.machine.pack_keys import Pack

SECOND = 1_000_000
ERRORS = errors_at(None, None)


def session(seconds, path_ohm, *, late_s=0.0, controller_offset=0.0, controller_gain=1.0, seed=1):
    """Return a drive of 24 cells at 5 Hz with ``path_ohm`` between pack and controller."""
    rng = np.random.default_rng(seed)
    t = (np.arange(seconds * 5) * SECOND / 5).astype(np.int64)
    current = np.repeat(rng.choice([5.0, 40.0, 90.0, 120.0], size=seconds // 12 + 1), 60)[: len(t)]
    volts = 79.2 - 0.03 * current
    signals = {
        "pack_current": Series(t, current + rng.normal(0, 0.2, len(t))),
        "pack_voltage": Series(t, volts + rng.normal(0, 0.01, len(t))),
        "controller_voltage": Series(
            t + round(late_s * SECOND),
            controller_gain * (volts - path_ohm * current) + controller_offset + rng.normal(0, 0.02, len(t)),
        ),
    }
    return SessionSeries("s", 0, int(t[-1] + late_s * SECOND), 0, "relative", signals, None)


@pytest.mark.parametrize("late_s", [0.0, 0.4])
@pytest.mark.parametrize("offset", [0.0, -0.6])
def test_a_known_path_is_found_whatever_the_lag_and_the_offset_of_a_meter(late_s, offset):
    series = session(900, 0.0036, late_s=late_s, controller_offset=offset)
    found = find_path_loss(series, find_power(series).current, ERRORS)
    assert found.ohm is not None
    assert found.ohm.low - 2e-4 <= 0.0036 <= found.ohm.high + 2e-4
    assert found.ohm.mid == pytest.approx(0.0036, abs=3e-4)


@pytest.mark.parametrize("gain", [0.995, 1.0, 1.005])
def test_two_voltmeters_half_a_percent_apart_do_not_make_a_path_of_the_packs_own_sag(gain):
    # 0.5 % of the pack's 30 mOhm are 0.15 mOhm
    series = session(900, 0.0036, controller_gain=gain)
    found = find_path_loss(series, find_power(series).current, ERRORS).ohm
    assert found.low <= 0.0036 <= found.high
    assert found.mid == pytest.approx(0.0036, abs=5e-5)


def test_what_a_switched_off_controller_shows_between_two_rows_of_current_is_no_loss():
    # the pack opens under full load four times: the controller's capacitor empties before the current is read anew
    series = session(900, 0.0036)
    late = session(900, 0.0036, late_s=0.1).get("controller_voltage")
    current, volts = series.get("pack_current"), late.values.copy()
    for row in (600, 1500, 2400, 3300):
        current.values[row : row + 30] = 0.0
        volts[row - 1 : row + 30] -= 30.0
    dropped = replace(series, signals={**series.signals, "controller_voltage": Series(late.t, volts)})
    found = find_path_loss(dropped, find_power(dropped).current, ERRORS).ohm
    assert found.mid == pytest.approx(0.0036, abs=1e-4)


def test_without_a_controller_voltage_it_says_what_to_record():
    series = session(900, 0.0036)
    signals = {name: each for name, each in series.signals.items() if name != "controller_voltage"}
    bare = SessionSeries("s", 0, series.end, 0, "relative", signals, None)
    found = find_path_loss(bare, find_power(bare).current, ERRORS)
    assert found.ohm is None
    assert found.why == "record controller_voltage"


def test_a_minute_does_not_tell():
    series = session(60, 0.0036)
    assert find_path_loss(series, find_power(series).current, ERRORS).ohm is None


PACK = Pack(chemistry="lfp", cells_in_series=24, capacity_ah=105.0, open_circuit=((0, 2.6), (20, 3.25), (100, 3.4)))


def test_sag_nearly_empty_is_rested_voltage_less_resistance_times_current():
    # 24 cells at 3.25 V are 78.0 V; 100 A through 30 mOhm take 3.0 V
    assert sag_nearly_empty(PACK, Range.exactly(0.03), 100.0).volts.mid == pytest.approx(75.0)


def test_the_cold_takes_the_resistance_up_by_fifteen_per_cent_each_five_degrees():
    # 25 °C are five steps: 1.15 ** 5 = 2.011; 78.0 - 2.011 * 3.0 = 71.97 V
    found = sag_in_the_cold(PACK, Range.exactly(0.03), 100.0, 25.0).volts
    assert found.mid == pytest.approx(78.0 - 1.15**5 * 3.0)
    assert found.low < 78.0 - 1.25**5 * 3.0 + 0.1
    assert found.high > 78.0 - 1.08**5 * 3.0 - 0.1


def test_a_drive_below_freezing_is_not_made_warmer():
    cold, here = (
        sag_in_the_cold(PACK, Range.exactly(0.03), 100.0, -5.0),
        sag_nearly_empty(PACK, Range.exactly(0.03), 100.0),
    )
    assert cold.volts == here.volts


def test_without_a_temperature_the_cold_is_not_known():
    found = sag_in_the_cold(PACK, Range.exactly(0.03), 100.0, None)
    assert (found.volts, found.why) == (None, "record pack_temperature_1")


def test_a_lead_pack_in_the_cold_is_not_guessed():
    lead = replace(PACK, chemistry="lead-flooded")
    found = sag_in_the_cold(lead, Range.exactly(0.03), 100.0, 25.0)
    assert (found.volts, found.why) == (None, "no factor for cold is known for this chemistry")


@given(st.floats(0.001, 0.1), st.floats(1.0, 300.0), st.floats(0.0, 45.0))
def test_the_colder_pack_never_sags_less(ohm, amperes, celsius):
    warm = sag_in_the_cold(PACK, Range.exactly(ohm), amperes, celsius).volts
    assert warm.mid <= sag_nearly_empty(PACK, Range.exactly(ohm), amperes).volts.mid + 1e-9
    assert warm.low <= warm.mid <= warm.high
