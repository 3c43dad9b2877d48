"""Heat of the path from pack to controller: Ohm's law on two meters that read at different instants."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.gaps import AT_MOST
from telemetry.analysis.path_heat import PathHeat
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages

SECOND = 1_000_000
CABLE_OHM = 0.0020
MACHINE, _ = parse_machine(
    '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
    "[wiring]\nconductor_mm2 = 35\none_way_length_m = 1.5\n",
    "cart.toml",
)


def load(seconds: int, seed: int) -> np.ndarray:
    """Current of a rough drive, ten values a second: 60 A on average, changing by tens of amperes in a second."""
    random = np.random.default_rng(seed)
    legs = np.repeat(random.uniform(10, 110, seconds // 4 + 1), 40)[: 10 * seconds]
    return legs + 8 * np.sin(np.arange(10 * seconds) / 7) + random.normal(0, 3, 10 * seconds)


def drive(
    joint: np.ndarray | float,
    seed: int,
    *,
    rest_s: int = 30,
    seconds: int = 300,
    late_s: float = 0.0,
    apart_v: float = 0.0,
    every: tuple[int, int] = (5, 2),
) -> tuple[Batch, Batch]:
    """Rows of a pack and of a controller that read at rates and instants of their own.

    Args:
        joint: resistance beyond the cable's, ohm, a number or one for each tenth of a second.
        rest_s: without load, to begin with.
        late_s: by which the controller's rows bear a later time than they were true.
        apart_v: what the controller's meter shows too much.
        every: a row of the pack and of the controller every so many tenths of a second.
    """
    random = np.random.default_rng([seed, 1])
    current = np.concatenate([np.full(10 * rest_s, 0.3), load(seconds, seed)])
    pack = 53.0 - 0.02 * current
    controller = pack - (CABLE_OHM + joint) * current + apart_v
    t = np.arange(len(current)) * 100_000
    pack_rows = np.column_stack([pack, current])[:: every[0]]
    pack_rows = np.round(pack_rows + random.normal(0, [0.012, 0.06], pack_rows.shape), 2)
    seen = np.round(controller[:: every[1]] + random.normal(0, 0.03, len(controller[:: every[1]])), 2)
    return (
        Batch(Group("bms", "pack", ("pack_voltage", "pack_current")), t[:: every[0]], pack_rows),
        Batch(
            Group("drive", "drive", ("controller_voltage",)),
            t[:: every[1]] + 37_000 + round(late_s * SECOND),
            seen.reshape(-1, 1),
        ),
    )


def heat(batches: tuple[Batch, ...], conductor_ohm: float = CABLE_OHM) -> np.ndarray:
    span = PathHeat(100.0, conductor_ohm).advance(Span(int(batches[0].t[-1]), batches, final=True))
    return np.concatenate([b.values[:, 0] for b in span.batches if b.group.name == "path_heat"])


def alarms(batches: tuple[Batch, ...]) -> list[AlarmChange]:
    stages = standard_stages(judge_for(MACHINE), MACHINE)
    span = stages.advance(Span(int(batches[0].t[-1]), batches, final=True))
    changes = [event for event in span.events if isinstance(event, AlarmChange)]
    return [change for change in changes if change.limit == "joint-heating" and change.state == "raised"]


@pytest.mark.parametrize("seed", range(3))
class TestJoint:
    def test_its_watts_are_those_of_the_current_squared(self, seed: int) -> None:
        batches = drive(0.010, seed)
        current = load(300, seed)
        assert np.median(heat(batches)[6:]) == pytest.approx(0.010 * np.mean(current**2), rel=0.15)

    @pytest.mark.parametrize("late_s", [-0.4, 0.4])
    @pytest.mark.parametrize("apart_v", [-0.4, 0.4])
    def test_a_good_path_is_quiet_whatever_the_meters(self, seed: int, late_s: float, apart_v: float) -> None:
        assert heat(drive(0.0, seed, late_s=late_s, apart_v=apart_v)).max() < 20.0

    def test_meters_never_compared_raise_nothing(self, seed: int) -> None:
        """Half a volt apart, and no rest to show it."""
        assert heat(drive(0.0, seed, rest_s=0, apart_v=-0.5)).max() < 20.0

    def test_an_open_main_switch_is_no_difference_of_meters(self, seed: int) -> None:
        pack, controller = drive(0.030, seed)
        off = Batch(controller.group, controller.t, np.where(controller.t < 30 * SECOND, 0.0, controller.values.T).T)
        current = load(300, seed)
        found = np.median(heat((pack, off))[6:])
        least = 0.030 - 0.01 * 51.8 / np.mean(current)  # 1 % of the voltage is taken off
        assert found == pytest.approx(least * np.mean(current**2), rel=0.15)

    def test_it_is_alarmed_within_fifty_seconds(self, seed: int) -> None:
        good_s = 150
        joint = np.where(np.arange(10 * (30 + 300)) < 10 * good_s, 0.0, 0.030)
        told = alarms(drive(joint, seed))
        assert told
        assert good_s < told[0].t / SECOND <= good_s + 50
        assert alarms(drive(0.0, seed)) == []


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_a_supply_that_is_cut_heats_nothing(seed: int) -> None:
    """The switch opens under load; the controller's capacitors run empty within some seconds, without any current."""
    pack, controller = drive(0.0, seed)
    since = (controller.t - 125 * SECOND) / SECOND
    gone = np.where((since > 0) & (since < 20), np.exp(-np.clip(since, 0, None) / 4.0), 1.0)
    volts = controller.values[:, 0] * gone
    cut = np.interp(pack.t, controller.t, gone) == 1.0
    values = pack.values.copy()
    values[:, pack.group.signals.index("pack_current")] *= cut
    batches = (Batch(pack.group, pack.t, values), Batch(controller.group, controller.t, volts.reshape(-1, 1)))
    assert heat(batches).max() < 20.0
    assert alarms(batches) == []


def test_one_row_a_second_and_a_slow_controller() -> None:
    batches = drive(0.010, 4, every=(10, 20))
    assert np.median(heat(batches)[6:]) == pytest.approx(0.010 * np.mean(load(300, 4) ** 2), rel=0.25)


def test_a_source_that_stopped_says_nothing() -> None:
    pack, controller = drive(0.010, 1)
    half = Batch(controller.group, controller.t[:600], controller.values[:600])
    assert len(heat((pack, half))) <= 12


def test_it_does_not_see_the_cuts() -> None:
    batches = drive(0.010, 2, seconds=90)
    end = int(batches[0].t[-1])

    def told(step: int) -> list[tuple[int, float]]:
        stage, rows, last = PathHeat(100.0, CABLE_OHM), [], -1
        for cut in [*range(step, end, step), end]:
            places = [[int(b.t.searchsorted(at, "right")) for at in (last, cut)] for b in batches]
            pieces = [b.rows(*place) for b, place in zip(batches, places, strict=True) if place[0] < place[1]]
            for batch in stage.advance(Span(cut, tuple(pieces))).batches:
                if batch.group.name == "path_heat":
                    rows += list(zip(batch.t.tolist(), batch.values[:, 0].tolist(), strict=True))
            last = cut
        return rows

    once = told(end)
    assert once
    assert told(333_000) == once
    assert told(7_100_000) == once


def test_without_the_controller_voltage_no_current_is_kept_for_it() -> None:
    stage, pack = PathHeat(100.0, CABLE_OHM), Group("pack", "pack", ("pack_voltage", "pack_current"))
    for second in range(600):
        t = second * SECOND
        stage.advance(Span(t, (Batch.of_rows(pack, [t], [[51.2, 60.0]]),)))
    assert len(stage._currents._t) <= 2 * AT_MOST // SECOND + 20
