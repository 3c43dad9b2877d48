"""The live resistance: right on a resistor, the same as in the report, blind to where spans are cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.resistance_live import EstimateResistance
from telemetry.analysis.series import Series, SessionSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Batch, Group, Span
from tests.reference.random_packs import draw

PACK = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
VOLTAGE, CURRENT = Group("pack", "pack", ("pack_voltage",)), Group("shunt", "current", ("pack_current",))


def told(batches: list[Batch], cuts: list[int], pack: Pack = PACK) -> list[tuple[int, bytes]]:
    end = max(int(batch.t[-1]) for batch in batches)
    stage, rows, last = EstimateResistance(pack), [], -1
    for cut in [*cuts, end]:
        pieces = []
        for batch in batches:
            start, stop = (int(np.searchsorted(batch.t, x, side="right")) for x in (last, cut))
            if stop > start:
                pieces.append(batch.rows(start, stop))
        span = stage.advance(Span(cut, tuple(pieces), final=cut == end))
        for batch in span.batches:
            if batch.group.name == "resistance":
                assert batch.t[-1] <= span.complete_to(batch.group)
                rows += list(zip(batch.t.tolist(), [v.tobytes() for v in batch.values], strict=True))
        last = cut
    return rows


def made(seed: int, noise: float) -> list[Batch]:
    random = np.random.default_rng(seed)
    t = np.cumsum(random.integers(150_000, 250_000, 2000))
    current = np.repeat(random.uniform(-20, 90, 200), 10)
    slow = t[::3] + 20_000
    volts = 52 - 0.02 * np.interp(slow, t, current) + noise * random.standard_normal(len(slow))
    volts[random.random(len(volts)) < 0.05] = np.nan
    return [Batch(CURRENT, t, current.reshape(-1, 1)), Batch(VOLTAGE, slow.astype(np.int64), volts.reshape(-1, 1))]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.lists(st.integers(1, 400_000), max_size=40, unique=True))
def test_the_cuts_do_not_show(seed: int, cuts_ms: list[int]) -> None:
    batches = made(seed, 0.01)
    once = told(batches, [])
    end = max(int(batch.t[-1]) for batch in batches)
    assert once == told(batches, [c for c in sorted(c * 1000 for c in cuts_ms) if c < end])
    assert once


def test_a_plain_resistor() -> None:
    values = np.array([np.frombuffer(value) for _, value in told(made(1, 0.0), [])])
    assert values == pytest.approx(np.full((len(values), 2), 0.02), rel=0.01)


def test_it_is_what_the_report_makes_of_the_same_rows() -> None:
    drawn = draw(2, "lfp", "mow", "none", 0.1, 12)
    batches = [
        Batch(group, drawn.series.signals[name].t, drawn.series.signals[name].values.reshape(-1, 1))
        for group, name in ((VOLTAGE, "pack_voltage"), (CURRENT, "pack_current"))
    ]
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=drawn.rated_ah)
    at, last = told(batches, [], pack)[-1]
    t = drawn.series.signals["pack_voltage"].t
    over = t <= at  # live looks at whole minutes
    kept = {name: Series(each.t[over], each.values[over]) for name, each in drawn.series.signals.items()}
    afterwards = find_resistance(SessionSeries("", 0, int(t[-1]), 0, "relative", kept, None), pack)
    assert 1000 * np.frombuffer(last) == pytest.approx([afterwards.pack_mohm, afterwards.pack_10s_mohm], rel=1e-9)


def test_once_known_it_is_looked_for_when_a_third_of_the_rows_is_new() -> None:
    t = np.arange(0, 1_500_000_000, 200_000)
    current = np.repeat(np.random.default_rng(1).uniform(-20, 90, 750), 10)
    batches = [Batch(CURRENT, t, current.reshape(-1, 1)), Batch(VOLTAGE, t, 52 - 0.02 * current.reshape(-1, 1))]
    minutes = [at // 60_000_000 for at, _ in told(batches, [])]
    assert minutes == [0, 1, 2, 3, 4, 5, 7, 9, 12, 16, 21]


def test_steady_current_tells_nothing() -> None:
    t = np.arange(0, 600_000_000, 200_000)
    steady = np.full((len(t), 1), 40.0)
    assert told([Batch(CURRENT, t, steady), Batch(VOLTAGE, t, 52 - 0.02 * steady)], []) == []
