from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode.device_clock import FARTHEST_AHEAD, MARGIN, ArrivalClock, DeviceClock, PlayOut

START = 1_700_000_000_000_000
SECOND = 1_000_000


def clumps(times, hold_us, *, jitter_us=0, seed=1):
    """Lines made at ``times`` (microseconds), let go together each ``hold_us``: (arrival, places) of each clump."""
    noise = random.Random(seed)
    made = np.asarray(times)
    released = (made // hold_us + 1) * hold_us
    for release in np.unique(released):
        yield int(release) + noise.randint(0, jitter_us), np.flatnonzero(released == release)


def mapped(clock, made, device, hold_us, **how):
    """Our time of each line, and how far the newest of each clump lies ahead of its arrival."""
    ours = np.zeros(len(made), dtype=np.int64)
    ahead = []
    for arrival, places in clumps(made, hold_us, **how):
        ours[places] = clock.map([device[p] for p in places], START + arrival)
        ahead.append(int(ours[places].max()) - START - arrival)
    return ours, ahead


@pytest.mark.parametrize("hold_us", [1, 16_000, 200_000, 1_000_000])
def test_spacing_is_kept_to_a_millisecond_when_lines_come_in_clumps(hold_us):
    made = np.arange(0, 60 * SECOND, 100_000) + 1234
    ours, ahead = mapped(DeviceClock("us"), made, made + 777_000_000, hold_us)
    settled = ours[made > 5 * SECOND]
    assert np.abs(np.diff(settled) - 100_000).max() < 1000
    assert max(ahead) <= hold_us + MARGIN
    assert np.all(ours >= START + made)


def test_what_was_learnt_is_forgotten_at_once_when_the_device_begins_anew():
    play = PlayOut()
    assert play.offset(10 * SECOND, 1 * SECOND, 1 * SECOND) == 9 * SECOND + MARGIN
    assert play.offset(11 * SECOND, 2 * SECOND, 2 * SECOND) == 9 * SECOND + MARGIN
    play.relearn()
    assert play.offset(12 * SECOND, 11 * SECOND, 11 * SECOND) == 1 * SECOND + MARGIN


def test_milliseconds_and_seconds():
    for unit, scale in (("ms", 1000), ("s", 1_000_000)):
        clock = DeviceClock(unit)
        first = clock.map([100.0, 100.5], START)
        assert first[1] - first[0] == scale // 2


def test_a_hundred_parts_in_a_million_are_followed_for_an_hour():
    for drift in (100e-6, -100e-6):
        made = np.arange(0, 3600 * SECOND, 250_000)
        ours, ahead = mapped(DeviceClock("us"), made, made * (1 + drift), 200_000, jitter_us=2000)
        late = ours - (START + made)
        assert late.min() >= 0
        assert late.max() < 200_000 + MARGIN + 10_000  # 3600 s * 100 ppm would be 360 ms
        assert max(ahead) < 300_000
        spacing = np.diff(ours[made > 60 * SECOND])
        assert np.abs(spacing - 250_000).max() < 3000
        assert abs(spacing.mean() - 250_000) < 25


def test_a_hold_up_is_forgotten_slowly_enough_not_to_bend_the_spacing():
    clock = DeviceClock("us")
    made = np.arange(0, 300 * SECOND, 100_000)
    late = np.where((made >= 20 * SECOND) & (made < 21 * SECOND), 21 * SECOND, made)
    ours = [clock.map([float(d)], START + int(a))[0] for d, a in zip(made, late, strict=True)]
    spacing = np.diff(np.array(ours)[made > 22 * SECOND])
    assert np.abs(spacing - 100_000).max() <= 1001
    assert ours[-1] - START - made[-1] < MARGIN + 50_000


def test_no_row_lies_farther_ahead_than_allowed():
    made = np.arange(0, 60 * SECOND, 100_000)
    _, ahead = mapped(DeviceClock("ms"), made, made / 1000, 5 * SECOND)
    assert max(ahead) <= FARTHEST_AHEAD


@pytest.mark.parametrize("wraps_at", [2**32, None])
def test_a_count_that_begins_again(wraps_at):
    # 32-bit count of microseconds: wraps every 71.6 minutes
    made = np.arange(0, 20 * SECOND, 10_000)
    device = (made + 2**32 - 10 * SECOND) % 2**32
    clock = DeviceClock("us", wraps_at)
    ours, _ = mapped(clock, made, device, 50_000)
    spacing = np.diff(ours[made > SECOND])
    if wraps_at:
        assert np.abs(spacing - 10_000).max() < 1000
        assert clock.restarts == clock.untimed == 0
    else:
        assert clock.restarts == 1
        assert np.sort(np.abs(spacing - 10_000))[-8] < 1000
    assert np.all(np.diff(ours) >= 0)


@pytest.mark.parametrize("ran_for", [1 * SECOND, 30 * SECOND, 3000 * SECOND])
def test_a_restart_of_the_device_is_noticed_and_learnt_anew(ran_for):
    clock = DeviceClock("us", 2**32)
    made = np.concatenate([np.arange(0, 10 * SECOND, 100_000), np.arange(12 * SECOND, 30 * SECOND, 100_000)])
    device = np.where(made < 11 * SECOND, made + ran_for - 10 * SECOND, made - 12 * SECOND)
    if ran_for == SECOND:  # it restarted after a second already
        device = np.where(made < 11 * SECOND, made % SECOND, made - 12 * SECOND)
    ours, ahead = mapped(clock, made, device, 50_000)
    assert clock.restarts >= 1
    after = ours[made > 14 * SECOND]
    assert np.abs(np.diff(after) - 100_000).max() < 1000
    assert np.abs(after - START - made[made > 14 * SECOND]).max() < 250_000
    assert max(ahead) < 500_000


def test_one_garbled_time_is_a_row_without_time_and_no_restart():
    clock = DeviceClock("ms")
    clock.map([1000.0, 1100.0], START)
    times = clock.map([1200.0, 91300.0, 1400.0, float("nan"), 1600.0], START + 500_000)
    assert times[1] == times[0]
    assert times[3] == times[2]
    assert [t - times[0] for t in (times[2], times[4])] == [200_000, 400_000]
    assert (clock.restarts, clock.untimed) == (0, 2)


def test_lines_that_overtook_one_another_get_their_own_times():
    clock = DeviceClock("ms")
    a, b, c, d = clock.map([1000.0, 1100.0, 1300.0, 1200.0], START)
    assert (b - a, c - a, d - a) == (100_000, 300_000, 200_000)
    assert clock.restarts == 0


ANY_TIME = st.floats(allow_nan=True, allow_infinity=True) | st.integers(0, 10_000).map(float)


@given(
    st.lists(st.tuples(st.lists(ANY_TIME, min_size=1, max_size=5), st.integers(0, 3 * SECOND)), max_size=12),
    st.sampled_from(["s", "ms", "us"]),
    st.sampled_from([None, 65536, 2**32]),
)
@settings(deadline=None, max_examples=150)
def test_whatever_the_device_says_no_time_is_behind_an_earlier_clump_or_too_far_ahead(said, unit, wraps_at):
    clock = DeviceClock(unit, wraps_at)
    arrival, last = START, 0
    for device, wait in said:
        arrival += wait
        times = clock.map(device, arrival)
        assert len(times) == len(device)
        assert min(times) >= last
        assert max(times) <= arrival + FARTHEST_AHEAD
        last = max(times)


class TestWithoutDeviceTime:
    def test_lines_of_a_clump_share_its_arrival_until_an_interval_is_known(self):
        clock = ArrivalClock()
        assert clock.map(3, START) == [START] * 3
        assert clock.map(0, START + 1) == []
        assert clock.map(1, START + 5) == [START + 5]

    def test_a_steady_interval_is_learnt_and_spaces_the_lines(self):
        clock = ArrivalClock()
        made = np.arange(0, 60 * SECOND, 20_000)
        ours = np.zeros(len(made), dtype=np.int64)
        for arrival, places in clumps(made, 100_000, jitter_us=1000):
            ours[places] = clock.map(len(places), START + arrival)
        assert clock.interval == pytest.approx(20_000, rel=0.01)
        settled = np.diff(ours[made > 20 * SECOND])
        assert settled.min() > 0
        assert np.abs(settled - 20_000).max() < 2000
        assert np.abs(ours - START - made).max() < 400_000

    def test_an_unsteady_device_gets_arrival_times(self):
        clock = ArrivalClock()
        noise = random.Random(3)
        arrival = START
        for _ in range(2000):
            arrival += round(noise.expovariate(1 / 50_000)) + (SECOND if noise.random() < 0.02 else 0)
            count = noise.randint(1, 4)
            times = clock.map(count, arrival)
            if clock.interval is None:
                assert max(times) - arrival <= 500_000
        assert clock.interval is None

    @given(st.lists(st.tuples(st.integers(1, 30), st.integers(0, 2 * SECOND)), max_size=60))
    @settings(deadline=None, max_examples=60)
    def test_times_never_fall(self, said):
        clock, arrival, last = ArrivalClock(), START, 0
        for count, wait in said:
            arrival += wait
            times = clock.map(count, arrival)
            assert times == sorted(times)
            assert times[0] >= last
            assert times[-1] <= arrival + 500_000
            last = times[-1]
