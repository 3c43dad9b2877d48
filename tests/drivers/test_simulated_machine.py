"""The whole simulated machine, and the driver that plays it."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.cells import OddCell
from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.scenarios import MARKET, ORCHARD, SCENARIOS
from drivers.simulated_machine import SimulatedMachineDriver
from telemetry.driver import Driver, DriverContext
from telemetry.machine.limits import limits_for
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import merged
from telemetry.model.clock import ManualClock, settle
from telemetry.model.signals import find_signal
from tests.drivers.declared import problems_of

START = 1_770_000_000_000_000


def driven(scenario, seconds, seed=1, **options):
    machine = SimulatedMachine(scenario, seed, START, "simulated", **options)
    return {batch.group.name: batch for batch in machine.advance_to(START + round(seconds * 1e6))}


@cache
def mowed():
    """Three minutes in the orchard, and of the truth every step."""
    return driven("orchard", 180, rate_hz=20.0, truth=True)


def cell_columns(batch):
    return batch.values[:, [place for place, name in enumerate(batch.group.signals) if name.startswith("cell_")]]


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_groups_come_at_their_rates_in_known_signals(scenario):
    got = driven(scenario, 20, rate_hz=10.0)
    for batch in got.values():
        assert all(find_signal(name) for name in batch.group.signals)
        assert np.all(np.isfinite(batch.values))
    spacing = {name: set(np.diff(batch.t).tolist()) for name, batch in got.items()}
    assert spacing["pack"] == {100_000}
    assert spacing["cells"] == {400_000}
    assert spacing["vehicle"] == {50_000}
    assert got["pack"].t[0] == START
    assert "truth" not in got
    assert ("wall" in got) == (scenario == "orchard-charge")


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 4_000_000), max_size=12), st.sampled_from(sorted(SCENARIOS)))
def test_no_bit_depends_on_how_calls_are_cut(cuts, scenario):
    whole = driven(scenario, 5, truth=True)
    machine = SimulatedMachine(scenario, 1, START, "simulated", truth=True)
    pieces = {group.name: [] for group in machine.groups}
    for cut in [*sorted(cuts), 5_000_000]:
        for batch in machine.advance_to(START + cut):
            pieces[batch.group.name].append(batch)
    for name, batch in whole.items():
        joined = merged(pieces[name])
        assert joined.t.tobytes() == batch.t.tobytes()
        assert joined.values.tobytes() == batch.values.tobytes()


def test_the_same_seed_drives_the_same_and_another_does_not():
    first, again, other = (driven("orchard", 12, seed)["cells"].values for seed in (4, 4, 5))
    assert first.tobytes() == again.tobytes()
    assert first.tobytes() != other.tobytes()


def test_truth_disturbs_nothing():
    with_truth, without = driven("market", 10, truth=True), driven("market", 10)
    assert all(with_truth[name].values.tobytes() == without[name].values.tobytes() for name in without)


def test_the_demonstration_begins_lively():
    got = mowed()
    vehicle, pack = got["vehicle"], got["pack"]
    seconds = (vehicle.t - START) / 1e6
    speed, deck = vehicle.column("vehicle_speed"), vehicle.column("implement_engaged")
    assert seconds[np.argmax(speed > 3.0)] < 5
    assert 0 < seconds[np.argmax(deck == 1)] < 15
    current = pack.column("pack_current")
    at = (pack.t - START) / 1e6
    start = current[(at < 15)].max()
    assert start > 2.5 * np.median(current[(at > 15) & (at < 30)])  # the deck's start peak
    assert current[(at > 22) & (at < 32)].mean() > 1.15 * current[(at > 45) & (at < 60)].mean()  # up, then down


def test_the_loose_link_makes_its_cell_cross_the_warning_now_and_then():
    machine, problems = parse_machine(SimulatedMachineDriver.example({"scenario": "orchard"}), "orchard")
    assert not problems
    limit = next(each for each in limits_for(machine) if each.name == "cell-voltage-low")
    cells = cell_columns(mowed()["cells"])
    below = cells.min(axis=1) < limit.warn
    at = (mowed()["cells"].t - START) / 1e6
    runs = np.split(np.arange(len(below)), np.flatnonzero(np.diff(below.astype(int))) + 1)
    lasting = [at[run[-1]] - at[run[0]] for run in runs if below[run[0]]]
    assert max(lasting) > limit.raise_delay_s
    assert below.mean() < 0.1
    assert at[below].max() < 170
    assert set(cells[below].argmin(axis=1) + 1) == {17}
    assert cells.min() > limit.trip


def test_charge_balance_of_the_whole_pack():
    """The true current by trapezoid on its own times is what the cells lost."""
    truth = mowed()["truth"]
    current, soc = truth.column("extra_truth_current"), truth.column("extra_truth_soc")
    taken_ah = np.trapezoid(current, truth.t / 3.6e9)
    capacity = 1 / np.mean(1 / SimulatedMachine("orchard", 1, START, "s").cells.capacity_ah)
    assert (soc[0] - soc[-1]) / 100 * capacity == pytest.approx(taken_ah, rel=3e-3)


def test_pack_voltage_sags_by_current_times_resistance():
    """Across the deck's start, within 50 ms: dV = R dI, R the true ohmic resistance."""
    got = mowed()
    pack, truth = got["pack"], got["truth"]
    current = truth.column("extra_truth_current")
    step = int(np.argmax(np.diff(current)))
    rise = current[step + 1] - current[step]
    sag = pack.column("pack_voltage")[step] - pack.column("pack_voltage")[step + 1]
    assert rise > 80
    assert sag / rise == pytest.approx(truth.column("extra_truth_resistance")[step], rel=0.05)


def test_the_connection_drops_current_times_its_resistance():
    got = mowed()
    vehicle, pack, truth = got["vehicle"], got["pack"], got["truth"]
    behind = vehicle.column("controller_voltage")[::2]
    drop = pack.column("pack_voltage") - behind
    slope = np.polyfit(truth.column("extra_truth_current"), drop, 1)[0]
    assert slope == pytest.approx(ORCHARD.connection.resistance_ohm, rel=0.05)


def test_braking_downhill_charges_the_pack():
    got = driven("market", 90, truth=True)
    current, soc = got["truth"].column("extra_truth_current"), got["truth"].column("extra_truth_soc")
    assert current.min() < -5
    first = int(np.argmax(current < -5))
    last = first + int(np.argmax(current[first:] > -1))
    assert soc[last] > soc[first] + 0.02
    assert got["vehicle"].column("motor_current").min() < -20


def test_the_electronics_cut_out_and_come_back():
    """A weak cell sags to the limit uphill: the switch opens, supply is lost, and returns at rest."""
    weak = replace(MARKET.cells, odd={3: OddCell(capacity=0.8, link_ohm=0.010)})
    got = driven(replace(MARKET, cells=weak, soc=0.30), 60)
    allowed = got["pack"].column("discharge_allowed")
    current = got["pack"].column("pack_current")
    lowest = cell_columns(got["cells"]).min(axis=1)
    changes = np.diff(allowed)
    assert np.sum(changes == -1) >= 1
    assert np.sum(changes == 1) >= 1
    assert lowest.min() < MARKET.electronics.cell_low.limit + 0.01
    assert np.all(current[allowed == 0] <= 0.3)
    opened = int(np.argmax(allowed == 0))
    t = got["pack"].t[opened]
    after = got["vehicle"].rows(int(np.searchsorted(got["vehicle"].t, t + 1_500_000)), len(got["vehicle"]))
    assert after.column("controller_voltage")[0] < 10
    assert after.column("motor_current")[0] == pytest.approx(0.0, abs=2)
    closed = opened + int(np.argmax(allowed[opened:] == 1))
    assert (got["pack"].t[closed] - t) / 1e6 >= MARKET.electronics.cell_low.back_s - 0.1


def test_hot_cells_may_not_be_charged():
    got = driven(replace(SCENARIOS["orchard-charge"], air_c=47.0), 20)
    assert got["pack"].column("charge_allowed")[-1] == 0
    assert got["pack"].column("pack_current")[-1] == pytest.approx(0.2, abs=0.3)
    assert got["pack"].column("discharge_allowed")[-1] == 1


def test_a_charge_ends_full_and_the_wall_gives_more_than_the_pack_gets():
    machine = SimulatedMachine(replace(SCENARIOS["orchard-charge"], soc=0.98), 1, START, "s", rate_hz=1.0)
    got = {batch.group.name: batch for batch in machine.advance_to(START + 720_000_000)}
    power = -got["pack"].column("pack_voltage") * got["pack"].column("pack_current")
    wall = got["wall"].column("charger_input_power")
    charger = ORCHARD.charger
    assert machine.charger.finished
    assert got["pack"].column("soc_reported")[-1] == pytest.approx(100, abs=0.2)
    assert got["pack"].column("pack_voltage").max() <= charger.voltage_v + 0.1
    middle = slice(20, 60)
    assert power[::4][middle].mean() / wall[middle].mean() == pytest.approx(charger.efficiency, abs=0.03)
    assert wall[-1] == pytest.approx(charger.idle_w, abs=4)


def test_a_low_pack_parks_after_its_lap_and_charges():
    short = tuple(replace(leg, length_m=leg.length_m / 8) for leg in MARKET.legs)
    machine = SimulatedMachine(replace(MARKET, legs=short, soc=0.50, charges_below=60.0), 1, START, "s", rate_hz=1.0)
    got = {batch.group.name: batch for batch in machine.advance_to(START + 180_000_000)}
    assert machine.course.parked
    assert machine.charger.connected
    assert got["pack"].column("pack_current")[-1] == pytest.approx(-MARKET.charger.current_a, abs=0.5)


def test_standing_still_leaves_a_gap_and_loses_nothing():
    machine = SimulatedMachine("orchard", 1, START, "s")
    first = {batch.group.name: batch for batch in machine.advance_to(START + 1_000_000)}["pack"]
    machine.stand_still_until(START + 100_000_000)
    rest = {batch.group.name: batch for batch in machine.advance_to(START + 101_000_000)}["pack"]
    assert rest.t[0] >= START + 100_000_000
    both = np.concatenate([first.values, rest.values])
    assert both.tobytes() == driven("orchard", 5)["pack"].values[: len(both)].tobytes()


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_each_example_is_a_machine_file_without_a_problem(scenario):
    text = SimulatedMachineDriver.example({"scenario": scenario, "seed": 3})
    machine, problems = parse_machine(text, scenario)
    assert problems == []
    source = machine.sources[0]
    assert source.driver == "simulated-machine"
    assert problems_of(SimulatedMachineDriver, source.settings) == []
    assert dict(source.settings) == {"scenario": scenario, "seed": 3}
    what = SCENARIOS[scenario]
    pack, vehicle = machine.pack, machine.vehicle
    assert (pack.chemistry, pack.cells_in_series) == (what.cells.chemistry, what.cells.count)
    assert pack.capacity_ah == what.cells.capacity_ah
    assert vehicle.mass_kg == what.vehicle.mass_kg
    assert (vehicle.minimum_voltage_v, vehicle.foldback_voltage_v, vehicle.maximum_voltage_v) == (
        what.controller.minimum_v,
        what.controller.foldback_v,
        what.controller.maximum_v,
    )
    assert machine.charger.output_voltage_v == what.charger.voltage_v
    assert machine.charger.output_current_a == what.charger.current_a


def test_every_bad_key_is_told_at_once():
    bad = {"scenario": "moon", "seed": -1, "rate_hz": "fast", "truth": 1, "sed": 2}
    assert {problem.where for problem in problems_of(SimulatedMachineDriver, bad)} == set(bad)
    assert problems_of(SimulatedMachineDriver, {}) == []


async def test_the_driver_plays_by_the_clock():
    clock = ManualClock(START)
    settings_ = {"scenario": "orchard", "seed": 1, "rate_hz": 10.0, "truth": True}
    driver = SimulatedMachineDriver(DriverContext("demo", settings_, clock))
    assert isinstance(driver, Driver)
    assert (driver.kind, driver.silence_s) == ("wired", 5.0)
    await driver.open()
    batches = []

    async def read():
        async for batch in driver.readings():
            assert batch.t[-1] <= clock.now()
            batches.append(batch)

    reading = asyncio.create_task(read())
    await settle()
    await clock.advance(3.0)
    reading.cancel()
    await asyncio.wait([reading])
    await driver.close()
    await driver.close()
    pack = merged([batch for batch in batches if batch.group.name == "pack"])
    assert pack.group.source == "demo"
    assert pack.values.tobytes() == driven("orchard", 3)["pack"].values.tobytes()
    assert {batch.group.name for batch in batches} == {"pack", "cells", "vehicle", "truth"}
