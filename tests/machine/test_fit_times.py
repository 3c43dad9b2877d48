"""Currents that last: fuses by their time-current band, parts by their heat, the pack by the time of its peak."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.fit import fit, overall
from telemetry.machine.fit.findings import RANK
from telemetry.machine.fuse_time import fuse_band
from telemetry.machine.limits_current import carried_current, carried_time
from telemetry.machine.machine_file import parse_machine
from tests.machine.test_fit_checks import GONE, found, machine_of, pack

HILL = {"machine.hill_current_a": 188, "machine.hill_s": 60}
STRONG = {
    "pack.continuous_discharge_a": 188,
    "pack.peak_discharge_a": 300,
    "wiring.conductor_awg": "4/0",
    "wiring.connector_a": 250,
}
"""All but the fuse carries 188 A for ever."""


class TestHeat:
    def test_by_hand(self) -> None:
        # 100 A rated, time constant 100 s, from cold, 200 A: (200/100)² (1 - exp(-t/100)) = 1 at t = 100 ln(4/3).
        assert carried_time(100, 100, 200) == pytest.approx(28.77, abs=0.01)
        assert carried_current(100, 100, 28.768) == pytest.approx(200, rel=1e-4)
        # After hours at 80 A: 6400 k + 40000 (1 - k) = 10000, k = 30000/33600, t = 100 ln 1.12 = 11.33 s.
        assert carried_time(100, 100, 200, 80) == pytest.approx(11.33, abs=0.01)
        assert carried_current(100, 100, 11.333, 80) == pytest.approx(200, rel=1e-4)

    @given(st.floats(1, 500), st.floats(5, 600), st.floats(0.1, 3000), st.floats(0, 1))
    def test_time_and_current_agree(self, rating: float, window: float, seconds: float, share: float) -> None:
        before = share * rating
        current = carried_current(rating, window, seconds, before)
        assert current >= rating * (1 - 1e-9)
        if 1.001 * rating < current and share < 0.99:
            assert carried_time(rating, window, current, before) == pytest.approx(seconds, rel=1e-3)

    @pytest.mark.parametrize("rated", [63, 80, 100, 125, 160, 200, 250])
    def test_a_short_circuit_follows_the_adiabatic_law(self, rated: float) -> None:
        # At large currents the part only stores heat: I² t is constant (IEC 60364-4-43 434.5.2, from memory).
        one, other = carried_time(rated, 100, 20 * rated), carried_time(rated, 100, 40 * rated)
        assert one / other == pytest.approx(4, rel=0.01)


def test_every_part_that_a_pull_overloads_is_named_at_once() -> None:
    # 188 A for a minute: twice the 95 A of the connector, and of the fuse's rating.
    finding = found("hill", HILL | STRONG | {"wiring.connector_a": 95, "wiring.fuse_a": 95})
    assert finding.verdict == "stop"
    for part in ("connector (95 A)", "fuse (95 A)"):
        assert part in finding.why, finding.why


def test_a_part_that_its_steady_current_overloads_already_carries_no_more() -> None:
    assert carried_time(100, 100, 200, 100) == 0.0
    assert carried_time(100, 100, 100, 100) == math.inf


class TestFuseBand:
    def test_below_where_the_makers_curve_begins_the_fuse_carries_its_rating(self) -> None:
        # a curve that begins at twice the rating: for longer than it goes, 100 A; from 180 A on, 10 % below the curve
        band = fuse_band(100, ((200.0, 60.0), (400.0, 1.0)))
        assert (band.carried_s(100.0), band.carried_s(150.0)) == (math.inf, 60.0)
        assert band.carried_s(360.0) == pytest.approx(1.0)
        # one that begins below it is taken at its word
        assert fuse_band(100, ((100.0, 3600.0), (400.0, 1.0))).carried_s(95.0) < 3600.0

    # UL 248 gates, from memory: carries 110 %; opens at 135 % within 60 min up to 60 A and 120 min above; at 200 %
    # within 2, 4, 6, 8, 10, 12 min up to 30, 60, 100, 200, 400, 600 A.
    @pytest.mark.parametrize(("rated", "minutes"), [(30, 2), (60, 4), (100, 6), (200, 8), (400, 10), (600, 12)])
    def test_it_lies_inside_the_american_gates(self, rated: float, minutes: float) -> None:
        band = fuse_band(rated)
        assert band.carried_s(1.1 * rated) >= 4 * 3600
        assert band.opened_s(1.35 * rated + 1e-6) <= (3600 if rated <= 60 else 7200)
        assert band.opened_s(2 * rated) <= 60 * minutes

    # IEC 60269-1 gG gates, from memory: such a fuse of 80 A carries 215 A for 10 s, of 100 A 290 A, of 125 A 355 A,
    # of 200 A 610 A. What a fuse must carry is never called opened for sure; at 1.6 times it opens within its hours.
    @pytest.mark.parametrize(("rated", "amperes"), [(80, 215), (100, 290), (125, 355), (200, 610)])
    def test_it_leaves_room_for_the_slow_fuses_of_the_international_gates(self, rated: float, amperes: float) -> None:
        band = fuse_band(rated)
        assert band.opened_s(amperes) > 10
        assert band.opened_s(1.6 * rated) <= 3600

    # ISO 8820-5, bolted, from memory: 135 % 120 to 1800 s, 200 % 1 to 15 s, 350 % 0.3 to 5 s, 600 % 0.1 to 1 s.
    @pytest.mark.parametrize(("times", "least", "most"), [(1.35, 120, 1800), (2, 1, 15), (3.5, 0.3, 5), (6, 0.1, 1)])
    def test_it_contains_the_gates_of_vehicle_fuses(self, times: float, least: float, most: float) -> None:
        band = fuse_band(100)
        assert band.carried_s(100 * times) == pytest.approx(least)
        assert band.opened_s(100 * times) >= most

    def test_between_two_points_it_runs_straight_on_logarithmic_paper(self) -> None:
        # From [200, 100] to [800, 1], at the middle in logarithms: 400 A and 10 s.
        band = fuse_band(100, ((200, 100), (800, 1)))
        assert band.carried_s(0.9 * 400) == pytest.approx(10)
        assert band.opened_s(1.1 * 400) == pytest.approx(10)
        assert band.opened_s(1.1 * 1600) == pytest.approx(0.25)  # beyond the last point I² t is constant

    @given(st.floats(1, 600), st.floats(0.5, 30), st.floats(0.05, 1e5), st.booleans())
    def test_both_edges_keep_their_order(self, rated: float, times: float, seconds: float, curve: bool) -> None:
        points = ((1.4 * rated, 900.0), (2 * rated, 20.0), (6 * rated, 0.2)) if curve else None
        band = fuse_band(rated, points)
        assert band.carried_s(times * rated) <= band.opened_s(times * rated)
        assert band.carried_a(seconds) <= band.opened_a(seconds)
        assert band.carried_s(0.999 * band.carried_a(seconds)) >= 0.99 * seconds
        assert band.opened_s(1.001 * band.opened_a(seconds)) <= 1.01 * seconds or seconds > 3600


class TestHill:
    def test_a_minute_at_194_amperes_on_a_pack_of_100_is_a_stop(self) -> None:
        changes = STRONG | {"machine.hill_current_a": 194, "machine.hill_s": 60, "pack.continuous_discharge_a": 100}
        finding = found("hill", changes | {"wiring.fuse_a": 200})
        assert (finding.verdict, finding.value, finding.limit) == ("stop", 194, 100)
        assert "for only 10 s" in finding.why
        assert found("hill", changes | {"wiring.fuse_a": 200, "machine.hill_s": 10}).verdict == "ok"

    def test_188_amperes_for_a_minute_through_a_fuse_of_85_is_a_stop(self) -> None:
        # Latest opening: 60 s at 170 A, from there at constant I² t: 60 * (170 / 188)² = 49 s.
        finding = found("hill", STRONG | HILL | {"wiring.fuse_a": 85})
        assert finding.verdict == "stop"
        assert "opens within 49 s" in finding.why

    def test_a_fuse_that_opens_within_the_time_the_pack_allows_is_found_without_a_hill(self) -> None:
        gone = {"machine.hill_current_a": GONE, "machine.hill_s": GONE, "machine.peak_power_w": GONE}
        allowed = {"pack.peak_discharge_a": 188, "pack.peak_discharge_s": 60, "wiring.fuse_a": 85}
        finding = found("hill", gone | allowed)
        assert (finding.verdict, finding.value) == ("caution", 188)
        assert found("hill", allowed | {"machine.peak_power_w": 9000}).verdict == "caution"
        assert found("hill", gone | allowed | {"pack.peak_discharge_s": 10}).verdict == "unknown"

    def test_a_short_pull_over_the_rating_that_the_band_carries_is_ok_and_says_for_how_long(self) -> None:
        # 1.6 times 100 A: on logarithmic paper from 120 s at 1.35 to 1 s at 2 times, 15.2 s.
        finding = found("hill", {"machine.hill_current_a": 160, "machine.hill_s": 5})
        assert finding.verdict == "ok"
        assert "for at least 15 s from cold" in finding.why

    def test_between_both_edges_it_is_a_caution_that_asks_for_the_curve(self) -> None:
        changes = STRONG | HILL | {"wiring.fuse_a": 110}
        finding = found("hill", changes)
        assert finding.verdict == "caution"
        assert "fuse_curve" in finding.why
        slow, quick = [[150, 7200], [250, 120], [700, 1]], [[150, 100], [220, 5], [600, 0.2]]
        assert found("hill", changes | {"wiring.fuse_curve": slow}).verdict == "ok"
        assert found("hill", changes | {"wiring.fuse_curve": quick}).verdict == "stop"

    @pytest.mark.parametrize(
        ("changes", "lacking"),
        [
            ({"machine.hill_s": GONE, "machine.hill_current_a": 130}, {"hill_s"}),
            ({"machine.hill_current_a": GONE}, {"hill_current_a"}),
            ({"machine.hill_current_a": GONE, "machine.hill_s": GONE}, {"hill_current_a", "hill_s"}),
            ({"machine.hill_current_a": 130, "pack.peak_discharge_s": GONE}, {"peak_discharge_s"}),
            ({"wiring.fuse_a": GONE, "wiring.connector_a": GONE}, {"fuse_a", "connector_a"}),
        ],
    )
    def test_what_is_not_stated_is_named_once(self, changes: dict[str, Any], lacking: set[str]) -> None:
        finding = found("hill", changes)
        assert finding.verdict == "unknown"
        assert {key for _, key in finding.lacking} == lacking

    def test_a_hill_without_a_time_needs_none_where_all_carry_it_for_ever(self) -> None:
        assert found("hill", {"machine.hill_s": GONE}).verdict == "ok"  # 95 A on a pack of 100 A
        assert found("hill", {"machine.hill_s": GONE, "machine.hill_current_a": 201}).verdict == "stop"

    def test_the_heat_of_the_steady_current_counts(self) -> None:
        # A connector of 120 A, 120 s: 200 A after 60 A steady for t = 120 ln((200² - 60²)/(200² - 120²)) = 42.2 s.
        changes = STRONG | {"wiring.fuse_a": 250, "machine.hill_current_a": 200, "wiring.connector_a": 120}
        changes |= {"pack.continuous_discharge_a": 200}
        assert found("hill", changes | {"machine.hill_s": 42}).verdict == "ok"
        finding = found("hill", changes | {"machine.hill_s": 43})
        assert finding.verdict == "stop"
        assert "connector" in finding.why

    @settings(max_examples=60, deadline=None)
    @given(st.data())
    def test_more_current_longer_or_a_smaller_part_never_turns_a_stop_into_ok(self, data: st.DataObject) -> None:
        amperes, seconds = data.draw(st.floats(20, 400)), data.draw(st.floats(0.2, 600))
        fuse, peak_a = data.draw(st.floats(30, 300)), data.draw(st.floats(100, 500))
        easy = {
            "machine.hill_current_a": amperes,
            "machine.hill_s": seconds,
            "wiring.fuse_a": fuse,
            "pack.peak_discharge_a": peak_a,
        }
        what = data.draw(st.sampled_from(sorted(easy)))
        factor = data.draw(st.floats(1, 3))
        harder = easy | {what: max(1.0, easy[what] * factor if what.startswith("machine") else easy[what] / factor)}
        harder["pack.peak_discharge_a"] = max(100.0, harder["pack.peak_discharge_a"])
        for check in ("hill", "contactor"):
            assert RANK[found(check, harder).verdict] >= RANK[found(check, easy).verdict], (easy, harder)


BRAKES = {"machine.regenerates": True, "machine.braking_current_a": 45, "machine.braking_s": 20}


class TestBraking:
    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"machine.braking_current_a": 51}, "stop"),
            ({"machine.braking_current_a": 80}, "stop"),
            ({"machine.braking_current_a": 51, "pack.peak_charge_a": 60, "pack.peak_charge_s": 20}, "ok"),
            ({"machine.braking_current_a": 51, "pack.peak_charge_a": 60, "pack.peak_charge_s": 10}, "stop"),
            ({"machine.braking_current_a": 51, "pack.peak_charge_a": 60}, "unknown"),
            (
                {
                    "machine.braking_current_a": 51,
                    "machine.braking_s": GONE,
                    "pack.peak_charge_a": 60,
                    "pack.peak_charge_s": 20,
                },
                "unknown",
            ),
            ({"machine.braking_s": GONE}, "ok"),
        ],
    )
    def test_against_what_the_pack_takes(self, changes: dict[str, Any], expected: str) -> None:
        assert found("regeneration", BRAKES | changes).verdict == expected

    @settings(max_examples=40, deadline=None)
    @given(st.floats(1, 300), st.floats(1, 3), st.floats(0.2, 600), st.floats(1, 3))
    def test_harder_or_longer_is_never_better(
        self, amperes: float, more: float, seconds: float, longer: float
    ) -> None:
        changes = BRAKES | {"pack.peak_charge_a": 120, "pack.peak_charge_s": 15, "machine.braking_current_a": amperes}
        changes["machine.braking_s"] = seconds
        easy = RANK[found("regeneration", changes).verdict]
        harder = {"machine.braking_current_a": min(1000.0, amperes * more), "machine.braking_s": seconds * longer}
        assert RANK[found("regeneration", changes | harder).verdict] >= easy


class TestSwitches:
    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"wiring.contactor_voltage_v": 58.4}, "ok"),
            ({"wiring.contactor_voltage_v": 48}, "stop"),
            ({"wiring.contactor_breaking_a": 129}, "stop"),  # the peak is 129.9 A
            ({"wiring.contactor_breaking_a": 131}, "ok"),
            ({"machine.controller_current_a": 400}, "caution"),
            ({"machine.controller_current_a": 250, "wiring.contactor_breaking_a": 100}, "stop"),  # 129.9 A flow
            ({"machine.controller_current_a": 1000}, "stop"),
            ({"wiring.contactor_voltage_v": GONE, "wiring.contactor_breaking_a": GONE}, "unknown"),
            ({"wiring.contactor_breaking_a": GONE}, "unknown"),
            ({"wiring.emergency_switch_voltage_v": 48}, "stop"),
            ({"wiring.emergency_switch_voltage_v": 80}, "unknown"),
            ({"wiring.emergency_switch_voltage_v": 80, "wiring.emergency_switch_breaking_a": 100}, "stop"),
            ({"wiring.emergency_switch_voltage_v": 80, "wiring.emergency_switch_breaking_a": 200}, "ok"),
            ({"charge_wiring.contactor_voltage_v": 80, "charge_wiring.contactor_breaking_a": 17}, "stop"),
        ],
    )
    def test_verdicts(self, changes: dict[str, Any], expected: str) -> None:
        assert found("contactor", changes).verdict == expected

    def test_without_a_known_current_the_packs_peak_is_the_most(self) -> None:
        finding = found(
            "contactor", base=pack("lfp", 16, peak_discharge_a=200) | {"wiring": {"contactor_breaking_a": 150}}
        )
        assert (finding.verdict, finding.value) == ("caution", 200)


def test_a_machine_whose_hill_is_short_is_sound_as_a_whole() -> None:
    assert overall(fit(machine_of({"machine.hill_current_a": 150, "machine.hill_s": 8}))) == "ok"


@pytest.mark.parametrize(
    ("points", "word"),
    [
        ("[[200, 10]]", "two or more pairs"),
        ("[[200, 10], [300, 20]]", "opens sooner"),
        ("[[200, 10], [150, 5]]", "rising current"),
        ("[[200, 0], [300, -1]]", "[200, 0]"),
        ("[[2, 10], [3, 5]]", "not multiples"),
    ],
)
def test_a_fuse_curve_that_is_none_is_told(points: str, word: str) -> None:
    text = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[wiring]\nfuse_a = 100\n'
    text += f"fuse_curve = {points}\n"
    machine, problems = parse_machine(text, "x.toml")
    assert machine is None
    assert word in str(problems[0])


class TestTheConductorOnAHill:
    def test_between_both_tables_it_is_a_caution_that_gives_both_times(self) -> None:
        # 2 AWG at 75 degC: NEC Table 310.16 115 A, 33 CFR 183.425 Table 5 170 A; after 60 A steady, without end.
        hill = {"pack.continuous_discharge_a": 188, "pack.peak_discharge_a": 300, "wiring.connector_a": 250}
        hill |= {"wiring.fuse_a": 250, "machine.hill_current_a": 160, "machine.hill_s": 3600}
        open_ = found("hill", hill)
        assert open_.verdict == "caution"
        for words in ("in conduit carries it", "in free air carries it", "[wiring] installation"):
            assert words in open_.why
        assert found("hill", hill | {"wiring.installation": "free-air"}).verdict == "ok"
        assert found("hill", hill | {"wiring.installation": "conduit"}).verdict == "stop"
