"""A bench test along the whole way: a recording through sources, spans and bus, to the verdict in words."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.enabled_bench import judge_enabled
from telemetry.analysis.fault_isolation.pedal_bench import judge_pedal
from telemetry.model.batch import Span
from telemetry.recordings.reading import open_recording
from telemetry.report.bench_text import bench_lines, bench_object, next_step
from telemetry.report.bench_watch import NOTHING_AFTER, BenchTest
from telemetry.runs import join
from telemetry.runs.options import RunOptions


def presses(gap_at: float | None = None):
    """Three slow presses of 4 s each way at 20 Hz; the signal is gone for 4 % of travel at ``gap_at``."""
    t = np.arange(0.0, 36.0, 0.05)
    travel = np.interp(t % 11.0, [0.0, 2.0, 6.0, 7.0, 11.0], [0.0, 0.0, 1.0, 1.0, 0.0])
    volts = 0.8 + 3.4 * travel + np.random.default_rng(3).normal(0.0, 0.004, len(t))
    if gap_at is not None:
        volts[np.abs(travel - gap_at) < 0.02] = 0.0
    return t, {"throttle_voltage": volts}


def tried(folder: Path, bench, t, signals):
    path = folder / "bench.csv"
    rows = [",".join(["t", *signals])]
    rows += [",".join(f"{value:.4f}" for value in row) for row in zip(t, *signals.values(), strict=True)]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    drawn = io.StringIO()
    test = BenchTest(bench, drawn)
    options = RunOptions(screen=False, out=io.StringIO(), notes=io.StringIO(), listen=test.listen)
    assert join.replay(open_recording(path), None, None, options) == 0
    return test.result(), drawn.getvalue().splitlines()


def test_a_sound_pedal(tmp_path: Path) -> None:
    result, drawn = tried(tmp_path, "throttle", *presses())
    assert bench_lines(result)[-1] == "Verdict: sound."
    assert all(len(line) <= 80 and " |" in line for line in drawn)
    assert bench_object("throttle", result)["rest_v"] == pytest.approx(0.8, abs=0.02)


def test_a_dead_spot_is_named_with_its_place(tmp_path: Path) -> None:
    result, _ = tried(tmp_path, "throttle", *presses(gap_at=0.45))
    lines = bench_lines(result)
    assert "Verdict: not sound." in lines
    assert any("drops to nothing" in line and "% of travel" in line for line in lines)
    assert json.loads(json.dumps(bench_object("throttle", result)))["verdict"] == "not sound"


def test_the_enabled_controller(tmp_path: Path) -> None:
    t = np.arange(0.0, 40.0, 0.1)
    signals = {"enable_voltage": np.full(len(t), 24.0), "motor_speed": np.full(len(t), 800.0)}
    assert tried(tmp_path, "enabled", t, signals)[0].is_sound
    signals["motor_speed"][200:206] = 0.0
    result, _ = tried(tmp_path, "enabled", t, signals)
    assert any("motor_speed dropped out once" in line and "controller" in line for line in bench_lines(result))


def test_without_a_signal_there_is_no_result(tmp_path: Path) -> None:
    t = np.arange(0.0, 5.0, 0.1)
    assert tried(tmp_path, "throttle", t, {"pack_voltage": np.full(len(t), 52.0)})[0] is None


def test_the_test_ends_where_no_signal_comes() -> None:
    stopped = []
    listener = BenchTest("throttle", None).listen(lambda: stopped.append(True))
    listener(Span(0))
    listener(Span(NOTHING_AFTER))
    assert not stopped
    listener(Span(NOTHING_AFTER + 1))
    assert stopped


@pytest.mark.parametrize(
    ("bench", "gap_at", "step"),
    [
        ("throttle", None, "Next: leave the throttle as it is. Drive where it hesitates"),
        ("throttle", 0.5, "It fails at one spot of its travel, typical of a worn sensor track."),
    ],
)
def test_after_the_throttle_test_it_says_what_to_do_next(tmp_path, bench, gap_at, step):
    result, _ = tried(tmp_path, bench, *presses(gap_at))
    assert step in next_step(result)


def test_without_a_verdict_the_next_step_is_to_repeat_and_no_part_is_blamed():
    t, _ = presses()
    result = judge_pedal(t, np.full(len(t), 0.8))
    assert bench_lines(result)[-1].startswith("Verdict: not known; the signal only moved from")
    assert next_step(result) == "Next: repeat the test; without a verdict no part is cleared or blamed."
    steady = (t, np.full(len(t), 24.0))
    sound = judge_enabled({"enable_voltage": steady, "motor_speed": (t, np.full(len(t), 900.0))})
    assert next_step(sound).startswith("Next: drive; some faults show only under load")
