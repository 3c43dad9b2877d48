"""Power lost under load: raised at the row that shows it, whatever the cuts; silent on a foot, a key, a rest.

Invented drives of a few rows a second; simulated ones are in ``test_scenarios.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.supply_watch import BRAKING_GONE, CHARGE_ENDED, SupplyWatch
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, AlarmCondition
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages

SECOND = 1_000_000
MACHINE, _ = parse_machine('[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 60\n', "cart.toml")
AT = 20.0
"""Where something happens, s, in 40 s of driving at a steady 40 A."""


def drive(rate: float = 10.0, seconds: float = 40.0, **changed):
    """Columns of a drive; each of ``changed`` is a signal's value from ``AT`` on, or a function of the time since."""
    t = np.round(np.arange(0.0, seconds, 1 / rate) * SECOND).astype(np.int64)
    random = np.random.default_rng(7)
    columns = {
        "pack_voltage": 52.0 + random.normal(0.0, 0.02, len(t)),
        "pack_current": 40.0 + random.normal(0.0, 0.3, len(t)),
        "controller_voltage": 51.7 + random.normal(0.0, 0.03, len(t)),
        "throttle_voltage": np.where(t < SECOND, 0.9, 2.4) + random.normal(0.0, 0.006, len(t)),
        "vehicle_speed": np.full(len(t), 7.0),
        "discharge_allowed": np.ones(len(t)),
        "charge_allowed": np.ones(len(t)),
    }
    after = t / SECOND - AT
    for name, value in changed.items():
        if value is None:
            del columns[name]
            continue
        fresh = value(after) if callable(value) else np.full(len(t), float(value))
        columns[name] = np.where(after >= -1e-9, fresh, columns.get(name, fresh * 0 + 12.0))
    return t, columns


def conditions(t, columns, pack=MACHINE.pack, cuts=()):
    """What a fresh stage finds, as (name, on, seconds, why)."""
    names = tuple(columns)
    rows = Batch(Group("m", "all", names), t, np.column_stack([columns[name] for name in names]))
    stage, found, first = SupplyWatch(pack), [], 0
    for cut in [*sorted(cuts), int(t[-1])]:
        stop = int(np.searchsorted(t, cut, side="right"))
        span = stage.advance(Span(cut, (rows.rows(first, stop),) if stop > first else (), final=cut == t[-1]))
        found += [event for event in span.events if isinstance(event, AlarmCondition)]
        first = stop
    return [(each.limit, each.on, each.t / SECOND, each.why) for each in found]


def raised(t, columns, **how):
    return [(name, seconds) for name, on, seconds, _ in conditions(t, columns, **how) if on]


@pytest.mark.parametrize("rate", [1.0, 2.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize(
    "missing", [(), ("throttle_voltage",), ("controller_voltage", "throttle_voltage", "vehicle_speed")]
)
def test_a_trip_is_raised_on_the_row_of_the_flag(rate, missing) -> None:
    t, columns = drive(rate, pack_current=0.3, discharge_allowed=0.0, controller_voltage=2.0)
    assert raised(t, {name: v for name, v in columns.items() if name not in missing}) == [("discharge-disabled", AT)]


def test_a_flag_polled_once_a_second_is_believed_after_the_current_has_gone() -> None:
    t, columns = drive(pack_current=0.3, controller_voltage=None, throttle_voltage=None, discharge_allowed=0.0)
    columns["discharge_allowed"] = np.where(t / SECOND < AT + 1.0, 1.0, 0.0)
    columns["discharge_allowed"][np.arange(len(t)) % 10 != 0] = np.nan
    assert raised(t, columns) == [("discharge-disabled", AT + 1.0)]


def test_a_pack_that_goes_to_sleep_at_rest_raises_nothing() -> None:
    t, columns = drive(discharge_allowed=0.0)
    for name, value in (("pack_current", 0.2), ("vehicle_speed", 0.0), ("throttle_voltage", 0.9)):
        columns[name][t > 5 * SECOND] = value
    assert raised(t, columns) == []


@pytest.mark.parametrize("rate", [1.0, 2.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("throttle", [True, False])
def test_a_controller_without_supply_is_raised_at_once(rate, throttle) -> None:
    lost = drive(rate, pack_current=0.2, controller_voltage=lambda s: 40.0 * np.exp(-s / 0.4), discharge_allowed=None)
    if not throttle:
        del lost[1]["throttle_voltage"]
    ((name, at),) = raised(*lost)
    assert name == "supply-lost"
    assert at == pytest.approx(AT, abs=0.05)


def test_current_that_vanishes_under_a_held_throttle_is_raised_within_half_a_second() -> None:
    lost = drive(pack_current=0.2, controller_voltage=None, discharge_allowed=None)
    ((name, at),) = raised(*lost)
    assert name == "supply-lost"
    assert AT <= at <= AT + 0.5


@pytest.mark.parametrize("rate", [1.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("tau", [0.0, 0.1, 0.2])
def test_a_foot_that_lifts_is_no_loss(rate, tau) -> None:
    """The current follows the foot within what controllers take, common practice."""
    fall = (lambda s: 40.0 * np.exp(-s / tau) + 0.3) if tau else 0.3
    t, columns = drive(rate, pack_current=fall, throttle_voltage=lambda s: np.maximum(0.9, 2.4 - 9.0 * (s + 0.05)))
    for some in ((), ("controller_voltage",), ("discharge_allowed", "charge_allowed")):
        assert raised(t, {name: v for name, v in columns.items() if name not in some}) == []


def test_voltage_and_current_alone_say_nothing() -> None:
    t, columns = drive(pack_current=0.2)
    assert raised(t, {name: columns[name] for name in ("pack_voltage", "pack_current")}) == []


def test_a_slow_fall_under_a_held_throttle_is_a_slope_or_a_fold_back() -> None:
    falling = drive(pack_current=lambda s: 40.0 * np.exp(-s / 0.2), controller_voltage=None)
    assert raised(*falling) == []


def test_a_key_that_is_turned_off_is_no_fault() -> None:
    off = {"pack_current": 0.0, "controller_voltage": lambda s: 51.0 * np.exp(-s / 0.4)}
    assert raised(*drive(**off, enable_voltage=0.0)) == []
    t, columns = drive(**off)
    columns["throttle_voltage"][t / SECOND > AT - 2] = 0.9
    columns["pack_current"][t / SECOND > AT - 1.8] = 0.4
    assert raised(t, columns) == []
    del columns["throttle_voltage"]
    assert raised(t, columns) == []


def test_a_pack_that_sags_with_its_controller_has_not_lost_it() -> None:
    t, columns = drive(pack_current=lambda s: 160.0 + 0 * s, controller_voltage=40.0, pack_voltage=41.0)
    columns["pack_voltage"][np.arange(len(t)) % 10 != 9] = (
        np.nan
    )  # the pack is read once a second, the controller ten times
    assert raised(t, columns) == []


def test_a_late_flag_replaces_what_the_voltages_showed() -> None:
    t, columns = drive(pack_current=0.2, controller_voltage=3.0, discharge_allowed=0.0)
    columns["discharge_allowed"] = np.where(t / SECOND < AT + 0.8, 1.0, 0.0)
    found = [(name, on, at) for name, on, at, _ in conditions(t, columns)]
    late = AT + 0.8
    assert found == [("supply-lost", True, AT), ("supply-lost", False, late), ("discharge-disabled", True, late)]


def test_supply_that_is_back_clears_after_two_seconds() -> None:
    gone = {
        "controller_voltage": lambda s: np.where(s < 1.0, 3.0, 51.7),
        "pack_current": lambda s: np.where(s < 1.0, 0.1, 40.0),
    }
    found = [(name, on, at) for name, on, at, _ in conditions(*drive(**gone))]
    assert found == [("supply-lost", True, AT), ("supply-lost", False, AT + 3.0)]


def test_braking_that_the_pack_refuses_is_told() -> None:
    t, columns = drive(pack_current=0.0, charge_allowed=0.0)
    columns["pack_current"][(t / SECOND >= AT - 1) & (t / SECOND < AT)] = -20.0
    assert [(name, why) for name, _, _, why in conditions(t, columns)] == [("charge-disabled", BRAKING_GONE)]


@pytest.mark.parametrize(("cell", "expected"), [(3.30, [("charge-disabled", CHARGE_ENDED)]), (3.62, [])])
@pytest.mark.parametrize("cells_known", [True, False])
def test_a_charge_that_ends_matters_unless_the_pack_is_near_full(cell, expected, cells_known) -> None:
    t, columns = drive(pack_current=0.0, charge_allowed=0.0, throttle_voltage=None, controller_voltage=None)
    columns["pack_current"][t / SECOND < AT] = -15.0
    columns["vehicle_speed"][:] = 0.0
    columns["pack_voltage"] = np.full(len(t), 16 * cell)
    if cells_known:
        columns["cell_max_voltage"] = np.full(len(t), cell)
    assert [(name, why) for name, _, _, why in conditions(t, columns)] == expected


def test_without_cells_and_without_a_machine_file_nothing_is_said_of_a_charge() -> None:
    t, columns = drive(pack_current=0.0, charge_allowed=0.0, throttle_voltage=None)
    columns["pack_current"][t / SECOND < AT] = -15.0
    columns["vehicle_speed"][:] = 0.0
    assert raised(t, columns, pack=None) == []


@settings(max_examples=30)
@given(st.sampled_from(["trip", "late", "fuse", "foot"]), st.lists(st.integers(1, 39_999), max_size=60, unique=True))
def test_the_cuts_do_not_matter(kind: str, cuts_ms: list[int]) -> None:
    t, columns = drive(pack_current=0.2, controller_voltage=lambda s: 45.0 * np.exp(-s / 0.3), discharge_allowed=0.0)
    if kind != "trip":
        columns["discharge_allowed"] = np.where((t / SECOND < AT + 0.9) | (kind != "late"), 1.0, 0.0)
    if kind == "foot":
        del columns["controller_voltage"]
    once = conditions(t, columns)
    assert once
    assert conditions(t, columns, cuts=[cut * 1000 for cut in cuts_ms]) == once


def stretches(random: np.random.Generator, count: int, *values: float) -> np.ndarray:
    """A signal that keeps each of some values for a second, the first one mostly."""
    weights = [0.7, *[0.3 / (len(values) - 1)] * (len(values) - 1)]
    return np.repeat(random.choice(values, count // 10 + 1, p=weights), 10)[:count]


@settings(max_examples=60)
@given(st.integers(0, 10_000))
def test_rows_looked_at_one_by_one_and_all_together_show_the_same(seed: int) -> None:
    """In a long span only the rows at which something may begin are looked at by themselves."""
    random = np.random.default_rng(seed)
    t, columns = drive()
    count = len(t)
    columns["pack_current"] = stretches(random, count, 40.0, 0.2, 90.0, -10.0) + random.normal(0.0, 0.3, count)
    columns["controller_voltage"] *= stretches(random, count, 1.0, 0.8, 0.5, 0.01)
    columns["pack_voltage"] *= stretches(random, count, 1.0, 0.05)
    columns["throttle_voltage"] = stretches(random, count, 2.4, 0.9, 3.2) + random.normal(0.0, 0.006, count)
    columns["enable_voltage"] = stretches(random, count, 12.0, 0.0)
    columns["discharge_allowed"] = stretches(random, count, 1.0, 0.0)
    columns["charge_allowed"] = stretches(random, count, 1.0, 0.0)
    for column in columns.values():
        column[random.random(count) < 0.1] = np.nan
    t[random.integers(1, count) :] += random.choice([0, 5, 70]) * SECOND
    assert conditions(t, columns, cuts=t.tolist()[:-1]) == conditions(t, columns)


def test_the_judge_keeps_a_trip_latched_until_it_is_reset() -> None:
    t, columns = drive(pack_current=0.3, discharge_allowed=lambda s: np.where(s < 5.0, 0.0, 1.0))
    rows = Batch(Group("m", "all", tuple(columns)), t, np.column_stack(list(columns.values())))
    span = standard_stages(judge_for(None)).advance(Span(int(t[-1]), (rows,), final=True))
    changes = [each for each in span.events if isinstance(each, AlarmChange)]
    assert [(each.limit, each.state, each.t / SECOND) for each in changes] == [
        ("discharge-disabled", "raised", AT),
        ("discharge-disabled", "cleared", AT + 5.0),
    ]
    assert changes[1].stands == "latched unacknowledged"
