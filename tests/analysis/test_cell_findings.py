"""Odd cells and their causes, on packs drawn at random whose fault is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from telemetry.analysis.cell_findings import judge_cells
from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.series import CellSeries, Series, SessionSeries, with_extreme_cells
from telemetry.machine.pack_keys import Pack
from tests.reference.random_packs import RandomPack, draw


def judged(pack: RandomPack):
    stated = Pack(chemistry=pack.chemistry, cells_in_series=len(pack.mohm), capacity_ah=pack.rated_ah)
    return judge_cells(pack.series, stated, find_resistance(pack.series, stated))


@pytest.mark.parametrize(
    ("chemistry", "fault"),
    [("lfp", "low-capacity"), ("nmc", "low-capacity"), ("lfp", "low-charge"), ("nmc", "high-resistance")],
)
def test_each_fault_is_named_after_a_wide_cycle_with_its_cell_and_cause(chemistry: str, fault: str) -> None:
    pack = draw(3, chemistry, "wide", fault)
    found = judged(pack)
    assert [(odd.cell, odd.cause) for odd in found.odd] == [(pack.odd_cell, fault)]
    assert found.odd[0].confidence > 0.8
    assert found.odd[0].evidence.startswith(f"cell {pack.odd_cell}: ")
    if fault == "low-capacity":
        share = pack.capacity_ah[pack.odd_cell - 1] / np.median(pack.capacity_ah)
        assert found.odd[0].capacity_ah == pytest.approx(share * pack.rated_ah, rel=0.03)


def use_of(pack: RandomPack) -> RandomPack:
    """Return the pack with its use down to the first empty cell alone, without the charge after it."""
    series, current = pack.series, pack.series.signals["pack_current"]
    assert series.cells is not None
    until = int(current.t[np.flatnonzero(current.values > 0.05 * pack.rated_ah)[-1]])
    cells, kept = series.cells, series.cells.t < until
    cut = CellSeries(cells.t[kept], cells.voltages[kept], cells.numbers)
    used = Series(current.t[current.t < until], current.values[current.t < until])
    return replace(pack, series=replace(series, end=until, signals={"pack_current": used}, cells=cut))


@pytest.mark.parametrize("fault", ["low-capacity", "low-charge"])
def test_without_a_charge_to_the_end_less_charge_is_told_from_less_capacity_on_a_steep_curve_alone(
    fault: str,
) -> None:
    flat, steep = use_of(draw(3, "lfp", "wide", fault)), use_of(draw(3, "nmc", "wide", fault))
    assert {odd.cause for odd in judged(flat).odd} == {"unknown"}
    assert [odd.cell for odd in judged(flat).odd] == [flat.odd_cell]
    assert all(odd.capacity_ah is None for odd in judged(flat).odd)
    assert [(odd.cell, odd.cause) for odd in judged(steep).odd] == [(steep.odd_cell, fault)]


def test_a_table_of_the_owner_that_is_flat_is_a_plateau() -> None:
    pack = use_of(draw(3, "lfp", "wide", "low-charge"))
    table = ((0.0, 3.0), (10.0, 3.25), (90.0, 3.25), (100.0, 3.35))
    stated = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=pack.rated_ah, open_circuit=table)
    found = judge_cells(pack.series, stated, find_resistance(pack.series, stated))
    assert {odd.cause for odd in found.odd} == {"unknown"}


@pytest.mark.parametrize(("chemistry", "course"), [("lfp", "wide"), ("nmc", "top"), ("lfp", "mow")])
def test_a_sound_pack_has_no_odd_cell(chemistry: str, course: str) -> None:
    found = judged(draw(4, chemistry, course, "none"))
    assert found.odd == ()
    assert found.spread_load_mv is not None
    assert (found.spread_top_mv is None) == (course == "mow")


def test_less_capacity_is_never_called_a_bad_joint() -> None:
    for seed in range(4):
        pack = draw(seed, "nmc", "mow", "low-capacity")
        assert "high-resistance" not in {odd.cause for odd in judged(pack).odd}


def test_spreads_are_what_a_ruler_would_say() -> None:
    t = np.arange(0, 4000.0)
    current = np.where(t < 2000, 0.0, 50.0) + np.where(t > 3000, -80.0, 0.0)
    micro = (t * 1e6).astype(np.int64)
    cells = np.full((len(t), 4), 3.300)
    cells[:, 1] += 0.004
    cells[t >= 2000, 2] -= 0.030
    cells[t >= 3900] = [3.52, 3.55, 3.50, 3.51]
    series = SessionSeries(
        "made",
        0,
        int(micro[-1]),
        0,
        "relative",
        {"pack_current": Series(micro, current)},
        CellSeries(micro, cells, (1, 2, 3, 4)),
    )
    pack = Pack(chemistry="lfp", cells_in_series=4, capacity_ah=100.0)
    found = judge_cells(series, pack, find_resistance(series, pack))
    assert found.spread_rest_mv == pytest.approx(4.0)
    assert found.spread_load_mv == pytest.approx(34.0)
    assert found.spread_top_mv == pytest.approx(50.0)
    assert found.spread_bottom_mv is None


def near_empty(level: float, weak: float) -> float | None:
    """Return the spread near empty of a pack at rest at ``level`` V a cell, one cell ``weak`` V lower under load."""
    t = np.arange(0, 600.0)
    load = (t % 60) > 30
    cells = np.full((len(t), 4), level)
    cells[load] -= 0.10
    cells[load, 2] -= weak
    micro = (t * 1e6).astype(np.int64)
    current = {"pack_current": Series(micro, np.where(load, 50.0, 2.0))}
    series = SessionSeries("made", 0, int(micro[-1]), 0, "relative", current, CellSeries(micro, cells, (1, 2, 3, 4)))
    pack = Pack(chemistry="lfp", cells_in_series=4, capacity_ah=100.0)
    return judge_cells(series, pack, find_resistance(series, pack)).spread_bottom_mv


def test_near_empty_is_the_packs_state_and_not_one_cells_sag() -> None:
    assert near_empty(3.28, 0.5) is None
    assert near_empty(3.05, 0.5) is None, "its resting voltage is above the knee, its voltage under load is not"
    assert near_empty(2.95, 0.5) == pytest.approx(500.0)


def test_without_cells_or_current_it_says_so() -> None:
    pack = draw(1, "lfp", "mow", "none")
    stated = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=pack.rated_ah)
    resistance = find_resistance(pack.series, stated)
    bare = SessionSeries("made", 0, 1, 0, "relative", pack.series.signals, None)
    assert "no cell voltages" in judge_cells(bare, stated, resistance).unknown["cells"]
    signals = {name: each for name, each in pack.series.signals.items() if name != "pack_current"}
    blind = SessionSeries("made", 0, pack.series.end, 0, "relative", signals, pack.series.cells)
    assert "no pack current" in judge_cells(blind, stated, find_resistance(blind, stated)).unknown["cells"]


def test_lowest_and_highest_alone_give_the_spreads_and_blame_no_cell() -> None:
    pack = draw(3, "lfp", "wide", "low-charge")
    whole = judged(pack)
    signals = {name: found for name, found in pack.series.signals.items() if not name.startswith("cell_")}
    assert pack.series.cells is not None
    bare = with_extreme_cells(pack.series)
    signals |= {name: bare.signals[name] for name in ("cell_min_voltage", "cell_max_voltage")}
    found = judged(replace(pack, series=replace(pack.series, signals=signals, cells=None)))
    assert found.odd == ()
    assert "every cell" in found.unknown["comparison"]
    for name in ("spread_rest_mv", "spread_load_mv", "spread_top_mv"):
        assert getattr(found, name) == pytest.approx(getattr(whole, name), rel=0.05)


def widened(pack: RandomPack, cells: int) -> RandomPack:
    """Return the pack with its sound cells repeated, up to ``cells``, each with a reading error of its own."""
    series, random = pack.series, np.random.default_rng(1)
    assert series.cells is not None
    volts = series.cells.voltages
    sound = [place for place in range(volts.shape[1]) if place + 1 != pack.odd_cell]
    more = random.choice(sound, cells - volts.shape[1])
    added = np.round(volts[:, more] + random.normal(0, 0.001, len(more)) + random.normal(0, 5e-4, (len(volts), 1)), 3)
    whole = CellSeries(series.cells.t, np.hstack([volts, added]), tuple(range(1, cells + 1)))
    signals = {name: found for name, found in series.signals.items() if name == "pack_current"}
    return replace(pack, series=replace(series, signals=signals, cells=whole), mohm=np.zeros(cells))


@pytest.mark.slow
@pytest.mark.parametrize("cells", [24, 110])
def test_an_odd_cell_of_a_long_pack_is_named_and_no_other(cells: int) -> None:
    pack = draw(3, "nmc", "wide", "low-capacity")
    assert [(odd.cell, odd.cause) for odd in judged(widened(pack, cells)).odd] == [(pack.odd_cell, "low-capacity")]


def test_two_odd_cells_are_both_named() -> None:
    """A bad joint is put beside a cell that is not the one of low charge: its drop is added to the readings."""
    pack = draw(3, "lfp", "wide", "low-charge")
    series, other = pack.series, 10 if pack.odd_cell != 11 else 11
    assert series.cells is not None
    current = series.signals["pack_current"]
    drop = 0.6e-3 * pack.mohm[other] * np.interp(series.cells.t - pack.lag_s * 1e6, current.t, current.values)
    volts = series.cells.voltages.copy()
    volts[:, other] -= drop
    both = replace(pack, series=replace(series, cells=replace(series.cells, voltages=volts)))
    named = {odd.cell: odd.cause for odd in judged(both).odd}
    assert named == {pack.odd_cell: "low-charge", other + 1: "high-resistance"}


def charged_until_full(behind: float) -> SessionSeries:
    """Return a charge of 8 cells over a plateau into the steep end, and a rest; cell 5 lacks ``behind``."""
    t = np.arange(0, 6600.0)
    current = np.where(t < 6000, -30.0, 0.0)
    noise = np.random.default_rng(1).normal(0, 0.0004, (len(t), 8))
    lacks = np.zeros(8)
    lacks[4] = behind
    left = 0.5 - np.minimum(t, 6000)[:, None] * 30 / 3600 / 100 + lacks
    open_circuit = 3.36 - 0.06 * left + 0.16 * np.exp(-left / 0.004)
    slow = np.where(t < 6000, 1 - np.exp(-t / 60), np.exp(-np.maximum(0, t - 6000) / 60))
    volts = open_circuit + (0.001 * 30 * (t < 6000) + 0.02 * slow)[:, None] + noise
    micro = (t * 1e6).astype(np.int64)
    cells = CellSeries(micro, np.round(volts, 3), tuple(range(1, 9)))
    return SessionSeries("made", 0, int(micro[-1]), 0, "relative", {"pack_current": Series(micro, current)}, cells)


def test_a_cell_still_on_the_plateau_when_the_others_are_full_is_named() -> None:
    stated = Pack(chemistry="lfp", cells_in_series=8, capacity_ah=100.0)
    series = charged_until_full(0.04)
    found = judge_cells(series, stated, find_resistance(series, stated))
    assert [(odd.cell, odd.cause) for odd in found.odd] == [(5, "low-charge")]
    assert "Ah) less charge than the median cell" in found.odd[0].evidence
    told = found.charges[4]
    assert abs(told.missing_top_pct - 4.0) < 1.645 * told.missing_top_uncertainty_pct
    even = charged_until_full(0.0)
    assert judge_cells(even, stated, find_resistance(even, stated)).odd == ()
