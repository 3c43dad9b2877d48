"""Small parts of the estimators against arithmetic done by hand."""

from __future__ import annotations

import importlib
import math
import pkgutil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import telemetry.analysis
from telemetry.analysis.capacity import UsableCapacity
from telemetry.analysis.energy_left import WORN, capacity_range
from telemetry.analysis.evidence import find_evidence
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.integrals import SignedIntegral
from telemetry.analysis.open_circuit import OpenCircuitTable
from telemetry.analysis.outlook import forecast
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import Series, SessionSeries
from telemetry.machine.pack_keys import Pack

S = 1_000_000
HOUR = 3600 * S


def series(**signals: tuple[list[int], list[float]]) -> SessionSeries:
    made = {name: Series(np.array(t, dtype=np.int64), np.array(v, dtype=float)) for name, (t, v) in signals.items()}
    ends = [each.t for each in made.values()]
    first, last = min(int(t[0]) for t in ends), max(int(t[-1]) for t in ends)
    return SessionSeries("by hand", first, last, 0, "relative", made, None)


def test_every_range_of_what_is_usual_is_in_order() -> None:
    found = 0
    for module in pkgutil.walk_packages(telemetry.analysis.__path__, "telemetry.analysis."):
        for name, value in vars(importlib.import_module(module.name)).items():
            for each in value.values() if isinstance(value, dict) else [value]:
                if isinstance(each, Range):
                    assert each.low <= each.mid <= each.high, f"{module.name}.{name}"
                    found += 1
    assert found > 5


@given(
    low=st.floats(0, 100), mid=st.floats(0, 100), high=st.floats(0, 100), by=st.floats(0.1, 9), floor=st.floats(0, 50)
)
def test_ranges_stay_in_order(low: float, mid: float, high: float, by: float, floor: float) -> None:
    one = Range(*sorted((low, mid, high)))
    for made in (one.times(by), one.over(by), one.plus(Range.around(by, 0.05)), one.at_least(floor), one.times(one)):
        assert made.low <= made.mid <= made.high
    assert Range.exactly(2.0).over(Range(0.0, 1.0, 4.0)) == (0.5, 2.0, math.inf)
    assert Range.exactly(0.0).over(Range.exactly(0.0)) == (0.0, 0.0, 0.0)


def test_a_charge_of_two_ways_is_counted_apart_and_a_gap_adds_nothing() -> None:
    # 10 A for an hour, then straight to -10 A within an hour: half an hour out, half an hour in, 5 A on average.
    t = np.array([0, HOUR, 2 * HOUR, 4 * HOUR], dtype=np.int64)
    counted = SignedIntegral()
    out, into = counted.take(t, np.array([10.0, 10.0, -10.0, -10.0]), np.array([False, True, True, False]))
    assert out.tolist() == pytest.approx([0.0, 10.0, 12.5, 12.5])
    assert into.tolist() == pytest.approx([0.0, 0.0, 2.5, 2.5])
    assert counted.unbridged == 2 * HOUR
    assert [each.tolist() for each in counted.take(t[:0], np.empty(0), np.empty(0, dtype=bool))] == [[], []]
    out, into = counted.take(t[-1:] + HOUR, np.array([0.0]), np.array([True]))
    assert (out.tolist(), into.tolist()) == (pytest.approx([12.5]), pytest.approx([7.5]))


@given(st.lists(st.sampled_from([100, 200, 1000, 5000, 90_000]), max_size=300), st.sets(st.integers(0, 300)))
def test_what_is_a_gap_does_not_depend_on_the_cuts(steps_ms: list[int], cuts: set[int]) -> None:
    t = np.cumsum([0, *steps_ms]).astype(np.int64) * 1000
    whole, rule, found = GapRule().take(t), GapRule(), []
    for first, stop in zip([0, *sorted(cuts)], [*sorted(cuts), len(t)], strict=True):
        found += rule.take(t[first:stop]).tolist()
    assert found == whole.tolist()
    assert not whole[0], "nothing leads to the first row"
    quick = GapRule().take(np.array([0, 1, 2, 3, 3 + 3600], dtype=np.int64) * S)
    assert quick.tolist() == [False, True, True, True, False]


def test_a_table_goes_on_by_its_end_slopes_and_no_farther_than_a_twentieth() -> None:
    table = OpenCircuitTable("by hand", "a sketch", np.array([0.0, 0.5, 1.0]), np.array([3.0, 3.2, 3.6]))
    assert table.volts_at(np.array([-0.05, 0.25, 0.75, 1.05])).tolist() == pytest.approx([2.98, 3.1, 3.4, 3.64])
    shares = table.share_at(np.array([2.98, 2.0, 3.1, 3.4, 3.64, 9.0]))
    assert shares.tolist() == pytest.approx([-0.05, -0.05, 0.25, 0.75, 1.05, 1.05], abs=1e-6)
    assert table.slope_at(np.array([0.25, 0.75, -5.0, 7.0])).tolist() == pytest.approx([0.4, 0.8, 0.4, 0.8])
    assert table.mean_volts(0.25, 0.75) == pytest.approx((3.1 + 3.2) / 4 + (3.2 + 3.4) / 4)


def test_the_voltage_of_what_is_called_a_discharge_must_not_rise() -> None:
    t = list(range(0, 3600 * S, 10 * S))
    for amperes, begin, end, says in (
        (10.0, 50.0, 53.0, "rises by .* a discharge"),
        (-10.0, 53.0, 50.0, "falls by .* a charge"),
    ):
        volts, flow = np.linspace(begin, end, len(t)).tolist(), [amperes] * len(t)
        turned = series(pack_voltage=(t, volts), pack_current=(t, flow))
        (found,) = (each for each in find_evidence(turned, None) if each.name == "sign-of-current")
        assert all(word in found.sentence for word in says.split(" .* "))
        right = series(pack_voltage=(t, volts[::-1]), pack_current=(t, flow))
        assert not [each for each in find_evidence(right, None) if each.name == "sign-of-current"]


def test_what_is_known_of_a_capacity() -> None:
    plain = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    trusted = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0, capacity_error_percent=3.0)
    spread = 3.0 / math.sqrt(3.0)
    assert capacity_range(plain) == WORN.times(100.0)
    assert capacity_range(plain, UsableCapacity(None, None, "not known")) == WORN.times(100.0)
    assert capacity_range(trusted) == pytest.approx((100.0 - Z90 * spread, 100.0, 100.0 + Z90 * spread))
    assert capacity_range(plain, UsableCapacity(80.0, 1.0, "measured")).mid == pytest.approx(80.0, abs=0.5)


def test_the_mean_of_the_next_ten_minutes_is_the_weighted_mean_and_more_pieces_make_it_surer() -> None:
    assert forecast([10.0, 40.0], [120.0, 60.0]).mid == pytest.approx(20.0)
    widths = [one.high - one.low for one in (forecast([20.0] * n, [60.0] * n) for n in (1, 5, 50))]
    assert widths == sorted(widths, reverse=True)
    assert forecast([20.0] * 5, [60.0] * 5).low > 0.0
    scattered = forecast([0.0, 40.0] * 5, [60.0] * 10)
    assert scattered.high - scattered.low > 1.5 * (widths[1])
