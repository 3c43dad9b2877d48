"""No result depends on where spans are cut, to the last bit, with several groups of different rates at once."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.limits import Limit
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Acknowledge, Event, LinkChange
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages

LIMITS = (
    Limit("pack-voltage-low", "pack_voltage", "low", 50.0, 48.0, 0.5, 0.3, 0.5, ""),
    Limit("discharge-current", "pack_current", "high", 60.0, 90.0, 5.0, 0.0, 0.2, ""),
    Limit("cell-spread", "cell_spread", "high", 0.05, 0.2, 0.01, 0.4, 0.4, ""),
    Limit("power", "pack_power", "high", 3000.0, 4000.0, 100.0, 0.25, 0.1, ""),
    Limit("pack-temperature-high", "pack_temperature_*", "high", 40.0, 60.0, 1.0, 0.0, 0.0, ""),
)
MACHINE, _ = parse_machine(
    '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 20\ncontinuous_discharge_a = 60\n'
    "continuous_charge_a = 30\n[wiring]\nfuse_a = 80\n[charge_wiring]\nfuse_a = 20\n"
    "[machine]\nworking_width_m = 1.1\n[work]\narea_ha = 0.01\n",
    "mower.toml",
)
PACK = Group("pack", "pack", ("pack_voltage", "soc_reported"))
SHUNT = Group("shunt", "current", ("pack_current",))
CELLS = Group("pack", "cells", ("cell_01_voltage", "cell_02_voltage", "cell_03_voltage", "pack_temperature_1"))
VEHICLE = Group("pack", "vehicle", ("vehicle_speed", "implement_engaged"))


def rows_of(group: Group, seed: int, usual_us: int, until: int) -> Batch:
    """Rows at an uneven rate with holes in time and unknown values."""
    random = np.random.default_rng(seed)
    steps = random.integers(usual_us // 2, usual_us * 2, 400)
    steps[random.random(400) < 0.02] += 7_000_000
    t = np.cumsum(steps)
    t = t[t < until]
    ranges = {
        "pack_voltage": (45, 56),
        "pack_current": (-40, 110),
        "soc_reported": (0, 100),
        "pack_temperature_1": (-10, 65),
        "vehicle_speed": (0, 12),
        "implement_engaged": (0, 1),
    }
    columns = [random.uniform(*ranges.get(signal, (3.0, 3.3)), len(t)) for signal in group.signals]
    values = np.stack(columns, axis=1) if len(t) else np.empty((0, len(group.signals)))
    values[random.random(values.shape) < 0.1] = np.nan
    return Batch(group, t.astype(np.int64), values)


def told(cuts: list[int], batches: list[Batch], events: list[Event], end: int):
    """Run everything through fresh stages and return all that came out, by group and as sorted events."""
    stages = standard_stages(Judge(LIMITS), MACHINE)
    rows: dict[tuple[str, str], list[tuple[int, bytes]]] = {}
    found, last = [], -1
    for cut in [*cuts, end]:
        pieces = []
        for batch in batches:
            start, stop = (int(np.searchsorted(batch.t, x, side="right")) for x in (last, cut))
            if stop > start:
                pieces.append(batch.rows(start, stop))
        inputs = tuple(e for e in events if last < e.t <= cut)
        span = stages.advance(Span(cut, tuple(pieces), inputs, final=cut == end))
        for batch in span.batches:
            for t, values in zip(batch.t.tolist(), batch.values, strict=True):
                rows.setdefault(batch.group.key, []).append((t, values.tobytes()))
        found += [repr(e) for e in span.events if not e.is_input]
        last = cut
    return rows, sorted(found)


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 29_999), max_size=60, unique=True), st.booleans())
def test_stages_do_not_see_the_cuts(seed: int, cuts_ms: list[int], current_first: bool) -> None:
    end = 30_000_000
    batches = [
        rows_of(PACK, seed, 400_000, end),
        rows_of(SHUNT, seed + 1, 90_000, end),
        rows_of(CELLS, seed + 2, 700_000, end - 5_000_000),
    ]
    if current_first:
        batches.reverse()
    events = [
        Acknowledge(6_000_000),
        LinkChange(1, "pack", "live"),
        LinkChange(11_000_000, "pack", "lost", "pulled"),
        LinkChange(13_000_000, "pack", "live"),
        Acknowledge(14_000_000, "discharge-current"),
    ]
    once = told([], batches, events, end)
    often = told(sorted(c * 1000 for c in cuts_ms), batches, events, end)
    assert once == often
    assert once[1], "nothing was found, so the comparison says nothing"


def test_minutes_at_once_give_the_same_as_in_pieces() -> None:
    """What is told in blocks of seconds needs minutes to say anything."""
    end = 240_000_000
    batches = [
        rows_of(PACK, 11, 500_000, end),
        rows_of(SHUNT, 12, 500_000, end),
        rows_of(CELLS, 13, 500_000, end),
        rows_of(VEHICLE, 14, 500_000, end),
    ]
    once = told([], batches, [], end)
    for step in (50_000, 777_000, 10_000_000, 100_000_000):
        assert told(list(range(step, end, step)), batches, [], end) == once
    signals = {name for _, name in once[0]}
    assert signals >= {"discharge_current_average", "charge_current_average", "charge_temperature", "energy_margin"}


def test_a_hand_over_is_brought_to_the_first_the_same_in_pieces() -> None:
    """A recorded one: the second source under its own name while the first is silent, else aside."""
    end, silent = 120_000_000, (60_000_000, 90_000_000)
    shunt, bus = rows_of(SHUNT, 21, 200_000, end), rows_of(SHUNT, 22, 150_000, end)
    away = (shunt.t > silent[0]) & (shunt.t <= silent[1])
    taken = ((bus.t > silent[0]) & (bus.t <= silent[1]))[:, None]
    both = Group("bus", "current", ("extra_bus_pack_current", "pack_current"))
    level = np.where(np.isnan(bus.values), np.nan, np.clip(bus.values / 100, -1, 1))
    given = np.concatenate([np.where(taken, np.nan, level + 0.5), np.where(taken, level + 0.5, np.nan)], axis=1)
    first = Batch(SHUNT, shunt.t[~away], np.clip(shunt.values[~away] / 100, -1, 1))
    batches = [first, Batch(both, bus.t, given), rows_of(PACK, 23, 400_000, end)]
    once = told([], batches, [], end)
    for step in (50_000, 777_000, 10_000_000):
        assert told(list(range(step, end, step)), batches, [], end) == once
    power = [t for t, _ in once[0]["derived", "power"]]
    assert any(silent[0] + 10_000_000 < t < silent[1] for t in power)


def test_every_row_its_own_span_gives_the_same() -> None:
    batches = [
        rows_of(PACK, 5, 400_000, 20_000_000),
        rows_of(SHUNT, 6, 90_000, 20_000_000),
        rows_of(CELLS, 7, 700_000, 20_000_000),
    ]
    cuts = sorted({int(t) for batch in batches for t in batch.t})
    assert told([], batches, [], 20_000_001) == told(cuts, batches, [], 20_000_001)
