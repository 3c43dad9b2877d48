"""The verdict on simulated machines: recorded sessions as they are, and drives with a known fault."""

from __future__ import annotations

from dataclasses import replace

import pytest

from telemetry.analysis.series import read_series
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import load_machine
from telemetry.report.alarm_review import judged_anew, review_of
from telemetry.report.session_report import report_of
from tests.reference.drives import faulty_drive
from tests.report.committed import SESSIONS, committed


def test_the_mow_is_parked_for_the_joint_of_its_cell_17():
    # the orchard machine is made with a bad joint at cell 17
    report = committed("orchard-mow").report
    assert report.verdict_word == "PARK"
    assert report.verdict_reason.startswith("Cell 17, resistance: 6.")
    assert "Cell joints stay live with the key off" in report.next
    assert report.parts[0].key == "cell-resistance"


def test_the_evening_charge_is_judged_as_a_charge():
    report = committed("evening-charge").report
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert "this was a charge" in report.verdict_reason
    levels = {each.key: each.level for each in report.parts}
    assert levels["charge-fuse-current"] == levels["highest-cell"] == "holds"


def simulated(fault, seed, variant=None, seconds=300.0, every=None):
    machine = load_machine(SESSIONS / "orchard.toml")
    recording = faulty_drive(fault, seed, seconds, 10.0, scenario="orchard", variant=variant).recording(every=every)
    events, end = judged_anew(recording, machine)
    series = read_series(recording)
    # without its cells, for this machine's cell 17 parks it on every drive
    bare = {name: each for name, each in series.signals.items() if not name.startswith("cell_")}
    others = [event for event in events if not getattr(event, "limit", "").startswith("cell-")]
    review = review_of("drive", "the machine file", others, 0, end)
    return report_of(figures_of(replace(series, signals=bare, cells=None), machine), review)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 4])
def test_five_sound_minutes_find_no_fault_and_clear_nothing(seed):
    report = simulated("healthy", seed)
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert {each.level for each in report.parts} <= {"holds", "not judged"}


def test_an_empty_pack_is_no_drive_on():
    report = simulated("pack-weak", 4, "empty")
    assert report.verdict_word in ("PARK", "DRIVE GENTLY")
