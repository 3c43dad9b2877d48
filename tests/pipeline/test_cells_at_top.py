"""Cell imbalance at the top of a charge, in charge: on packs of two simulators that know nothing of the estimator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drivers.simulated.cells import CellParameters, Cells, OddCell
from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.vehicle_keys import Charger
from telemetry.model.batch import Batch, Span
from tests.reference.topped_packs import AHEAD, CAPACITY_AH, COUNT, SECOND, batches, drawn, machine_of, told


@pytest.mark.slow
@pytest.mark.parametrize("chemistry", ["lfp", "nmc"])
@pytest.mark.parametrize(("start", "rate_c", "seed"), [(0.3, 0.2, 101), (0.7, 0.1, 102), (0.8, 0.3, 103)])
class TestDrawnPacks:
    def test_an_ordinary_pack_is_quiet(self, chemistry: str, start: float, rate_c: float, seed: int) -> None:
        rows, truth = drawn(chemistry, seed, 0.0, start, rate_c)
        values, alarms = told(rows, chemistry)
        assert truth < 1.5
        assert values == [pytest.approx(truth, abs=0.7)]
        assert alarms == []

    def test_a_cell_that_is_four_percent_ahead(self, chemistry: str, start: float, rate_c: float, seed: int) -> None:
        rows, truth = drawn(chemistry, seed, 0.04, start, rate_c)
        values, alarms = told(rows, chemistry)
        assert truth > 3.0
        assert values == [pytest.approx(truth, abs=1.2)]
        assert alarms == ["cell-imbalance-top warn"]


def simulated(odd: dict[int, OddCell], ahead: float, seed: int, rate_c: float = 0.18) -> tuple[Batch, Batch]:
    """A charge of cells of the simulated machine, one of them ahead."""
    what = CellParameters("lfp", COUNT, CAPACITY_AH, resistance_ohm=0.00065, rc_resistance_ohm=0.00040, odd=odd)
    cells = Cells(what, 0.6, 20.0, np.random.default_rng([seed, 0]))
    cells.soc[AHEAD] += ahead
    volts, amperes = [], []
    for second in range(6 * 3600):
        current = -rate_c * CAPACITY_AH if second >= 60 else 0.0
        cells.step(current, 1.0, 20.0)
        if second % 10 == 0:
            cells.warm_up()
        volts.append(cells.voltage)
        amperes.append(current)
        if cells.voltage.max() >= 3.65:
            break
    return batches(np.array(volts), np.array(amperes), seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [201, 202])
class TestSimulatedMachine:
    def test_a_healthy_pack_that_spreads_by_200_mv_for_a_moment(self, seed: int) -> None:
        rows = simulated({}, 0.008, seed)
        spread = rows[0].values.max(axis=1) - rows[0].values.min(axis=1)
        assert spread.max() > 0.2
        values, alarms = told(rows, "lfp")
        assert values[0] < 1.5
        assert alarms == []

    def test_four_percent_warn(self, seed: int) -> None:
        _, alarms = told(simulated({}, 0.04, seed), "lfp")
        assert alarms == ["cell-imbalance-top warn"]

    def test_a_poor_link_is_no_imbalance(self, seed: int) -> None:
        """It reads some 75 mV higher all the way, and first comes to the top."""
        values, alarms = told(simulated({7: OddCell(link_ohm=0.0042)}, 0.0, seed), "lfp")
        assert values[0] < 1.5
        assert alarms == []


def test_a_short_charge_tells_nothing() -> None:
    rows, _ = drawn("nmc", 5, 0.0, 0.96, 0.2)
    assert told(rows, "nmc")[0] == []


def test_a_stated_charger_with_a_lower_voltage_says_where_full_is() -> None:
    rows = simulated({}, 0.008, 7)
    before = rows[0].values.max(axis=1) < 3.53
    lower = tuple(Batch(batch.group, batch.t[before], batch.values[before]) for batch in rows)
    usual = machine_of("lfp")
    stated = replace(usual, charger=Charger(output_voltage_v=COUNT * 3.55))
    found = [
        [batch for batch in span.batches if batch.group.name == "cell_imbalance_top"]
        for machine in (usual, stated)
        for span in [CellWatch(machine).advance(Span(int(lower[0].t[-1]) + 20 * SECOND, lower))]
    ]
    assert [len(added) for added in found] == [0, 1]


def test_it_does_not_see_the_cuts() -> None:
    rows = simulated({}, 0.04, 5, rate_c=0.5)
    end = int(rows[0].t[-1]) + 20 * SECOND

    def all_told(step: int) -> list[tuple[int, float]]:
        stage, found, last = CellWatch(machine_of("lfp")), [], -1
        for cut in [*range(step, end, step), end]:
            places = [[int(b.t.searchsorted(at, "right")) for at in (last, cut)] for b in rows]
            pieces = [b.rows(*place) for b, place in zip(rows, places, strict=True) if place[0] < place[1]]
            added = stage.advance(Span(cut, tuple(pieces))).batches[len(pieces) :]
            for batch in (each for each in added if each.group.name == "cell_imbalance_top"):
                found += list(zip(batch.t.tolist(), batch.values[:, 0].tolist(), strict=True))
            last = cut
        return found

    once = all_told(end)
    assert len(once) == 1
    assert all_told(7_300_000) == once
    assert all_told(61_000_000) == once
