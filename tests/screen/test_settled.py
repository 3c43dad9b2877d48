"""What the drive view remembers: choices that change late, phases, and the digits' pace. Invented values."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.cli import build_parser
from telemetry.commands.options import run_options
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.scene import PackScale, pack_scale
from telemetry.screen.settled import Settled, Settlement
from telemetry.screen.units import IMPERIAL, METRIC

SECOND = MICROSECONDS


def test_a_choice_changes_only_once_another_has_been_wanted_long_enough() -> None:
    settled: Settled[str] = Settled(3.0)
    wanted = ["a", "b", "b", "a", "b", "b", "b", "b", "b"]
    assert [settled.take(n * SECOND, each) for n, each in enumerate(wanted)] == [*"aaaaaaabb"]


def test_a_choice_that_nobody_asked_for_meanwhile_is_free() -> None:
    settled: Settled[str] = Settled(3.0)
    assert settled.take(0, "a") == "a"
    assert settled.take(60 * SECOND, "b") == "b"
    assert settled.take(10 * SECOND, "a") == "a", "a replay that was set back"


@given(st.lists(st.tuples(st.integers(1, 2_900_000), st.booleans()), max_size=60))
def test_two_changes_are_never_closer_than_the_hold(steps: list[tuple[int, bool]]) -> None:
    settled: Settled[bool] = Settled(3.0)
    now, changes, last = 0, [], None
    for step, wanted in steps:
        now += step
        chosen = settled.take(now, wanted)
        if last is not None and chosen != last:
            changes.append(now)
        last = chosen
    assert all(later - earlier >= 3 * SECOND for earlier, later in pairwise(changes))


class Machine:
    """A snapshot fed once a second, and the phase that the screen makes of it."""

    def __init__(self, standby_a: float = 0.0) -> None:
        self.snapshot, self.settlement, self.second = Snapshot(start=0), Settlement(), 0
        self.judge = Judge(())
        self.standby_a = standby_a

    def runs(self, seconds: int, **values: float) -> str:
        """Return the phase after so many seconds."""
        phase = ""
        for _ in range(seconds):
            self.second += 1
            t = self.second * SECOND
            group = Group("pack", "-".join(values), tuple(values))
            self.snapshot.take(self.judge.advance(Span(t, (Batch.of_rows(group, [t], [list(values.values())]),))))
            phase = self.settlement.phase(self.snapshot, t, self.standby_a)
        return phase


def test_phases_follow_the_machine() -> None:
    machine = Machine()
    assert machine.runs(5, pack_current=40.0, vehicle_speed=6.0, implement_engaged=0.0) == "DRIVING"
    assert machine.runs(5, pack_current=60.0, vehicle_speed=6.0, implement_engaged=1.0) == "WORKING"
    assert machine.runs(4, pack_current=-20.0, vehicle_speed=6.0, implement_engaged=1.0) == "WORKING", "it brakes"
    assert machine.runs(15, pack_current=0.2, vehicle_speed=0.0, implement_engaged=0.0) == "AT REST"
    assert machine.runs(15, pack_current=40.0, vehicle_speed=0.0, implement_engaged=1.0) == "WORKING", "deck on"
    assert machine.runs(15, pack_current=30.0, vehicle_speed=0.0, implement_engaged=0.0) == "DRIVING", "it stalls"


def test_rest_allows_for_the_standby_current() -> None:
    assert Machine(standby_a=0.0).runs(80, pack_current=1.4, vehicle_speed=0.0) == "DRIVING"
    assert Machine(standby_a=1.0).runs(80, pack_current=1.4, vehicle_speed=0.0) == "AT REST"


def test_a_charger_is_seen_without_a_speed() -> None:
    machine = Machine()
    assert machine.runs(400, pack_current=-18.0, pack_voltage=54.0) == "CHARGING"


def test_digits_change_twice_a_second_at_most_and_never_show_a_stale_value() -> None:
    snapshot, settlement = Snapshot(start=0), Settlement()
    group, shown = Group("pack", "pack", ("pack_voltage",)), []
    for tick in range(20):
        t = tick * SECOND // 10
        snapshot.take(Span(t, (Batch.of_rows(group, [t], [[50.0 + tick]]),)))
        shown.append(settlement.digits(snapshot, "pack_voltage", t))
    assert shown == [50.0] * 5 + [55.0] * 5 + [60.0] * 5 + [65.0] * 5
    assert settlement.digits(snapshot, "pack_voltage", 30 * SECOND) is None


def test_the_scale_of_a_pack_comes_from_its_machine_file() -> None:
    text = '[pack]\nchemistry = "{}"\ncells_in_series = {}\ncapacity_ah = 100\n'
    lfp, _ = parse_machine(text.format("lfp", 24) + "[machine]\nstandby_current_a = 0.4\n", "cart.toml")
    assert pack_scale(lfp) == PackScale(24, 3.40, 3.00, 0.4)
    lead = pack_scale(parse_machine(text.format("lead-flooded", 24), "cart.toml")[0])
    # Battery Council International: 12.65 V full at rest for six flooded cells, by a secondary copy.
    assert lead.full_v is not None
    assert abs(6 * lead.full_v - 12.65) < 0.1
    assert pack_scale(None) == PackScale()


@pytest.mark.parametrize(("words", "units"), [([], "metric"), (["--units", "imperial"], "imperial")])
def test_the_command_line_chooses_the_units(words: list[str], units: str) -> None:
    arguments = build_parser().parse_args(["watch", "--demo", *words])
    assert run_options(arguments, record=False).units == units


# NIST Special Publication 811 (2008), appendix B: 1 mile is 1.609344 km, 1 acre 4046.873 m2 (of the survey foot,
# 4 in a million larger than the international acre), degrees Fahrenheit by its formula.
@pytest.mark.parametrize(
    ("found", "published"),
    [
        (IMPERIAL.speed_of(1.609344), 1.0),
        (IMPERIAL.area_of(0.4046873), 1.0),
        (IMPERIAL.temperature_of(-40.0), -40.0),
        (IMPERIAL.temperature_of(100.0), 212.0),
        (METRIC.speed_of(7.0) + METRIC.area_of(0.3) + METRIC.temperature_of(20.0), 27.3),
    ],
)
def test_units_are_the_published_ones(found: float, published: float) -> None:
    assert found == pytest.approx(published, rel=5e-6)
