"""The pedal on the bench: whatever is put into two slow presses is found where it was put."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.enabled_bench import judge_enabled
from telemetry.analysis.fault_isolation.pedal_bench import judge_pedal


def two_presses(seconds=4.0, rate=20.0, rest=0.8, top=4.2, noise=0.004, seed=1, count=2):
    """Two slow presses of a pedal: times, travel, volts."""
    one = [(0.0, 0.0), (2.0, 0.0), (2.0 + seconds, 1.0), (3.0 + seconds, 1.0), (3.0 + 2 * seconds, 0.0)]
    length = one[-1][0]
    t = np.arange(0.0, count * length + 2.0, 1.0 / rate)
    at, to = zip(*one, strict=True)
    travel = np.where(t < count * length, np.interp(t % length, at, to), 0.0)
    return t, travel, rest + (top - rest) * travel + np.random.default_rng(seed).normal(0.0, noise, len(t))


@settings(max_examples=25)
@given(st.floats(3.0, 8.0), st.sampled_from([10.0, 20.0, 50.0]), st.floats(0.0, 1.2), st.integers(0, 99))
def test_a_sound_pedal_is_sound(seconds: float, rate: float, rest: float, seed: int) -> None:
    t, _, volts = two_presses(seconds, rate, rest, seed=seed)
    found = judge_pedal(t, volts)
    assert found.is_sound, found
    assert found.presses == 2
    assert found.rest == pytest.approx(rest, abs=0.05)
    assert found.top == pytest.approx(4.2, abs=0.05)


@settings(max_examples=25)
@given(st.floats(0.25, 0.8), st.sampled_from([10.0, 20.0, 50.0]), st.sampled_from(["nothing", "dips"]))
def test_a_bad_spot_is_found_where_it_is(spot: float, rate: float, sort: str) -> None:
    t, travel, volts = two_presses(6.0, rate)
    bad = np.abs(travel - spot) < 0.03
    volts[bad] = 0.02 if sort == "nothing" else volts[bad] - 0.25 * 3.4 * spot - 0.3
    found = judge_pedal(t, volts)
    assert len(found.wrong) >= 1
    assert found.unknown == ""
    assert all(abs(fault.travel - spot) < 0.12 for fault in found.faults), found
    assert 3 <= len(found.faults) <= 8
    assert any("%" in sentence for sentence in found.wrong)


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (two_presses(count=1), "one full press"),
        (two_presses(seconds=0.4), "too fast"),
        (two_presses(rate=2.0), "10 Hz"),
        (two_presses(top=0.85), "not connected"),
    ],
)
def test_poor_evidence_blames_nothing(signal, words: str) -> None:
    found = judge_pedal(signal[0], signal[2])
    assert words in found.unknown
    assert found.wrong == ()
    assert not found.is_sound


def test_a_spot_where_the_signal_goes_to_and_fro_jitters() -> None:
    t, travel, volts = two_presses(6.0, 20.0)
    bad = (np.abs(travel - 0.5) < 0.06) & (t < 10.0)
    volts[bad] += np.where(np.arange(bad.sum()) % 2, 0.9, -0.9)
    found = judge_pedal(t, volts)
    assert any(fault.what == "jitters" for fault in found.faults), found
    assert any("the signal jitters" in sentence for sentence in found.wrong)


def test_what_is_odd_of_the_end_stops_is_a_remark_and_no_fault() -> None:
    t, travel, _ = two_presses(6.0, 20.0)
    noise = np.random.default_rng(2).normal(0.0, 0.004, len(t))
    second = np.where(t > 17.0, 0.85, 1.0)  # pressed less far the second time
    bound = judge_pedal(t, 0.8 + 3.4 * travel * second + noise)
    assert bound.is_sound
    assert any("it binds or its end stop is worn" in remark for remark in bound.remarks), bound
    wide = judge_pedal(t, 0.8 + 4.15 * travel + noise)
    assert any("near a 5 V supply: a lost ground" in remark for remark in wide.remarks), wide
    assert judge_pedal(t, 0.8 + 3.4 * travel + noise).remarks == ()


def test_wheels_that_do_not_turn_and_a_speed_that_sinks_are_told() -> None:
    t = np.arange(0.0, 30.0, 0.1)
    steady = (t, np.full(len(t), 24.0))
    stands = judge_enabled(
        {"enable_voltage": steady, "motor_speed": (t, 0.0 * t), "throttle_voltage": (t, 0 * t + 0.8)}
    )
    assert "the wheels did not turn: enable the controller" in stands.unknown
    pressed = (t, np.where(t < 3.0, 0.8, 3.0))
    sinking = (t, np.where(t < 3.0, 0.0, 900.0 - 8.0 * (t - 3.0)))
    sinks = judge_enabled({"enable_voltage": steady, "motor_speed": sinking, "throttle_voltage": pressed})
    assert sinks.suspects == ("motor_speed",)
    assert "rpm with the throttle held: the controller folds back" in sinks.wrong[0]


def test_the_enable_line_that_drops_out_is_named() -> None:
    t = np.arange(0.0, 30.0, 0.1)
    enable, speed = np.full(len(t), 24.0), np.full(len(t), 900.0)
    assert judge_enabled({"enable_voltage": (t, enable), "motor_speed": (t, speed)}).is_sound
    enable[100:103] = 3.0
    found = judge_enabled({"enable_voltage": (t, enable), "motor_speed": (t, speed)})
    assert len(found.wrong) == 1
    assert "enable_voltage dropped out once" in found.wrong[0]
    assert "hold it steady" in judge_enabled({"enable_voltage": (t, enable), "throttle_voltage": (t, t)}).unknown
    assert "none of" in judge_enabled({}).unknown
