"""Minutes and hectares left live: by arithmetic, alike however spans are cut, and the same way as in the report."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.charge_live import STATE_OF_CHARGE
from telemetry.analysis.charge_voltage import fast_ohm
from telemetry.analysis.derive import Power
from telemetry.analysis.energy_left import Load, capacity_range, find_energy_left
from telemetry.analysis.outlook_live import OUTLOOK, Outlook
from telemetry.analysis.ranges import Range
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Batch, Group, Span
from telemetry.pipeline.stage import Chain

MACHINE_PACK = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0, internal_resistance_mohm=20.0)
PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))
VEHICLE = Group("pack", "vehicle", ("vehicle_speed", "implement_engaged"))


def drive(amperes: np.ndarray, soc: float, sigma: float, speed: float = 5.0) -> list[Batch]:
    """Return a second-by-second drive at 50 V with a state of charge each ten seconds."""
    t = (np.arange(len(amperes)) * 1_000_000).astype(np.int64)
    pack = Batch(PACK, t, np.column_stack([np.full(len(t), 50.0), amperes]))
    engaged = (amperes > 20).astype(np.float64)
    vehicle = Batch(VEHICLE, t, np.column_stack([np.full(len(t), speed), engaged]))
    told = np.column_stack([np.full(len(t) // 10, soc), np.full(len(t) // 10, sigma)])
    return [pack, vehicle, Batch(STATE_OF_CHARGE, t[5::10][: len(told)], told)]


def left(soc: float, sigma: float, amperes: float) -> Range:
    """Return what the report would say is left after a steady drive, Wh."""
    load = Load()
    load.take(np.full(10, amperes))
    return find_energy_left(
        Range.around(soc, 1.645 * sigma), MACHINE_PACK, capacity_range(MACHINE_PACK), load, fast_ohm(MACHINE_PACK)
    )


def told(batches: list[Batch], cuts: list[int], width_m: float | None = 1.0) -> list[tuple[int, bytes]]:
    stages = Chain([Power(), Outlook(MACHINE_PACK, width_m)])
    end = int(batches[0].t[-1])
    rows, last = [], -1
    for cut in [*cuts, end]:
        pieces = []
        for batch in batches:
            start, stop = (int(np.searchsorted(batch.t, x, side="right")) for x in (last, cut))
            if stop > start:
                pieces.append(batch.rows(start, stop))
        span = stages.advance(Span(cut, tuple(pieces), final=cut == end))
        for batch in span.batches:
            if batch.group.key == OUTLOOK.key:
                rows += [(int(t), values.tobytes()) for t, values in zip(batch.t, batch.values, strict=True)]
        last = cut
    return rows


def last_row(batches: list[Batch], width_m: float | None = 1.0) -> dict[str, float]:
    return dict(zip(OUTLOOK.signals, np.frombuffer(told(batches, [], width_m)[-1][1]), strict=True))


def test_steady_power() -> None:
    row = last_row(drive(np.full(1800, 40.0), 52.0, 3.0))
    energy = left(52.0, 3.0, 40.0)
    assert row["minutes_left"] == pytest.approx(energy.mid / 2000 * 60)
    assert row["minutes_left_session"] == pytest.approx(energy.mid / 2000 * 60)
    # a width of 1 m at 5 km/h is 0.5 ha/h
    assert row["hectares_left"] == pytest.approx(energy.mid / 2000 * 0.5, rel=1e-6)
    # at least: less is left, and the next ten minutes may take 2387 W, by hand
    assert row["minutes_left_low"] == pytest.approx(energy.low / 2387 * 60, rel=0.001)


def test_lately_and_in_all() -> None:
    row = last_row(drive(np.concatenate([np.full(1800, 20.0), np.full(601, 40.0)]), 52.0, 3.0))
    assert row["minutes_left"] / row["minutes_left_session"] == pytest.approx(1250 / 2000, rel=0.01)
    assert 0.3 * row["minutes_left"] < row["minutes_left_low"] < row["minutes_left"]


def test_rest_counts_for_neither() -> None:
    resting = np.where((np.arange(2400) // 300) % 2 == 0, 40.0, 0.2)
    row = last_row(drive(resting, 52.0, 0.0))
    assert row["minutes_left"] == pytest.approx(left(52.0, 0.0, 40.0).mid / 2000 * 60, rel=0.02)


def test_nothing_is_told_without_use_or_charge() -> None:
    assert told(drive(np.full(600, 0.2), 52.0, 0.0), []) == []
    assert told(drive(np.full(600, 40.0), 52.0, 0.0)[:2], []) == []
    assert np.isnan(last_row(drive(np.full(600, 40.0), 52.0, 0.0), None)["hectares_left"])


def test_braking_more_than_driving_tells_no_time() -> None:
    assert np.isnan(last_row(drive(np.full(600, -10.0), 52.0, 0.0))["minutes_left"])


@given(seed=st.integers(0, 10_000), cuts_s=st.lists(st.integers(1, 899), max_size=60, unique=True))
@settings(max_examples=12)
def test_it_does_not_see_the_cuts(seed: int, cuts_s: list[int]) -> None:
    rng = np.random.default_rng(seed)
    batches = drive(np.repeat(rng.uniform(-10, 80, 90), 10), 60.0, 4.0)
    for batch in batches:
        batch.values[rng.random(batch.values.shape) < 0.05] = np.nan
    once = told(batches, [])
    assert once
    assert told(batches, [1_000_000 * cut - 300_000 for cut in sorted(cuts_s)]) == once
