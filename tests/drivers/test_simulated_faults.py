"""Each fault of the simulated machine leaves its physical sign in what is measured, and leaves the rest alone."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.expected import resistance
from drivers.simulated.faults.catalogue import FAULTS, fault_of
from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.scenarios import MARKET
from drivers.simulated.varied import lively, varied_scenario
from drivers.simulated_machine import SimulatedMachineDriver
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import merged
from telemetry.model.recording import Recording
from tests.drivers.declared import problems_of
from tests.reference.drives import FEW, faulty_drive

SECONDS = 60.0


@cache
def drive(fault, seed, variant=None, seconds=SECONDS, scenario="varied"):
    return faulty_drive(fault, seed, seconds, scenario=scenario, variant=variant)


def around(one, event, before=0.1, after=0.2):
    """The rows from shortly before ``event`` to shortly after it."""
    t = one.t / 1e6
    return (t > event.t - before) & (t < event.t + event.duration + after)


@settings(max_examples=4, deadline=None)
@given(st.lists(st.integers(0, 3_000_000), max_size=8), st.sampled_from(sorted(FAULTS)))
def test_no_bit_depends_on_how_calls_are_cut(cuts, fault):
    def machine():
        return SimulatedMachine("varied", 7, 0, "s", 20.0, fault=fault)

    whole, pieces = machine(), machine()
    at_once = {batch.group.name: batch for batch in whole.advance_to(3_000_000)}
    parts = {}
    for cut in [*sorted(cuts), 3_000_000]:
        for batch in pieces.advance_to(cut):
            parts.setdefault(batch.group.name, []).append(batch)
    for name, batch in at_once.items():
        assert merged(parts[name]).values.tobytes() == batch.values.tobytes()
    assert pieces.fault_events == whole.fault_events


def test_the_same_seed_gives_the_same_drive_and_events():
    first, again, other = (faulty_drive("mechanical-drag", seed, 20.0) for seed in (4, 4, 5))
    assert first.variant == again.variant
    assert all(first.columns[name].tobytes() == again.columns[name].tobytes() for name in first.columns)
    assert first.scenario.vehicle.mass_kg != other.scenario.vehicle.mass_kg


@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_drive_has_no_events_and_its_charge_balances(seed):
    """What the cells lost is the current over time, by trapezoid on its own times."""
    machine = SimulatedMachine("varied", seed, 0, "s", 20.0, truth=True, fault="healthy")
    got = {batch.group.name: batch for batch in machine.advance_to(40_000_000)}
    assert machine.fault_events == ()
    current = got["truth"].column("extra_truth_current")
    soc = got["truth"].column("extra_truth_soc")
    lost_ah = (soc[0] - soc[-1]) / 100 / np.mean(1 / machine.cells.capacity_ah)
    assert lost_ah == pytest.approx(np.trapezoid(current, got["truth"].t / 3.6e9), rel=0.03)
    assert got["vehicle"].column("vehicle_speed").max() > 2


def test_a_worn_pedal_drops_at_one_place_faster_than_a_foot():
    one = drive("pedal-sensor", 2, "drops to nothing")
    low, high = one.scenario.pedal.offset_v, one.scenario.pedal.offset_v + one.scenario.pedal.range_v
    volts, t = one.columns["throttle_voltage"], one.t / 1e6
    places = []
    for event in one.events:
        inside = (t > event.t + 0.005) & (t < event.t + event.duration - 0.005)
        assert np.all(volts[inside] < 0.7 * low)
        before = volts[t < event.t]
        places.append(before[-1] if before[-1] > 0.9 * low else np.nan)
    assert len(one.events) >= 2
    # One band of travel, give or take half a row's way of the foot.
    assert np.nanmax(places) - np.nanmin(places) < 0.25 * (high - low)


def test_the_other_pedal_variants_stay_within_the_supply():
    for variant in ("dips", "jitters"):
        volts = drive("pedal-sensor", 3, variant).columns["throttle_voltage"]
        assert volts.min() > -0.2
        assert volts.max() < 5.3


def test_a_controller_that_cuts_stops_the_current_at_a_steady_pedal_and_voltage():
    one = drive("controller", 3, "cuts at random")
    for event in one.events:
        if event.duration < 0.8:
            continue
        late = around(one, event, -0.6, -0.02)
        assert one.columns["controller_voltage"][late].min() > one.scenario.controller.foldback_v
        assert one.columns["discharge_allowed"][late].min() == 1
        assert one.columns["pack_current"][late].mean() < 0.75 * np.percentile(one.columns["pack_current"], 98)
    assert len(one.events) >= 2


def test_the_enable_line_tells_where_it_was_measured():
    faults = [fault_of("controller", seed, lively(MARKET, seed), "enable line drops") for seed in range(20)]
    assert {fault.scenario.enable_v > 0 for fault in faults} == {True, False}
    drives = (drive("controller", seed, "enable line drops") for seed in (2, 1, 3))
    one = next(one for one in drives if "enable_voltage" in one.columns)
    assert one.events
    line, t = one.columns["enable_voltage"], one.t / 1e6
    for event in one.events:
        inside = (t > event.t + 0.03) & (t < event.t + event.duration - 0.03)
        assert np.all(line[inside] < 1)
    assert np.median(line) == pytest.approx(one.scenario.enable_v, abs=0.1)


def test_a_poor_connection_drops_several_times_what_pack_and_wire_explain():
    one = drive("power-connection", 1, "resists")
    drop = one.columns["pack_voltage"] - one.columns["controller_voltage"]
    slope = np.polyfit(one.columns["pack_current"], drop, 1)[0]
    assert slope > 1.0 * resistance(one.scenario)
    healthy = drive("healthy", 1)
    drop = healthy.columns["pack_voltage"] - healthy.columns["controller_voltage"]
    usual = np.polyfit(healthy.columns["pack_current"], drop, 1)[0]
    assert usual == pytest.approx(healthy.scenario.connection.resistance_ohm, abs=0.4 * resistance(one.scenario))


def test_an_open_connection_stops_the_current_and_empties_the_controllers_capacitor():
    one = drive("power-connection", 2, "opens when shaken")
    for event in one.events:
        if "open" in event.what and event.duration > 0.2:
            late = around(one, event, -0.1, -0.02)
            assert np.abs(one.columns["pack_current"][late]).max() < 5
            assert one.columns["controller_voltage"][late].min() < one.scenario.controller.minimum_v
            assert one.columns["discharge_allowed"][late].min() == 1


@pytest.mark.parametrize("variant", ["empty", "aged", "one weak cell"])
def test_a_weak_pack_falls_to_a_low_limit_under_load(variant):
    one = drive("pack-weak", 5, variant, 120.0)
    controller, guard = one.scenario.controller, one.scenario.electronics.cell_low
    reached = one.columns["controller_voltage"].min() < 1.01 * controller.foldback_v
    lowest = np.nanmin(one.columns["cell_min_voltage"])
    assert reached or lowest < guard.limit + 0.1
    if variant == "one weak cell":
        assert np.nanmax(one.columns["cell_max_voltage"] - one.columns["cell_min_voltage"]) > 0.1


def test_the_packs_switch_opens_on_too_much_current_and_is_reported_late():
    one = drive("bms-trip", 2, "over-current", 100.0)
    guard = one.scenario.electronics.discharge_current
    assert len(one.events) >= 2
    t, current = one.t / 1e6, one.columns["pack_current"]
    for event in one.events:
        before = (t > event.t - 0.15) & (t <= event.t)
        assert current[before].max() > 0.93 * guard.limit - 2
        inside = (t > event.t + 0.3) & (t < event.t + event.duration - 0.05)
        assert np.all(one.columns["discharge_allowed"][inside] == 0)
        assert np.abs(current[inside]).max() < 4
    assert not np.any(current > 1.3 * guard.limit + 5) or guard.delay_s > 0.1


def test_braking_into_a_pack_that_refuses_lifts_the_controllers_voltage():
    machine = SimulatedMachine(
        MARKET, 3, 0, "s", 20.0, fault=fault_of("bms-trip", 3, lively(MARKET, 3), "braking into a cold pack")
    )
    got = {batch.group.name: batch for batch in machine.advance_to(80_000_000)}
    assert got["vehicle"].column("controller_voltage").max() > MARKET.controller.maximum_v
    assert got["pack"].column("pack_current").min() > -2
    assert [event.what for event in machine.fault_events[:1]] == ["controller stopped: supply too high"]


def test_drag_takes_more_current_for_the_same_way():
    rubbing, free = (drive(fault, 1) for fault in ("mechanical-drag", "healthy"))
    assert rubbing.events == ()
    for one in (rubbing, free):
        assert one.columns["vehicle_speed"].mean() > 2
    ratio = rubbing.columns["pack_current"].mean() / free.columns["pack_current"].mean()
    assert ratio > 1.3


def test_a_drive_is_a_recording_in_parts_of_different_rates():
    one = drive("healthy", 1)
    recording = one.recording(FEW, every={"pack_current": 10}, late_s={"pack_current": 0.4})
    assert isinstance(recording, Recording)
    spans = list(recording.spans(500))
    assert len(spans) > 1
    rows = {
        group.key: sum(len(b) for s in spans for b in s.batches if b.group.key == group.key)
        for group in recording.groups
    }
    assert sorted(rows.values()) == [120, 1200]
    assert all(batch.t.max() <= span.end for span in spans for batch in span.batches)


def test_a_drive_is_written_as_a_recording_of_our_own(tmp_path):
    from telemetry.recordings.reading import open_recording

    one = drive("healthy", 1)
    one.write_csv(tmp_path / "d.csv")
    again = merged([batch for span in open_recording(tmp_path / "d.csv").spans() for batch in span.batches])
    assert set(FEW) <= set(again.group.signals)
    assert again.column("throttle_voltage") == pytest.approx(one.columns["throttle_voltage"], abs=1e-3)


@pytest.mark.parametrize("seed", range(1, 5))
def test_the_machine_file_of_a_drawn_machine_has_no_problem(seed):
    settings_ = {"scenario": "varied", "seed": seed, "fault": "pack-weak"}
    assert problems_of(SimulatedMachineDriver, settings_) == []
    machine, problems = parse_machine(SimulatedMachineDriver.example(settings_), "varied")
    assert problems == []
    assert machine.pack.cells_in_series == varied_scenario(seed).cells.count
    assert dict(machine.sources[0].settings) == settings_


def test_an_unknown_fault_is_told_with_the_known_ones():
    (problem,) = problems_of(SimulatedMachineDriver, {"fault": "pedal"})
    assert problem.where == "fault"
    assert "pedal-sensor" in problem.right
    with pytest.raises(KeyError):
        fault_of("controller", 1, MARKET, "nonsense")
