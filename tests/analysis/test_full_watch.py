"""A charger left on a full pack is told from a full pack that rests."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.charger_watch import ChargerWatch
from telemetry.analysis.full_watch import FullWatch
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.stage import Chain
from tests.reference.charge_packs import PackKind, make_pack

SECOND = 1_000_000
HOUR = 3600


def machine_of(chemistry: str = "lfp", cells: int = 16, more: str = "") -> Machine:
    text = f'[pack]\nchemistry = "{chemistry}"\ncells_in_series = {cells}\ncapacity_ah = 100\n{more}'
    machine, problems = parse_machine(text, "cart.toml")
    assert machine is not None, problems
    return machine


def charge(after: np.ndarray, after_a: np.ndarray | float, top_v: float = 57.6) -> Batch:
    """An hour of charge up to ``top_v`` and a tail of half an hour to 1 A, then what is given; a row a second."""
    volts = np.concatenate([np.linspace(top_v - 3, top_v, HOUR), np.full(HOUR // 2, top_v)])
    tail = 18.0 * np.exp(-np.arange(HOUR // 2) / 600)
    current = np.concatenate([np.full(HOUR, -18.0), -tail, np.broadcast_to(after_a, len(after))])
    return batch_of(np.concatenate([volts, after]), current)


def batch_of(volts: np.ndarray, current: np.ndarray) -> Batch:
    random = np.random.default_rng(7)
    rows = np.column_stack([volts + random.normal(0, 0.012, len(volts)), current])
    rows[:, 1] += random.normal(0, 0.06, len(volts))
    t = np.arange(len(rows), dtype=np.int64) * SECOND
    return Batch(Group("bms", "pack", ("pack_voltage", "pack_current")), t, np.round(rows, 2))


def told(batch: Batch, machine: Machine) -> tuple[np.ndarray, list[tuple[str, float]]]:
    """Return ``minutes_since_full`` and the raised alarms of the limit as level and hours."""
    stages = Chain([ChargerWatch(), FullWatch(machine), judge_for(machine)])
    minutes, alarms = [], []
    for first in range(0, len(batch.t), 600):
        piece = batch.rows(first, min(first + 600, len(batch.t)))
        span = stages.advance(Span(int(piece.t[-1]), (piece,)))
        minutes += [b.values[:, 0] for b in span.batches if b.group.name == "minutes_since_full"]
        alarms += [
            (event.level, event.t / SECOND / HOUR)
            for event in span.events
            if isinstance(event, AlarmChange) and event.limit == "charger-left-on" and event.state == "raised"
        ]
    return np.concatenate(minutes), alarms


class TestLeftOn:
    @pytest.mark.parametrize("current", [0.0, -0.2, -1.5])
    def test_a_charger_that_holds_the_voltage_is_alarmed(self, current: float) -> None:
        _, alarms = told(charge(np.full(5 * HOUR, 57.6), current), machine_of())
        assert [level for level, _ in alarms] == ["warn", "trip"]
        # 18 A fall to 5 A, a twentieth of the capacity per hour, after 600 s * ln(18 / 5) = 769 s of the tail
        assert alarms[0][1] == pytest.approx(1 + 769 / HOUR + 1, abs=0.05)
        assert alarms[1][1] == pytest.approx(1 + 769 / HOUR + 4, abs=0.05)

    def test_unplugging_ends_it(self) -> None:
        after = np.concatenate([np.full(2 * HOUR, 57.6), 54.0 + 3.6 * np.exp(-np.arange(HOUR) / 300)])
        minutes, alarms = told(charge(after, 0.0), machine_of())
        assert minutes.max() > 120
        assert minutes[-1] == 0.0
        assert [level for level, _ in alarms] == ["warn"]

    def test_a_stated_charger_with_a_lower_voltage_counts(self) -> None:
        machine = machine_of(more="[charger]\noutput_voltage_v = 55.2\nend_current_a = 3\n")
        assert told(charge(np.full(2 * HOUR, 55.2), 0.0, 55.2), machine)[1]
        assert not told(charge(np.full(2 * HOUR, 55.2), 0.0, 55.2), machine_of())[1]


class TestQuiet:
    @pytest.mark.parametrize("seconds", [120, 600, 1800])
    def test_a_full_pack_that_rests(self, seconds: int) -> None:
        # From 3.6 V a cell towards 3.38 V, common practice.
        after = 16 * (3.38 + 0.22 * np.exp(-np.arange(4 * HOUR) / seconds))
        minutes, alarms = told(charge(after, 0.0), machine_of())
        assert alarms == []
        assert minutes[-1] == 0.0

    def test_a_drive_at_once(self) -> None:
        minutes, alarms = told(charge(np.full(2 * HOUR, 53.0), 40.0), machine_of())
        assert alarms == []
        assert minutes[-1] == 0.0

    def test_a_long_charge_below_the_top(self) -> None:
        assert told(batch_of(np.full(5 * HOUR, 54.5), np.full(5 * HOUR, -3.0)), machine_of())[1] == []

    def test_a_nickel_pack_that_rests_just_below_its_charge_voltage(self) -> None:
        after = 14 * (4.19 + 0.01 * np.exp(-np.arange(4 * HOUR) / 300))
        machine = machine_of("nmc", 14)
        assert told(charge(after, 0.0, 14 * 4.2), machine)[1] == []
        assert told(charge(np.full(4 * HOUR, 14 * 4.2), -1.0, 14 * 4.2), machine)[1], "current tells"

    def test_lead_is_floated_by_design(self) -> None:
        assert told(charge(np.full(5 * HOUR, 57.6), -0.6), machine_of("lead-agm", 24))[1] == []

    @pytest.mark.slow
    @pytest.mark.parametrize("chemistry", ["lfp", "nmc"])
    @pytest.mark.parametrize("seed", [5, 6])
    def test_drawn_packs_that_rest_after_their_charge(self, chemistry: str, seed: int) -> None:
        """Packs of another simulator; their last voltages are held for three hours more, falling no further."""
        cells = {"lfp": 16, "nmc": 14}[chemistry]
        kind = PackKind(chemistry=chemistry, cells=cells, course="drive-then-charge", minutes=(20, 30))
        session = make_pack(kind, seed).session
        signals = session.signals
        volts, current = (signals[name].values for name in ("pack_voltage", "pack_current"))
        batch = batch_of(*(np.concatenate([each, np.full(3 * HOUR, each[-1])]) for each in (volts, current)))
        assert told(batch, machine_of(chemistry, kind.cells))[1] == []
