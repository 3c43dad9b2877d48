"""Lags that were put in are found again, within the uncertainty stated; where nothing can tell, it says so.

From outside: scipy.signal.correlate, a reference library for the cross-correlation. The drives are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import correlate, correlation_lags

from telemetry.analysis.alignment import Pair, find_pairs, lags
from telemetry.analysis.alignment_tracks import Track, read_tracks
from telemetry.analysis.delay import Delay, delay_by_blips, delay_by_changes
from telemetry.analysis.pedal_blips import find_blips
from telemetry.analysis.series import read_series
from telemetry.model.batch import Batch, Group, Span

STEP = 0.005


def drive(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Return a current that goes to a new level every one to six seconds with a time constant of 0.15 s."""
    levels = np.concatenate([np.full(int(rng.uniform(1, 6) / STEP), rng.uniform(0, 80)) for _ in range(80)])
    return delayed(levels, 0.15)[: int(seconds / STEP)]


def delayed(levels: np.ndarray, time_constant: float) -> np.ndarray:
    response = np.exp(-np.arange(0, 8 * time_constant, STEP) / time_constant)
    return np.convolve(levels, response / response.sum())[: len(levels)]


def presses(rng: np.random.Generator, count: int, seconds: float, width: float = 0.65) -> np.ndarray:
    """Return a pedal pressed ``count`` times from 6 s on, 0 to 1, each 5 ms, with feet that need 0.1 s."""
    pedal, start = np.zeros(int(seconds / STEP)), 6 + rng.uniform(0, 0.5)
    for _ in range(count):
        end = start + width * rng.uniform(0.8, 1.2)
        pedal[int(start / STEP) : int(end / STEP)] = 1
        start = end + rng.uniform(0.6, 1.4)
    return np.convolve(pedal, np.full(20, 0.05))[: len(pedal)]


def read(rng: np.random.Generator, truth: np.ndarray, rate: float, lag: float = 0.0, noise: float = 0.0):
    """Return times and values as a source reads them: at its own phase, with jitter, late by ``lag``, noisy."""
    t = np.arange(2 + rng.uniform(0, 1 / rate), len(truth) * STEP - 2, 1 / rate) + rng.normal(0, 0.001)
    values = np.interp(t - lag, np.arange(len(truth)) * STEP, truth) + rng.normal(0, noise, len(t))
    return np.round(t * 1e6).astype(np.int64), values


class TestAgainstScipy:
    @pytest.mark.parametrize("shift", [-40, -7, 0, 3, 25])
    def test_whole_samples(self, shift: int) -> None:
        # scipy.signal.correlate of the same changes peaks at the same delay.
        rng = np.random.default_rng(4)
        truth = drive(rng, 60)[::4]  # 50 Hz
        first, second = truth[100:-100], np.roll(truth, shift)[100:-100] + rng.normal(0, 0.2, len(truth) - 200)
        t = (np.arange(len(first)) * 20_000).astype(np.int64)
        a, b = first[15:] - first[:-15], second[15:] - second[:-15]
        peak = correlation_lags(len(b), len(a))[np.argmax(correlate(b, a, method="direct"))]
        assert peak == shift
        assert delay_by_changes((t, first), (t, second)).seconds == pytest.approx(peak * 0.02, abs=0.002)

    @pytest.mark.parametrize("lag", [-0.437, 0.013, 0.291])
    def test_between_samples(self, lag: float) -> None:
        # Both read at 50 Hz; scipy's peak on a grid of 1 ms, to which both are interpolated.
        rng = np.random.default_rng(5)
        truth = drive(rng, 60)
        first, second = read(rng, truth, 50), read(rng, truth, 50, lag, 0.2)
        grid = np.arange(3_000_000, 57_000_000, 1000)
        a, b = (np.interp(grid, *each) for each in (first, second))
        a, b = a[300:] - a[:-300], b[300:] - b[:-300]
        peak = correlation_lags(len(b), len(a))[np.argmax(correlate(b, a, method="fft"))] / 1000
        assert delay_by_changes(first, second).seconds == pytest.approx(peak, abs=0.004)


class TestSharedSignal:
    @settings(max_examples=15)
    @given(
        seed=st.integers(0, 2**31),
        lag=st.floats(-0.8, 0.8),
        rate=st.sampled_from([1.0, 2.0, 5.0, 50.0]),
        noise=st.floats(0, 1.0),
        sign=st.sampled_from([1, -1]),
        turned=st.booleans(),
    )
    def test_a_lag_is_found_again(self, seed, lag, rate, noise, sign, turned) -> None:
        rng = np.random.default_rng(seed)
        truth = drive(rng, 90)
        fast = read(rng, truth, 50, 0.0, noise)
        slow = read(rng, 52 + 0.1 * sign * truth, rate, lag, 0.1 * noise)
        told = delay_by_changes(slow, fast, sign) if turned else delay_by_changes(fast, slow, sign)
        assert isinstance(told, Delay), told
        assert (-told.seconds if turned else told.seconds) == pytest.approx(lag, abs=4 * told.uncertainty_s)
        assert told.uncertainty_s < 0.1

    @settings(max_examples=15)
    @given(seed=st.integers(0, 2**31), rate=st.sampled_from([2.0, 50.0]), still=st.booleans())
    def test_what_has_nothing_in_common_is_not_matched(self, seed, rate, still) -> None:
        rng = np.random.default_rng(seed)
        one, other = drive(rng, 60), drive(rng, 60)
        told = delay_by_changes(
            read(rng, one * (not still), 50, 0, 0.5), read(rng, other * (not still), rate, 0, 0.5)
        )
        assert isinstance(told, str)

    def test_nothing_is_read_across_a_gap(self) -> None:
        rng = np.random.default_rng(8)
        truth = drive(rng, 120)
        t, values = read(rng, truth, 50, 0.0, 0.2)
        kept = (t < 40_000_000) | (t > 60_000_000)
        told = delay_by_changes((t[kept], values[kept]), read(rng, truth, 2, 0.31, 0.2))
        assert told.seconds == pytest.approx(0.31, abs=0.02)

    @pytest.mark.parametrize(
        ("rate", "seconds", "words"), [(0.5, 200, "intervals too long"), (50, 4.1, "fewer than")]
    )
    def test_too_little_says_why(self, rate, seconds, words) -> None:
        rng = np.random.default_rng(1)
        truth = drive(rng, seconds)
        assert words in delay_by_changes(read(rng, truth, rate), read(rng, truth, rate))

    def test_a_lag_at_the_edge_of_the_search_may_be_longer(self) -> None:
        rng = np.random.default_rng(3)
        truth = drive(rng, 90)
        told = delay_by_changes(read(rng, truth, 50, 0.0, 0.2), read(rng, truth, 50, 4.95, 0.2))
        assert "edge of the search, so the lag may be longer" in told

    @pytest.mark.parametrize("levels", [1, 2])
    def test_a_drive_that_hardly_changes_tells_nothing(self, levels: int) -> None:
        current = np.repeat(np.arange(levels) * 40.0, 30 * 200 // levels)
        t = np.arange(0, 30_000_000, 20_000)
        values = current[:: len(current) // len(t)][: len(t)]
        assert "too few changes" in delay_by_changes((t, values), (t, values))

    def test_what_was_recorded_at_different_times_is_not_matched(self) -> None:
        rng = np.random.default_rng(9)
        truth = drive(rng, 120)
        t, values = read(rng, truth, 50, 0.0, 0.2)
        first, second = t < 50_000_000, t > 70_000_000
        told = delay_by_changes((t[first], values[first]), (t[second], values[second]))
        assert "do not match" in told

    def test_a_beat_fits_several_delays(self) -> None:
        rng = np.random.default_rng(2)
        beat = delayed((np.arange(0, 60, STEP) % 2 < 1) * 50.0, 0.15)
        assert "several delays" in delay_by_changes(read(rng, beat, 50, 0, 0.5), read(rng, beat, 5, 0.3, 0.5))


class TestBlips:
    @settings(max_examples=15)
    @given(
        seed=st.integers(0, 2**31),
        lag=st.floats(-0.8, 0.8),
        rate=st.sampled_from([2.0, 10.0, 50.0]),
        controller=st.floats(0.1, 0.2),
        noise=st.floats(0, 1.0),
    )
    def test_a_lag_is_found_again(self, seed, lag, rate, controller, noise) -> None:
        rng = np.random.default_rng(seed)
        pedal = presses(rng, 5, 26)
        current = read(rng, 60 * delayed(pedal, 0.05), rate, lag + controller - 0.05, noise)
        told = delay_by_blips(read(rng, 0.8 + 3 * pedal, 50, 0.0, 0.02), current)
        assert isinstance(told, Delay), told
        assert told.seconds - 0.15 == pytest.approx(lag, abs=0.05 + 4 * told.uncertainty_s)
        assert 3 <= told.events <= 5

    @settings(max_examples=10)
    @given(seed=st.integers(0, 2**31), rate=st.sampled_from([2.0, 50.0]))
    def test_a_current_that_does_not_follow_is_not_matched(self, seed, rate) -> None:
        rng = np.random.default_rng(seed)
        pedal = read(rng, 0.8 + 3 * presses(rng, 3, 26), 50, 0.0, 0.02)
        assert isinstance(delay_by_blips(pedal, read(rng, np.zeros(5200), rate, 0, 0.5)), str)

    def test_a_pedal_that_was_down_before_the_recording_began_is_no_blip_of_known_length(self) -> None:
        t = np.arange(0, 10_000_000, 20_000)
        seconds = t / 1e6
        pedal = 0.8 + 3.0 * ((seconds % 2.0) < 0.5)
        assert [round(blip.start / 1e6) for blip in find_blips(t, pedal)] == [2, 4, 6, 8]
        assert find_blips(t[:4], pedal[:4]) == []

    @pytest.mark.parametrize(
        ("count", "width", "speed", "found"),
        [
            (2, 0.6, None, 0),
            (3, 0.6, None, 3),
            (5, 0.6, 0.4, 5),
            (5, 0.6, 6.0, 0),  # it drove
            (4, 2.5, None, 0),  # no blips but presses
        ],
    )
    def test_only_series_of_quick_blips_at_standstill_count(self, count, width, speed, found) -> None:
        rng = np.random.default_rng(3)
        truth = presses(rng, count, 40, width)
        t, pedal = read(rng, 0.8 + 3 * truth, 50, 0.0, 0.02)
        seen = [] if speed is None else [(t, np.full(len(t), speed))]
        blips = find_blips(t, pedal, seen)
        assert len(blips) == found
        assert all(0.3 < (blip.end - blip.start) / 1e6 < 1.2 for blip in blips)

    def test_a_stray_reading_is_no_blip(self) -> None:
        pedal = np.full(1000, 0.8)
        pedal[[300, 350, 400]] = 4.0
        assert find_blips(np.arange(1000) * 20_000, pedal) == []

    def test_a_pack_that_may_miss_a_blip_is_too_slow(self) -> None:
        rng = np.random.default_rng(3)
        pedal = presses(rng, 4, 26)
        assert "too long" in delay_by_blips(read(rng, 3 * pedal, 50), read(rng, pedal, 1))


class TestLags:
    def pair(self, first: str, second: str, seconds: float | None, uncertainty: float = 0.01) -> Pair:
        return Pair(first, second, None if seconds is None else Delay(seconds, uncertainty, 0.9, 9))

    def test_the_earliest_has_none_and_uncertainties_add_as_squares(self) -> None:
        pairs = [
            self.pair("pack", "pedal", -0.4, 0.03),
            self.pair("pedal", "meter", 0.1, 0.04),
            self.pair("pack", "meter", 7.0, 0.5),  # known worst: left out of the ring
        ]
        found = {lag.source: (round(lag.lag_s, 6), round(lag.uncertainty_s, 6)) for lag in lags(pairs, {})}
        assert found == {"pedal": (0.0, 0.0), "meter": (0.1, 0.04), "pack": (0.4, 0.03)}
        found = {lag.source: lag.uncertainty_s for lag in lags(pairs, {"pedal": 0.5, "meter": 0.5})}
        assert found["meter"] == pytest.approx(0.05)  # now counted from the pack, by way of the pedal: 3, 4, 5
        assert found["pedal"] == pytest.approx(0.03)

    def test_what_was_in_force_is_counted_in(self) -> None:
        # Recorded with 0.3 stated where 0.4 would have been right: the pack still comes 0.1 s later.
        found = lags([self.pair("pedal", "pack", 0.1)], {"pack": 0.3})
        assert [(lag.source, round(lag.lag_s, 6)) for lag in found] == [("pedal", 0.0), ("pack", 0.4)]

    def test_sources_that_nothing_ties_are_counted_apart(self) -> None:
        pairs = [self.pair("a", "b", 0.2), self.pair("c", "d", 0.3), self.pair("a", "c", None)]
        assert {(lag.source, lag.earliest) for lag in lags(pairs, {})} == {
            *(("a", "a"), ("b", "a"), ("c", "c"), ("d", "c")),
        }
        assert lags([self.pair("a", "c", None)], {}) == []


class TestPairs:
    def test_the_signal_that_tells_best_is_taken(self) -> None:
        rng = np.random.default_rng(6)
        truth = drive(rng, 60)
        tracks = [
            Track("board", "pack_current", *read(rng, truth, 50, 0.0, 0.5)),
            Track("board", "throttle_voltage", *read(rng, 0.8 + truth / 40, 50)),
            Track("pack", "pack_voltage", *read(rng, 52 - 0.03 * truth, 5, 0.25, 0.2)),
            Track("pack", "pack_current", *read(rng, truth, 5, 0.25, 0.5)),
            Track("receiver", "vehicle_speed", *read(rng, 0 * truth, 1)),
        ]
        pairs = {(pair.first, pair.second): pair for pair in find_pairs(tracks)}
        assert len(pairs) == 3
        told = pairs["board", "pack"]
        assert told.signals == ("pack_current", "pack_current")
        assert told.delay.seconds == pytest.approx(0.25, abs=0.02)
        assert "share no signal" in pairs["board", "receiver"].reasons[0]


class _Table:
    """A recording in memory."""

    name, time_basis, start, groups, warnings, machine_text = "table", "relative", 0, (), (), None

    def __init__(self, *batches: Batch) -> None:
        self._batches = batches

    def spans(self, rows: int = 8192):
        yield Span(max(int(batch.t[-1]) for batch in self._batches), self._batches)


class TestTracks:
    def test_a_stored_session_knows_its_sources(self) -> None:
        pack = Batch.of_rows(Group("pack", "lines", ("pack_voltage", "soc_reported")), [1, 2], [[52, 90], [51, 90]])
        meter = Batch.of_rows(Group("meter", "lines", ("extra_meter_pack_voltage",)), [1, 2], [[52], [np.nan]])
        found = read_tracks(_Table(pack, meter))
        assert [(each.source, each.signal, each.t.tolist()) for each in found] == [
            ("pack", "pack_voltage", [1, 2]),
            ("meter", "pack_voltage", [1]),
        ]

    def test_what_a_stored_session_made_itself_and_what_was_never_known_is_no_series(self) -> None:
        narrow, wide = (
            Group("pack", "lines", names) for names in (("pack_voltage",), ("pack_voltage", "soc_reported"))
        )
        derived = Group("derived", "power", ("pack_power",), "derived")
        table = _Table(
            Batch.of_rows(narrow, [1, 2], [[52.0], [51.0]]),
            Batch.of_rows(derived, [1], [[500.0]]),
            Batch.of_rows(Group("meter", "lines", ("motor_current",)), [1], [[np.nan]]),
            Batch.of_rows(wide, [3], [[50.0, 90.0]]),
        )
        found = read_series(table)
        assert {name: (one.t.tolist(), one.values.tolist()) for name, one in found.signals.items()} == {
            "pack_voltage": ([1, 2, 3], [52.0, 51.0, 50.0]),
            "soc_reported": ([3], [90.0]),
        }

    def test_what_is_no_signal_of_ours_or_never_known_is_no_track(self) -> None:
        signals = ("extra_meter_pack_current", "extra_oil_level", "pack_current")
        rows = [[3.0, 1.0, np.nan], [4.0, 1.0, np.nan]]
        found = read_tracks(_Table(Batch.of_rows(Group("meter", "lines", signals), [1, 2], rows)))
        assert [(each.source, each.signal) for each in found] == [("meter", "pack_current")]

    def test_columns_of_two_files_are_two_sources(self) -> None:
        first, second = (Group("recording", name, (name,)) for name in ("pack_current", "motor_current"))
        table = _Table(Batch.of_rows(first, [1, 2], [[1.0], [2.0]]), Batch.of_rows(second, [1], [[3.0]]))
        assert {each.source for each in read_tracks(table)} == {
            "the source with pack_current",
            "the source with motor_current",
        }

    def test_columns_of_a_file_are_told_apart_by_their_rows(self) -> None:
        signals = ("throttle_voltage", "motor_current", "pack_current", "extra_front_meter_pack_current")
        values = np.full((100, 4), np.nan)
        values[:, 0], values[:, 1] = 1.0, 2.0
        values[7, 1] = np.nan  # one impossible reading parts no pair
        values[::10, 2], values[5::10, 3] = 3.0, 4.0
        table = _Table(Batch(Group("recording", "recording", signals), np.arange(100), values))
        found = {each.source: each.signal for each in read_tracks(table, ["front meter"])}
        assert found == {
            "the source with throttle_voltage": "motor_current",
            "the source with pack_current": "pack_current",
            "front meter": "pack_current",
        }
