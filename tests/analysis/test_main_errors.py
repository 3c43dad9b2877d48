"""The error that dominates a figure, by sessions in which one is made large on purpose."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.main_errors import MainError, main_errors
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import parse_machine
from telemetry.model.events import Mark
from tests.analysis.test_session_totals import series_of

PACK = '[pack]\nchemistry = "nmc"\ncells_in_series = 14\ncapacity_ah = 100\n'


def of_energy(session: SessionSeries, *lines: str) -> MainError:
    machine, problems = parse_machine(PACK + "\n".join(lines), "m.toml")
    assert machine is not None, problems
    found = {each.figure: each for each in main_errors(figures_of(session, machine))}
    return found["totals.energy_out_wh"]


def driven(off_s: float) -> SessionSeries:
    """Return half an hour at 40 A, after ``off_s`` seconds with the key off, marked as such."""
    t = np.arange(0, 1800.0 + off_s)
    amperes = np.where(t < off_s, 0.1, 40.0 + 5.0 * np.sin(t / 9.0))
    made = series_of(t, pack_voltage=0 * t + 50.0, pack_current=amperes)
    if not off_s:
        return made
    marks = (Mark(made.start, "key off"), Mark(made.start + round(off_s * 1e6), "drive"))
    return SessionSeries(
        made.name, made.start, made.end, made.origin, made.time_basis, made.signals, made.cells, marks
    )


def test_an_offset_that_nobody_measured_dominates_and_a_minute_with_the_key_off_is_the_remedy() -> None:
    found = of_energy(driven(0), "[instruments]", "current_gain_percent = 0.2")
    assert found.cause == "current-offset"
    assert "key off" in found.remedy


def test_with_the_offset_known_the_gain_dominates_and_a_better_meter_is_the_remedy() -> None:
    found = of_energy(driven(90), "[instruments]", "current_gain_percent = 2")
    assert found.cause == "current-gain"
    assert found.what == "the current sensor's ± 1.9 %"
    assert found.remedy == "a clamp-meter comparison with a meter good to 1 %"
    assert found.part_pct == pytest.approx(2 / np.sqrt(3), rel=1e-3)
    assert found.halved_pct == pytest.approx(
        np.hypot(found.part_pct / 2, np.sqrt(found.whole_pct**2 - found.part_pct**2))
    )


def test_halving_the_gain_halves_what_the_report_promises() -> None:
    whole = of_energy(driven(90), "[instruments]", "current_gain_percent = 2")
    half = of_energy(driven(90), "[instruments]", "current_gain_percent = 1")
    assert half.whole_pct == pytest.approx(whole.halved_pct, rel=1e-6)
