"""The report of real recordings: what it tells, that its parts agree, and what it says where evidence is missing."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.report.sections import sections_of
from telemetry.report.session_report import report_json
from telemetry.report.session_text import WIDTH, report_lines
from telemetry.runs.judged import judged
from tests.report.committed import NOWHERE, committed

ROOT = Path(__file__).parents[2]
MOW = ROOT / "replay_data" / "orchard-mow.csv.gz"
MACHINE = ROOT / "replay_data" / "orchard.toml"

# The keys that scripts may count on, all of them: a field of an estimator that got another name would change one.
KEYS = {
    "totals": "duration_s gaps_s energy_out_wh energy_in_wh charge_out_ah charge_in_ah peak_power_w peak_power_at_s "
    "mean_power_w returned_share_pct current_offset_a measured_at uncertainty as_read",
    "soc": "start_pct end_pct end_uncertainty_pct start_uncertainty_pct method anchors series",
    "resistance": "pack_mohm pack_uncertainty_mohm pack_scatter_mohm pack_10s_mohm pack_10s_uncertainty_mohm "
    "pack_10s_scatter_mohm reference_a temperature_c cell_lag_s soc_pct steps cells",
    "cells": "spread_rest_mv spread_load_mv spread_top_mv spread_bottom_mv odd compared",
    "capacity": "usable_ah uncertainty_ah basis",
    "implement": "power_w uncertainty_w basis",
    "work": "area_ha distance_km wh_per_ha wh_per_km ha_per_h field_efficiency cost_per_ha cost_per_km cost_session "
    "cost_season fuel_l fuel_cost fuel_cost_per_ha fuel_equivalent_l ha_per_charge km_per_charge h_per_charge ranges "
    "currency area_by distance_by overlap_share",
    "outlook": "energy_left_wh lately whole",
    "storage": "standby_a standby_uncertainty_a standby_by days_to_empty days_from_full advice",
}
CHARGING = (
    "start_s end_s energy_in_wh charge_in_ah constant_current_a constant_current_s constant_voltage_s tail_hours "
    "end_current_a ending stopped_by_cell lowest_cell false_full missing_ah imbalance_ah balancing_h time_to_full_h "
    "wall_wh charger_efficiency sentence"
)
LISTED = {
    "phases": "kind start_s end_s energy_wh mean_power_w median_power_w peak_power_w returned_wh charge_ah known_s",
    "alarms": "limit signal level priority from_s active_s stands reported name where word do cell situation "
    "value_raised value_worst value_last bound unit origin warn_at_s trip_at_s changes",
    "main_errors": "figure cause part_pct whole_pct halved_pct what remedy",
    "parts": "key part unit worst seen at_s limit warn side origin headroom headroom_pct share_pct level why "
    "predicted counts",
}
ON_TOP = (
    "recording machine started phase_notes charging judged_by raw_bytes marks values_lost findings methods unknown "
    "verdict verdict_word verdict_reason next"
)
MAY_LACK_A_REASON = ("uncertainty_pct", "uncertainty_ah", "scatter_mohm", "basis", "_by", "currency", "overlap_share")


@pytest.fixture(scope="module")
def mow():
    return report_json(committed("orchard-mow").report)


def reported(path, *options, machine=True, capsys):
    given = ["--machine", str(MACHINE)] if machine else []
    status = main(["report", str(path), "--json", *given, *options])
    out = capsys.readouterr().out
    assert status == 0
    return json.loads(out)


def written(folder, name, columns, rows):
    path = folder / name
    lines = [",".join(columns), *(",".join(f"{value:.6g}" for value in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n")
    return path


def drive(seconds, hz=5, sign=1.0, resistance=0.03, seed=1):
    """Return t, current and voltage of an invented drive of a 24-cell pack on its plateau."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * hz) / hz
    level = rng.choice([5.0, 30.0, 60.0, 90.0], size=seconds // 8 + 1)
    current = np.repeat(level, 8 * hz)[: len(t)] + rng.normal(0, 0.1, len(t))
    return t, sign * current, 79.2 - resistance * current + rng.normal(0, 0.004, len(t))


def test_every_promised_key_is_there_and_no_other(mow):
    assert set(mow) == {*KEYS, *LISTED, *ON_TOP.split()}
    for section, keys in KEYS.items():
        assert set(mow[section]) == set(keys.split()), section
    for section, keys in LISTED.items():
        assert mow[section], section
        assert all(set(each) == set(keys.split()) for each in mow[section]), section
    json.dumps(mow, allow_nan=False)
    charge = report_json(committed("evening-charge").report)
    assert set(charge["charging"]) == set(CHARGING.split())
    assert mow["charging"] == {}


def test_a_figure_is_known_or_its_reason_is(mow):
    for section, keys in KEYS.items():
        for key in keys.split():
            if mow[section][key] is None and not key.endswith(MAY_LACK_A_REASON):
                assert {f"{section}.{key}", section} & set(mow["unknown"]), f"{section}.{key}"


def test_totals_are_those_that_a_replay_prints(mow, capsys):
    assert main(["replay", str(MOW), "--machine", str(MACHINE), "--speed", "max", "--no-screen", "--json"]) == 0
    summary = json.loads(capsys.readouterr().out.splitlines()[-1])
    for key in ("energy_out_wh", "energy_in_wh", "charge_out_ah", "charge_in_ah", "peak_power_w", "duration_s"):
        assert mow["totals"]["as_read"].get(key, mow["totals"][key]) == pytest.approx(
            summary[key], rel=1e-6, abs=1e-6
        )


def test_phases_add_up_to_the_whole(mow):
    phases, totals = mow["phases"], mow["totals"]
    net = totals["energy_out_wh"] - totals["energy_in_wh"]
    assert sum(phase["energy_wh"] for phase in phases) == pytest.approx(net, rel=1e-4)
    assert all(a["end_s"] <= b["start_s"] + 1e-6 for a, b in pairwise(phases))


def test_what_the_implement_alone_takes_is_near_what_the_simulated_one_was_given(mow):
    # 2500 W nominal, the grass around it from 0.7 to 2.2 times the usual: drivers/simulated/scenarios.py
    implement = mow["implement"]
    assert implement["power_w"] == pytest.approx(2500, abs=250)
    assert implement["uncertainty_w"] < 250


def test_the_series_of_the_charge_has_a_row_each_ten_seconds_within_its_bounds(mow):
    rows = np.array(mow["soc"]["series"])
    assert rows.shape[1] == 4
    assert np.all(np.diff(rows[:, 0]) >= 9.0)
    assert np.all((rows[:, 2] <= rows[:, 1]) & (rows[:, 1] <= rows[:, 3]))


def test_the_verdict_is_three_sentences(mow):
    verdict = mow["verdict"]
    assert len(verdict) == 3
    assert all(re.fullmatch(r"[A-Z0-9].*\.", sentence) for sentence in verdict)


def test_no_line_for_the_terminal_is_wider_than_it():
    lines = report_lines(committed("orchard-mow").report)
    assert max(len(line) for line in lines) <= WIDTH
    assert any(line == "IN THREE SENTENCES" for line in lines)


def test_the_text_has_the_order_of_the_page():
    report = committed("orchard-mow").report
    lines = report_lines(report, {}, ["the drive in characters"])
    order = [
        "  part ",
        "THE DRIVE",
        "CELLS AGAINST THE MIDDLE ONE",
        "FIGURES",
        "WHAT THIS DRIVE COULD NOT SHOW",
        "ENERGY AND POWER",
        "WHERE EACH LIMIT IS FROM",
    ]
    places = [next(n for n, line in enumerate(lines) if line.startswith(each)) for each in order]
    assert lines[0].startswith("orchard mower   orchard-mow.csv.gz")
    assert lines[2].startswith("■ PARK: ")
    assert places == sorted(places)
    said = " ".join(" ".join(lines).split())
    assert all(row.origin.rstrip(".") in said for row in report.parts if row.limit is not None)
    assert all(reason.rstrip(".") in said for reason in report.unknown.values())


def test_no_section_is_empty():
    assert all(not section.is_empty or section.charts for section in sections_of(committed("orchard-mow").report))


def test_the_page_needs_nothing_from_elsewhere_and_holds_every_section(part_of_mow, tmp_path, capsys):
    report = judged(str(part_of_mow), NOWHERE, MACHINE).report
    out = tmp_path / "mow.html"
    assert main(["report", str(part_of_mow), "--machine", str(MACHINE), "--html", str(out)]) == 0
    capsys.readouterr()
    page = out.read_text(encoding="utf-8")
    assert not re.search(r"<script|<link|<img|<iframe|\bsrc=|url\(|@import|https?://(?!www\.w3\.org/)", page)
    for section in sections_of(report):
        if not section.is_empty:
            assert f"<h2>{section.title}</h2>" in page
    assert page.count("<svg") >= 3
    assert main(["report", str(part_of_mow), "--html", str(out)]) == 2
    assert "exists" in capsys.readouterr().err


def test_what_came_out_of_a_file_cannot_steer_the_page(tmp_path, capsys):
    t, current, voltage = drive(120)
    path = written(tmp_path, "a.csv", ["t", "pack_current", "pack_voltage"], zip(t, current, voltage, strict=True))
    machine = tmp_path / "m.toml"
    text = '[pack]\nchemistry = "lfp"\ncells_in_series = 24\ncapacity_ah = 105\n'
    machine.write_text(text + '[machine]\nname = "<script>alert(1)</script>"\n')
    out = tmp_path / "page.html"
    assert main(["report", str(path), "--machine", str(machine), "--html", str(out)]) == 0
    assert "<script" not in out.read_text(encoding="utf-8")


def test_without_a_machine_file_the_totals_stand_and_the_rest_says_why(capsys):
    report = reported(ROOT / "tests" / "reference" / "lfp_drive.csv.gz", machine=False, capsys=capsys)
    assert report["totals"]["energy_out_wh"] > 0
    assert report["soc"]["end_pct"] is None
    assert "machine" in report["unknown"]["soc.end_pct"]


def test_the_wrong_sign_of_current_is_found_and_nothing_with_a_direction_is_told(tmp_path, capsys):
    t, current, voltage = drive(300, sign=-1.0)
    path = written(tmp_path, "w.csv", ["t", "pack_current", "pack_voltage"], zip(t, current, voltage, strict=True))
    report = reported(path, capsys=capsys)
    assert any("sign_of_current" in f["what"] + f["remedy"] for f in report["findings"])
    assert report["totals"]["energy_out_wh"] is None
    assert report["soc"]["end_pct"] is None
    assert "sign_of_current" in report["unknown"]["totals.energy_out_wh"]
    assert report["totals"]["duration_s"] == pytest.approx(299.8)
    assert main(["report", str(path), "--machine", str(MACHINE)]) == 0
    assert "energy is not known" in capsys.readouterr().out


def test_the_wrong_sign_of_a_charge_without_load_steps_is_found_too(tmp_path, capsys):
    t = [2.0 * row for row in range(1800)]
    rows = [(second, 18.0, 78.0 + 2.0 * second / 3600) for second in t]
    report = reported(written(tmp_path, "c.csv", ["t", "pack_current", "pack_voltage"], rows), capsys=capsys)
    assert report["totals"]["energy_out_wh"] is None
    assert "sign_of_current" in report["unknown"]["totals.energy_out_wh"]


def test_voltage_alone_gives_no_figure_that_needs_a_current(tmp_path, capsys):
    t, _, voltage = drive(120)
    path = written(tmp_path, "v.csv", ["t", "pack_voltage"], zip(t, voltage, strict=True))
    report = reported(path, capsys=capsys)
    assert {f["name"] for f in report["findings"]} >= {"voltage-only"}
    assert report["totals"]["energy_out_wh"] is None
    assert report["totals"]["duration_s"] > 100


def test_current_alone_gives_charge_and_no_energy(tmp_path, capsys):
    t, current, _ = drive(120)
    path = written(tmp_path, "c.csv", ["t", "pack_current"], zip(t, current, strict=True))
    report = reported(path, capsys=capsys)
    assert report["totals"]["charge_out_ah"] == pytest.approx(np.trapezoid(current, t) / 3600, rel=1e-4)
    assert report["totals"]["energy_out_wh"] is None


def test_ten_seconds_of_data_make_a_report(tmp_path, capsys):
    t, current, voltage = drive(10)
    path = written(tmp_path, "s.csv", ["t", "pack_current", "pack_voltage"], zip(t, current, voltage, strict=True))
    report = reported(path, capsys=capsys)
    assert report["resistance"]["pack_mohm"] is None
    assert report["unknown"]["resistance.pack_mohm"]


def test_a_gap_of_two_hours_is_counted_and_not_bridged(tmp_path, capsys):
    t, current, voltage = drive(600)
    later = np.where(t >= 300, t + 7200, t)
    path = written(
        tmp_path, "g.csv", ["t", "pack_current", "pack_voltage"], zip(later, current, voltage, strict=True)
    )
    report = reported(path, capsys=capsys)
    assert report["totals"]["gaps_s"] == pytest.approx(7200.2, abs=1.0)
    whole = np.trapezoid(current, t) / 3600
    assert report["totals"]["charge_out_ah"] == pytest.approx(whole, rel=0.01)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["report", "99"], "nothing has been recorded"),
        (["report", "missing.csv"], "missing.csv"),
        (["compare", "1"], "two sessions"),
    ],
)
def test_wrong_use_is_one_sentence(arguments, word, tmp_path, capsys):
    assert main([*arguments, "--store", str(tmp_path / "none.sqlite3")]) == 2
    error = capsys.readouterr().err
    assert word in error
    assert error.count("\n") == 1


def test_the_page_shows_each_event_that_made_it_hesitate_on_one_time_axis(tmp_path, capsys):
    from tests.reference.drives import faulty_drive

    drive = tmp_path / "trip.csv"
    faulty_drive("bms-trip", 4, 90.0).write_csv(drive)
    out = tmp_path / "trip.html"
    assert main(["report", str(drive), "--html", str(out)]) == 0
    page = out.read_text(encoding="utf-8")
    assert "<h2>What made it hesitate</h2>" in page
    assert page.count("throttle, V") >= 1
    assert re.search(r"BMS trip (on current|at low voltage)", page)
    assert "<script" not in page


def test_a_gap_is_told_on_both_pages_or_on_neither(part_of_mow, capsys):
    assert main(["report", str(part_of_mow)]) == 0
    said = capsys.readouterr().out
    assert ("no gaps" in said) is ("without data" not in said)
