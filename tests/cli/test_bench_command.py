"""``watch --bench`` end to end: a simulated machine is tried on its stands, judged, and kept as no drive."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest

from drivers.simulated.bench import BENCH_TESTS, TURNS_AT, on_stands
from drivers.simulated.expected import rest_voltage
from drivers.simulated.machine import RPM, SimulatedMachine
from drivers.simulated.varied import scenario_named
from drivers.simulated_machine import SimulatedMachineDriver
from telemetry.cli import main
from telemetry.report.bench_text import bench_chart, bench_lines, bench_object, next_step
from telemetry.report.bench_watch import BenchTest
from telemetry.runs import join
from telemetry.runs.options import RunOptions
from telemetry.runs.subjects import demo_machine
from telemetry.store.ledger import Ledger, LedgerEntry
from telemetry.store.reader import StoreReader
from tests.drivers.declared import problems_of
from tests.reference.drives import DriveRecording

LONGEST_US = 60_000_000


class LiveLike(DriveRecording):
    """Comes in spans of about a second, as it does live."""

    def spans(self, rows: int = 20):
        return super().spans(rows)


def tried(bench: str, seed: int, fault: str | None = None, scenario: str = "varied"):
    """Let the simulated machine be tried, and its rows go along the way of a live link; the machine, test, lines."""
    machine = SimulatedMachine(scenario, seed, 0, "machine", fault=fault, bench=bench)
    recording = LiveLike("bench", tuple(machine.advance_to(LONGEST_US)))
    printed = io.StringIO()
    test = BenchTest(bench, printed)
    options = RunOptions(screen=False, out=io.StringIO(), notes=io.StringIO(), listen=test.listen)
    assert join.replay(recording, None, None, options) == 0
    return machine, test, printed.getvalue().splitlines()


@pytest.mark.slow
@pytest.mark.parametrize("bench", BENCH_TESTS)
@pytest.mark.parametrize(("scenario", "seed"), [("orchard", 1), ("market", 1), *(("varied", n) for n in range(4))])
def test_a_sound_machine_is_sound(bench: str, scenario: str, seed: int) -> None:
    _, test, printed = tried(bench, seed, "healthy", scenario)
    result = test.result()
    assert result.is_sound, bench_lines(result)
    assert max(map(len, printed)) <= 80
    assert not any("!" in line for line in printed)
    assert test.series(test.drawn)[0][-1] < 52.0, "it did not end by itself"


@pytest.mark.parametrize("seed", range(6))
def test_a_pedal_that_failed_is_called_so_and_where_it_failed(seed: int) -> None:
    machine, test, printed = tried("throttle", seed, "pedal-sensor")
    result = test.result()
    events = [event for event in machine.fault_events if event.t < test.series("throttle_voltage")[0][-1]]
    assert events, "this pedal did not fail in the test; take another seed"
    assert bench_object("throttle", result)["verdict"] == "not sound", bench_lines(result)
    for fault in result.faults:
        assert any(event.t - 0.2 < fault.t < event.t + event.duration + 0.2 for event in events), fault
        if machine.fault.variant != "open wire":
            assert abs(fault.travel - machine.fault.centre) < 0.1
    assert any("!" in line for line in printed)
    assert any("fault" in line for line in bench_chart(test, result))
    assert "key off" in next_step(result)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "seed", "suspect"),
    [
        ("controller", 0, "motor_speed"),
        ("controller", 2, "enable_voltage"),
        ("power-connection", 2, "controller_voltage"),
        ("pedal-sensor", 5, "throttle_voltage"),
        ("mechanical-drag", 2, "motor_speed"),
    ],
)
def test_what_drops_out_first_is_named(fault: str, seed: int, suspect: str) -> None:
    machine, test, _ = tried("enabled", seed, fault)
    result = test.result()
    assert result.suspects == (suspect,), bench_lines(result)
    for fall in result.falls:
        assert any(event.t - 0.2 < fall < event.t + event.duration + 1.5 for event in machine.fault_events)
    assert next_step(result).startswith("Next: ")


def test_a_pedal_that_is_not_held_long_enough_is_not_judged() -> None:
    machine = SimulatedMachine("market", 1, 0, "machine", bench="enabled")
    test = BenchTest("enabled", None)
    options = RunOptions(screen=False, out=io.StringIO(), notes=io.StringIO(), listen=test.listen)
    join.replay(DriveRecording("bench", tuple(machine.advance_to(12_000_000))), None, None, options)
    assert "held only" in test.result().unknown


@pytest.mark.parametrize("seed", range(4))
def test_on_stands_the_wheels_turn_as_fast_as_the_parts_say(seed: int) -> None:
    what = scenario_named("varied", seed)
    machine = SimulatedMachine(what, seed, 0, "machine", bench="enabled")
    vehicle = next(batch for batch in machine.advance_to(40_000_000) if batch.group.name == "vehicle")
    speed = vehicle.values[:, vehicle.group.signals.index("motor_speed")]
    unloaded = rest_voltage(what, what.soc) / what.controller.torque_nm_per_a * RPM
    assert np.median(speed[vehicle.t > 20_000_000]) == pytest.approx(TURNS_AT * unloaded, rel=0.05)
    assert speed[vehicle.t < 4_000_000].max() < 10
    assert on_stands(what).vehicle.mass_kg < 0.1 * what.vehicle.mass_kg


def test_with_the_controller_off_nothing_turns() -> None:
    machine = SimulatedMachine("orchard", 1, 0, "machine", bench="throttle")
    machine.advance_to(10_000_000)
    assert machine.pedal > 0.3
    machine.advance_to(40_000_000)
    assert machine.vehicle.position == 0.0


def watched(store, *more: str) -> int:
    return main(["watch", "--demo", "--store", str(store), "--silent", "--json", *more])


def test_a_bench_test_is_no_drive(tmp_path, capsys) -> None:
    store = tmp_path / "store.sqlite3"
    assert watched(store, "--for", "1") == 0
    with Ledger.open(store) as ledger:
        by_hand = ledger.begin("orchard mower", "", 0)
        ledger.add(by_hand, LedgerEntry(1, "first-power polarity", 79.0, "V", "meter"))
    assert watched(store, "--bench", "throttle", "--for", "3") == 1
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (told["kind"], told["verdict"]) == ("bench", "unknown")
    with StoreReader.open(store) as reader:
        drive, hand, bench = reader.sessions()
        assert [drive.origin, hand.origin, bench.origin] == ["live", "bench", "bench"]
        assert reader.session("last").id == drive.id
        assert reader.recording(drive.id).warnings == ()
        assert "no drive" in reader.recording(bench.id).warnings[0]
        assert len(reader.arrays(bench.id, ["throttle_voltage"])["throttle_voltage"][0]) > 20
    with Ledger.open(store) as ledger:
        assert ledger.latest(bench.machine) == by_hand
    assert main(["export", str(bench.id), str(tmp_path / "bench.csv"), "--store", str(store)]) == 0
    assert "no drive" in capsys.readouterr().err


def test_a_store_with_bench_tests_only_has_no_last_session(tmp_path, capsys) -> None:
    store = tmp_path / "store.sqlite3"
    watched(store, "--bench", "enabled", "--for", "1")
    capsys.readouterr()
    assert main(["report", "last", "--store", str(store)]) == 2
    assert "no drive with values yet" in capsys.readouterr().err


def test_the_demo_knows_its_bench_tests() -> None:
    machine = demo_machine({"scenario": "market", "seed": 3, "bench": "enabled"})
    assert machine.sources[0].settings["bench"] == "enabled"
    (problem,) = problems_of(SimulatedMachineDriver, {"bench": "brakes"})
    assert '"throttle", "enabled"' in str(problem)
