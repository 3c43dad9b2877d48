"""A charger's current is told from that of braking downhill, with a speed signal and without one."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.machine import SimulatedMachine
from telemetry.analysis.charger_watch import ChargerWatch, least_charge_a
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages

SECOND = 1_000_000
MACHINE, _ = parse_machine('[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n', "cart.toml")


def rows(signals: dict[str, np.ndarray], every_s: float = 0.5) -> Batch:
    values = np.column_stack(list(signals.values()))
    t = np.round((np.arange(len(values)) + 0.5) * every_s * SECOND).astype(np.int64)
    return Batch(Group("pack", "+".join(signals), tuple(signals)), t, values)


def charging(**signals: np.ndarray) -> np.ndarray:
    """Return ``charging`` by the second, of signals every half second."""
    batch = rows(signals)
    span = ChargerWatch().advance(Span(int(batch.t[-1]) + SECOND, (batch,), final=True))
    return next(b.values[:, 0] for b in span.batches if b.group.name == "charging")


def downhill(seconds: int, seed: int) -> np.ndarray:
    """Current of a descent: 25 A into the pack, with the ground and the foot in it; 0.06 A of noise."""
    random = np.random.default_rng(seed)
    rough = np.zeros(2 * seconds)
    for place in range(1, len(rough)):
        rough[place] = 0.75 * rough[place - 1] + random.normal(0, 0.06)
    return np.round(-25.0 * (1 + rough) + random.normal(0, 0.06, len(rough)), 1)


def charge(seconds: int, seed: int, amperes: float = 15.0) -> np.ndarray:
    """Current of a charger, as a shunt reads it."""
    return np.round(-amperes + np.random.default_rng(seed).normal(0, 0.06, 2 * seconds), 1)


@pytest.mark.parametrize("seed", range(5))
class TestDescent:
    def test_of_a_minute_with_a_speed_signal(self, seed: int) -> None:
        current = downhill(60, seed)
        for speed in ({"vehicle_speed": np.full(120, 9.0)}, {"motor_speed": np.full(120, -1500.0)}):
            assert not charging(pack_current=current, **speed).any()

    def test_of_five_minutes_with_a_speed_signal(self, seed: int) -> None:
        steady = charge(300, seed, 25.0)
        assert not charging(pack_current=steady, vehicle_speed=np.full(600, 9.0)).any()

    def test_of_a_minute_without_a_speed_signal(self, seed: int) -> None:
        assert not charging(pack_current=downhill(60, seed)).any()
        assert not charging(pack_current=charge(60, seed, 25.0)).any(), "however steady"

    def test_of_five_minutes_without_a_speed_signal(self, seed: int) -> None:
        assert not charging(pack_current=downhill(300, seed)).any()

    def test_with_a_foot_on_the_throttle(self, seed: int) -> None:
        throttle = 1.0 + 0.5 * (np.arange(600) % 100 > 90)
        assert not charging(pack_current=charge(300, seed), throttle_voltage=throttle).any()


class TestCharge:
    def test_at_standstill_it_is_known_within_seconds(self) -> None:
        found = charging(pack_current=charge(60, 1), vehicle_speed=np.full(120, 0.3))
        assert 14 <= int(np.argmax(found)) <= 16
        assert found[20:].all()

    def test_power_at_the_wall_proves_it(self) -> None:
        found = charging(pack_current=charge(60, 1), charger_input_power=np.full(120, 900.0))
        assert 14 <= int(np.argmax(found)) <= 16

    @pytest.mark.parametrize("amperes", [2.0, 15.0, 50.0])
    def test_without_a_speed_signal_it_takes_two_minutes(self, amperes: float) -> None:
        found = charging(pack_current=charge(300, 1, amperes))
        assert 118 <= int(np.argmax(found)) <= 125
        assert found[130:].all()

    def test_a_tapering_current_is_still_a_charge(self) -> None:
        # A time constant of a quarter of an hour, common practice for the tail of a charge.
        current = np.round(-20.0 * np.exp(-np.arange(4800) / 2 / 900), 1)
        found = charging(pack_current=current)
        assert found[125:].all()

    def test_it_ends_with_its_current_and_when_the_machine_moves(self) -> None:
        current = np.concatenate([charge(60, 1), np.full(40, 0.1)])
        found = charging(pack_current=current, vehicle_speed=np.zeros(160))
        assert found[58] == 1.0
        assert not found[63:].any()
        speed = np.concatenate([np.zeros(80), np.full(40, 4.0)])
        found = charging(pack_current=charge(60, 1), vehicle_speed=speed)
        assert found[38] == 1.0
        assert not found[41:].any()

    def test_a_speed_that_stopped_coming_says_nothing(self) -> None:
        """The receiver loses its position in the shed: the rule without speed takes over."""
        speed = np.where(np.arange(600) < 10, 0.0, np.nan)
        found = charging(pack_current=charge(300, 1), vehicle_speed=speed)
        assert not found[:100].any()
        assert found[130:].all()


def suppressed(batch: Batch, machine: Machine = MACHINE) -> list[str]:
    """Return the limits that were quiet by design over the rows of ``batch``."""
    stages = standard_stages(judge_for(machine), machine)
    span = stages.advance(Span(int(batch.t[-1]), (batch,), final=True))
    changes = [event for event in span.events if isinstance(event, AlarmChange)]
    return [change.limit for change in changes if change.state == "suppressed"]


@pytest.mark.parametrize("with_speed", [True, False])
def test_a_low_pack_is_alarmed_on_a_descent_and_not_on_a_charge(with_speed: bool) -> None:
    low = {"pack_voltage": np.full(600, 41.0)}
    standing = {"vehicle_speed": np.zeros(600)} if with_speed else {}
    moving = {"vehicle_speed": np.full(600, 8.0)} if with_speed else {}
    descent = np.concatenate([np.full(480, 30.0), downhill(60, 3)])
    assert suppressed(rows({"pack_current": descent, **low, **moving})) == []
    assert "pack-voltage-low" in suppressed(rows({"pack_current": charge(300, 3), **low, **standing}))


@pytest.mark.parametrize(
    ("capacity_ah", "stated", "least"),
    [(40, "", 0.5), (300, "", 1.56), (100, "[instruments]\ncurrent_offset_a = 0.9\n", 0.9)],
)
def test_a_sensor_that_may_be_off_zero_by_as_much_shows_no_charger(capacity_ah, stated, least) -> None:
    """Usual: 0.3 A on 100 Ah, one standard deviation (common practice), so at most 0.0052 of the capacity."""
    text = f'[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = {capacity_ah}\n{stated}'
    machine, _ = parse_machine(text, "cart.toml")
    assert least_charge_a(machine) == pytest.approx(least, abs=0.005)
    low = {"pack_voltage": np.full(600, 41.0), "vehicle_speed": np.zeros(600)}
    off, fed = (rows({"pack_current": np.full(600, -least * share), **low}) for share in (0.95, 1.2))
    assert suppressed(off, machine) == []
    assert "pack-voltage-low" in suppressed(fed, machine)


@pytest.mark.slow
@pytest.mark.parametrize("hidden", [(), ("vehicle_speed", "motor_speed")])
def test_a_simulated_mower_never_charges_on_its_round(hidden: tuple[str, ...]) -> None:
    machine = SimulatedMachine("orchard", 3, 0, "pack")
    found, last = [], 0
    stage = ChargerWatch()
    for _ in range(600):
        last += SECOND
        batches = tuple(without(batch, hidden) for batch in machine.advance_to(last))
        span = stage.advance(Span(last, batches))
        found += [b.values[:, 0] for b in span.batches if b.group.name == "charging"]
    assert len(found) > 500
    assert not np.concatenate(found).any()


def without(batch: Batch, hidden: tuple[str, ...]) -> Batch:
    kept = [place for place, signal in enumerate(batch.group.signals) if signal not in hidden]
    group = Group(batch.group.source, batch.group.name, tuple(batch.group.signals[place] for place in kept))
    return Batch(group, batch.t, np.ascontiguousarray(batch.values[:, kept]))
