"""Alarms do not depend on where spans are cut: with all inputs, masks, latches, floods and late signals."""

from __future__ import annotations

import re

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.alarms.rules import AlarmRules
from telemetry.analysis.charger_watch import ChargerWatch
from telemetry.analysis.derive import Cells, Power
from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Acknowledge, Event, LinkChange, Loss, ResetLatch, Shelve, Unshelve
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.stage import Chain

S = 1_000_000
LIMITS = (
    Limit("pack-voltage-low", "pack_voltage", "low", 50.0, 48.0, 0.5, 0.3, 0.5, ""),
    Limit("discharge-current", "pack_current", "high", 60.0, 90.0, 5.0, 0.0, 0.2, ""),
    Limit("discharge-peak", "pack_current", "high", 80.0, 100.0, 5.0, 0.0, 0.2, ""),
    Limit("charge-current", "pack_current", "low", -20.0, -30.0, 5.0, 0.0, 0.2, ""),
    Limit("cell-spread", "cell_spread", "high", 0.05, 0.2, 0.01, 0.4, 0.4, ""),
    Limit("cell-voltage-low", "cell_min_voltage", "low", 3.04, 3.01, 0.005, 0.8, 0.5, ""),
    Limit("power", "pack_power", "high", 3000.0, 4000.0, 100.0, 0.25, 0.1, ""),
)
RULES = AlarmRules({"power": True, "discharge-peak": True}, {"cell-voltage-high": "switched off"})
PACK = Group("pack", "pack", ("pack_voltage",))
SHUNT = Group("shunt", "current", ("pack_current",))
CELLS = Group("pack", "cells", ("cell_01_voltage", "cell_02_voltage"))
VEHICLE = Group("pack", "vehicle", ("vehicle_speed",))
RANGES = {"pack_voltage": (45, 56), "pack_current": (-40, 110), "vehicle_speed": (-0.2, 0.2)}


def rows_of(group: Group, seed: int, usual_us: int, since: int, until: int) -> Batch:
    """Rows at an uneven rate with holes in time and unknown values."""
    random = np.random.default_rng(seed)
    steps = random.integers(usual_us // 2, usual_us * 2, 2 * (until - since) // usual_us + 2)
    steps[random.random(len(steps)) < 0.02] += 7 * S
    t = since + np.cumsum(steps)
    t = t[t < until].astype(np.int64)
    columns = [random.uniform(*RANGES.get(signal, (3.0, 3.3)), len(t)) for signal in group.signals]
    values = np.stack(columns, axis=1)
    values[random.random(values.shape) < 0.1] = np.nan
    return Batch(group, t, values)


def told(cuts: list[int], batches: list[Batch], events: list[Event], end: int) -> list[str]:
    """Run everything through fresh stages; return what was found, sorted."""
    stages = Chain([Cells(), Power(), ChargerWatch(), Judge(LIMITS, RULES)])
    found, last = [], -1
    for cut in [*cuts, end]:
        pieces = []
        for batch in batches:
            start, stop = (int(np.searchsorted(batch.t, x, side="right")) for x in (last, cut))
            if stop > start:
                pieces.append(batch.rows(start, stop))
        inputs = tuple(e for e in events if last < e.t <= cut)
        span = stages.advance(Span(cut, tuple(pieces), inputs, final=cut == end))
        found += [repr(e) for e in span.events if not e.is_input]
        last = cut
    return sorted(found)


def with_an_operator(seed: int, cuts_ms: list[int], late: bool) -> list[str]:
    """What is told of 30 s in which an operator does all he can; ``late``: the cells come in from 12 s on."""
    end = 30 * S
    batches = [
        rows_of(PACK, seed, 400_000, 0, end),
        rows_of(SHUNT, seed + 1, 90_000, 0, end),
        rows_of(CELLS, seed + 2, 700_000, 12 * S if late else 0, end - 3 * S),
    ]
    events: list[Event] = [
        LinkChange(1, "pack", "live"),
        Acknowledge(6 * S),
        LinkChange(11 * S, "pack", "lost", "pulled"),
        Shelve(12 * S, "link", "pack", 3.0),
        Loss(13 * S, "store", 5, "it is full"),
        Acknowledge(14 * S, "discharge-current"),
        Shelve(15 * S, "cell-spread", None, 4.0),
        Shelve(16 * S, "power", None, 900.0),
        Acknowledge(17 * S),
        ResetLatch(18 * S),
        Unshelve(20 * S),
        LinkChange(21 * S, "pack", "live"),
    ]
    return told(sorted(c * 1000 for c in cuts_ms), batches, events, end)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 29_999), max_size=40, unique=True), st.booleans())
def test_with_all_that_an_operator_can_do(seed: int, cuts_ms: list[int], late: bool) -> None:
    assert with_an_operator(seed, [], late) == with_an_operator(seed, cuts_ms, late)


def test_that_drive_holds_what_cuts_could_disturb() -> None:
    told_of_some = [event for seed in range(5) for event in with_an_operator(seed, [], late=seed % 2 == 1)]
    for what in ("out of service", "outranked|already covers", "chattering", "flood"):
        assert any(re.search(what, event) for event in told_of_some), what
    assert any("worst=" in event and "worst=nan" not in event for event in told_of_some)


@settings(max_examples=20)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 199_999), max_size=30, unique=True))
def test_what_is_quiet_while_charging(seed: int, cuts_ms: list[int]) -> None:
    """Charging at standstill and use in turn; the voltage, low throughout, joins late."""
    end = 200 * S
    shunt = rows_of(SHUNT, seed + 1, 300_000, 0, end)
    charging = (shunt.t // (40 * S)) % 2 == 0
    batches = [
        rows_of(PACK, seed, 400_000, 20 * S, end),
        rows_of(VEHICLE, seed + 2, 500_000, 0, end),
        Batch(SHUNT, shunt.t, np.where(charging, -10.0, 30.0).reshape(-1, 1)),
    ]
    once = told([], batches, [Acknowledge(90 * S)], end)
    assert once == told(sorted(c * 1000 for c in cuts_ms), batches, [Acknowledge(90 * S)], end)
    assert {"charging", "resting"} <= {event.rpartition("situation='")[2][:-2] for event in once}
    assert any("suppressed by design" in event for event in once)
