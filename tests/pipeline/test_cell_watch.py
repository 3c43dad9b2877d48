"""Cells are compared with the load counted: faults are found, and a healthy pack driven hard stays quiet.

Many more packs, gentler drives and 10 Hz: ``python -m tests.reference.driven_packs 10``, by hand.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.cell_ledgers import ResistanceLedger
from telemetry.analysis.cells_forward import BLOCK
from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.signals import cell_name
from tests.reference.driven_packs import ODD_CELL, PACKS, Ride, alarms_of, driven, machine_of, parameters

HARD = Ride(load_c=0.7, charge_c=0.7)


@pytest.mark.slow
@pytest.mark.parametrize("chemistry", PACKS)
class TestDrivenToEmptyAndChargedAgain:
    def test_a_healthy_pack_is_quiet(self, chemistry: str) -> None:
        what = parameters(chemistry, "healthy")
        cells, current, _ = driven(what, 3, HARD)
        loaded = cells.values.max(axis=1) - cells.values.min(axis=1)
        plain = machine_of(what).pack.cell.spread_warn_v
        assert loaded.max() > plain, "a plain number would have cried wolf"
        assert alarms_of(what, cells, current) == []

    def test_a_cell_of_five_percent_less_is_found_by_the_time_the_pack_is_empty(self, chemistry: str) -> None:
        what = parameters(chemistry, "5 % low")
        cells, current, drive_ends = driven(what, 4, HARD)
        told = alarms_of(what, cells, current)
        assert {(change.limit, number) for change, number in told} == {("cell-charge-low", ODD_CELL)}
        assert told[0][0].t <= drive_ends * 1e6 + BLOCK

    def test_a_cell_of_double_resistance_is_found_within_minutes(self, chemistry: str) -> None:
        what = parameters(chemistry, "double resistance")
        told = alarms_of(what, *driven(what, 5, HARD)[:2])
        assert {(change.limit, number) for change, number in told} == {("cell-resistance", ODD_CELL)}
        change = told[0][0]
        assert change.t < 10 * 60e6
        assert change.value == pytest.approx(2.0, rel=0.2)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["5 % low", "double resistance"])
def test_figures_of_every_cell_hold_against_the_cells_themselves(fault: str) -> None:
    """Until the pack is empty; the odd cell's resistance while it is not yet much warmer than the others."""
    what = parameters("lfp", fault)
    cells, current, drive_ends = driven(what, 7, HARD)
    end = round(1e6 * (drive_ends if fault == "5 % low" else 900))
    rows = [batch.rows(0, int(batch.t.searchsorted(end, "right"))) for batch in (cells, current)]
    last = CellWatch(machine_of(what)).advance(Span(end, tuple(rows)))
    assert last.cells is not None
    figures = last.cells.cells
    odd = figures.pop(ODD_CELL)
    coldest, warmest = 1.33, 0.68  # of the resistance at 25 degC, at 15 and at 40 degC
    for number, each in figures.items():
        assert each.times == pytest.approx(1.0, abs=0.15), number
        assert each.ohm is not None
        ohmic, whole = what.resistance_ohm, what.resistance_ohm + what.rc_resistance_ohm
        assert warmest * ohmic < each.ohm < coldest * whole, number
        assert each.behind_ah is None, number
    if fault == "5 % low":
        assert odd.behind_ah is not None
        assert odd.behind_ah <= 0.05 * what.capacity_ah + 0.5, "at least, so no more than it lacks"
    else:
        assert odd.times == pytest.approx(2.0, rel=0.2)
        assert odd.behind_ah is None


def test_it_does_not_see_the_cuts() -> None:
    what = parameters("lfp", "5 % low")
    batches = driven(what, 6, Ride(load_c=1.0, charge_c=1.0))[:2]
    end = int(batches[0].t[-1])

    def all_told(cuts: list[int]) -> dict[str, bytes]:
        stage, found, last = CellWatch(machine_of(what)), defaultdict(list), -1
        for cut in [*cuts, end]:
            places = [[int(batch.t.searchsorted(at, "right")) for at in (last, cut)] for batch in batches]
            pieces = [batch.rows(*place) for batch, place in zip(batches, places, strict=True) if place[0] < place[1]]
            for batch in stage.advance(Span(cut, tuple(pieces), final=cut == end)).batches[len(pieces) :]:
                assert last < int(batch.t[0])
                assert int(batch.t[-1]) <= cut
                found[batch.group.name].append(np.column_stack((batch.t, batch.values)))
            last = cut
        return {name: np.concatenate(rows).tobytes() for name, rows in found.items()}

    once = all_told([])
    assert set(once) >= {"cell_spread_load", "cell_resistance_ratio", "cell_charge_deficit"}
    assert once == all_told(list(range(7_300_000, end, 7_300_000)))


class TestResistances:
    @settings(max_examples=50)
    @given(st.lists(st.floats(0.5, 5.0), min_size=3, max_size=8), st.integers(0, 1000))
    def test_ratios_of_plain_resistors_are_exact(self, ratios: list[float], seed: int) -> None:
        """Ohm's law: cells of R times a ratio, at any course of current, give those ratios back."""
        rng = np.random.default_rng(seed)
        ohm = 0.001 * np.array(ratios)
        middle = float(np.median(ohm))
        ledger = ResistanceLedger(100.0)
        for current in rng.uniform(0, 100, 30):
            volts = 3.3 - current * ohm
            ledger.take(volts - np.median(volts), float(np.median(volts)), float(current), True)
        found = ledger.ratios()
        assert found is not None
        np.testing.assert_allclose(1 + found[0], ohm / middle, rtol=1e-6)
        assert ledger.middle_ohm == pytest.approx(middle)

    def test_a_steady_current_tells_of_no_resistance(self) -> None:
        ledger = ResistanceLedger(100.0)
        for _ in range(30):
            ledger.take(np.array([0.0, -0.01, 0.01]), 3.2, 40.0, True)
        assert ledger.ratios() is None
        assert ledger.middle_ohm == 0.0


def told(cells: np.ndarray, current: np.ndarray) -> dict[str, np.ndarray]:
    """Return what the stage tells of rows a second apart, by signal."""
    t = np.arange(len(current), dtype=np.int64) * 1_000_000
    names = tuple(cell_name(number) for number in range(1, cells.shape[1] + 1))
    batches = (
        Batch(Group("pack", "cells", names), t, cells),
        Batch(Group("pack", "pack", ("pack_current",)), t, current.reshape(-1, 1)),
    )
    machine = Machine(pack=Pack(chemistry="lfp", cells_in_series=cells.shape[1], capacity_ah=100.0))
    span = CellWatch(machine).advance(Span(int(t[-1]), batches, final=True))
    return {b.group.signals[0]: b.values[:, 0] for b in span.batches if b.group.origin == "derived"}


class TestWhatIsTold:
    def test_a_pack_at_rest_tells_its_spread_after_half_a_minute(self) -> None:
        cells = np.tile([3.30, 3.31, 3.33, 3.30], (120, 1))
        found = told(cells, np.zeros(120))
        assert set(found) == {"cell_spread_rest"}
        np.testing.assert_allclose(found["cell_spread_rest"], 0.03)
        assert len(found["cell_spread_rest"]) < 9

    def test_near_the_top_it_is_called_so(self) -> None:
        cells = np.tile([3.41, 3.42, 3.50, 3.41], (60, 1))
        assert set(told(cells, np.full(60, -5.0))) == {"cell_spread_top"}

    def test_a_low_pack_tells_no_millivolts(self) -> None:
        cells = np.tile([3.10, 3.00, 3.15, 3.12], (60, 1))
        assert told(cells, np.zeros(60)) == {}

    def test_one_misread_row_says_nothing(self) -> None:
        cells = np.tile([3.30, 3.31, 3.30, 3.30], (120, 1))
        cells[75, 2] = 1.0
        assert told(cells, np.zeros(120))["cell_spread_rest"].max() < 0.02

    def test_unknown_cells_and_currents_say_nothing(self) -> None:
        cells = np.full((60, 4), np.nan)
        assert told(cells, np.zeros(60)) == {}
        assert told(np.tile([3.3, 3.3, 3.3, 3.3], (60, 1)), np.full(60, np.nan)) == {}
