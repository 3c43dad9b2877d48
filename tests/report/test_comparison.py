"""Sessions side by side: what counts as a difference, and when resistances may be compared at all."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.capacity import CapacityPair, join_capacities
from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.ranges import Range
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.totals import Totals
from telemetry.cli import main
from telemetry.report.comparison import compare, comparison_lines, comparison_object
from telemetry.report.session_model import Report, Work

ROOT = Path(__file__).parents[2]
MACHINE = ROOT / "replay_data" / "orchard.toml"


def report(mohm=25.0, spread=0.3, temperature=20.0, charge=60.0, wh_per_km=400.0, wh_spread=8.0):
    return Report(
        "a drive",
        "a machine",
        totals=Totals(
            mean_power_w=1000.0,
            peak_power_w=4000.0,
            returned_share_pct=3.0,
            uncertainty={"mean_power_w": 10.0, "peak_power_w": 40.0},
        ),
        work=Work(wh_per_km=wh_per_km, ranges={"wh_per_km": Range.around(wh_per_km, 1.645 * wh_spread)}),
        resistance=Resistance(
            pack_mohm=mohm,
            pack_uncertainty_mohm=spread,
            pack_scatter_mohm=spread,
            temperature_c=temperature,
            soc_pct=charge,
        ),
        cells=CellFindings(spread_rest_mv=4.0),
    )


def verdict(name, *reports):
    line = next(line for line in compare(reports) if line.figure == name)
    return line.differences[0].verdict


def test_a_new_connector_shows_and_the_same_drive_twice_does_not():
    assert verdict("pack resistance", report(28.0), report(25.0)) == "differs"
    assert verdict("pack resistance", report(25.0), report(25.3)) == "alike"


def test_the_gain_of_a_sensor_does_not_count_between_two_drives_of_one_machine():
    first, second, elsewhere = report(25.0, 0.9), report(26.0, 0.9), report(26.0, 0.9)
    first, second, elsewhere = (
        replace(each, resistance=replace(each.resistance, pack_scatter_mohm=0.1))
        for each in (first, second, elsewhere)
    )
    elsewhere = replace(elsewhere, machine="another machine")
    assert verdict("pack resistance", first, second) == "differs"
    assert verdict("pack resistance", first, elsewhere) == "alike"


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (report(temperature=8.0), "8 °C against 20 °C"),
        (report(charge=12.0), "12 % of charge against 60 % of charge"),
        (report(temperature=None), "the temperature of one is not known"),
        (report(charge=None), "the state of charge of one is not known"),
    ],
)
def test_resistances_at_unlike_temperature_or_charge_are_not_compared(other, why):
    line = next(line for line in compare([report(), other]) if line.figure == "pack resistance")
    assert line.differences[0].verdict == "not comparable"
    assert line.differences[0].why == why
    assert line.values == (25.0, 25.0)


def test_a_figure_without_an_uncertainty_is_shown_and_never_called_different():
    line = next(line for line in compare([report(), report()]) if line.figure == "spread at rest")
    assert line.differences[0].verdict == "unknown"
    assert line.values == (4.0, 4.0)


def test_a_figure_that_no_session_knows_is_left_out():
    assert "usable capacity" not in {line.figure for line in compare([report(), report()])}


@given(st.floats(300, 500), st.floats(300, 500), st.floats(1, 50))
def test_a_difference_counts_beyond_two_standard_deviations_of_both_and_the_order_does_not_matter(one, two, spread):
    first, second = report(wh_per_km=one, wh_spread=spread), report(wh_per_km=two, wh_spread=spread)
    away = abs(one - two) / (spread * 2**0.5)
    if abs(away - 2.0) < 1e-6:
        return
    assert verdict("energy per kilometre", first, second) == ("differs" if away > 2.0 else "alike")
    assert verdict("energy per kilometre", first, second) == verdict("energy per kilometre", second, first)


def test_the_text_names_what_is_more_than_its_uncertainty():
    reports = [report(28.0), report(25.0), report(28.1)]
    lines = comparison_lines(reports, compare(reports))
    assert (
        lines[-1]
        == "Significant (more than two standard deviations): internal resistance of the pack, 1 s, B against A."
    )
    same = [report(), report()]
    assert "No significant difference" in comparison_lines(same, compare(same))[-1]
    json.dumps(comparison_object(same, compare(same)), allow_nan=False)


def test_sessions_that_tell_the_capacity_tell_it_better_together():
    # 35.0 Ah between 85 % and 45 % make 87.5 Ah (two-point capacity, computed), here twice.
    pair = CapacityPair(35.0, 0.1, 0.40, 0.02, "full charge to rest")
    together = join_capacities([pair, pair])
    same = [report(), report()]
    told = comparison_object(same, compare(same), together)["capacity_together"]
    assert told["usable_ah"] == pytest.approx(87.5, rel=0.01)
    assert told["uncertainty_ah"] < pair.uncertainty_ah
    assert any("by all sessions together" in line for line in comparison_lines(same, compare(same), together))
    none = comparison_lines(same, compare(same), join_capacities([]))
    assert not any("by all sessions together" in line for line in none)


def test_a_recording_compared_with_itself_differs_in_nothing(part_of_mow, capsys):
    assert main(["compare", str(part_of_mow), str(part_of_mow), "--machine", str(MACHINE), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["figures"]) > 5
    for figure in found["figures"]:
        assert figure["differences"][0]["verdict"] in ("alike", "unknown"), figure["figure"]
