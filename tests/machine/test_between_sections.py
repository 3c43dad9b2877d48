"""What two sections of a machine file cannot both mean, and which unit was meant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.machine_file import parse_machine

SMALL = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


def problems_of(text: str) -> list[str]:
    return [str(problem) for problem in parse_machine(text, "orchard.toml")[1]]


@pytest.mark.parametrize(
    ("addition", "where", "what", "right"),
    [
        # Another battery altogether.
        ("[charger]\noutput_voltage_v = 116", "[charger] output_voltage_v", "far above", "never connect a charger"),
        ("[charger]\noutput_voltage_v = 14.6", "[charger] output_voltage_v", "far below", "cells_in_series"),
        ("[machine]\nminimum_voltage_v = 100", "[machine] minimum_voltage_v", "far above", "cells_in_series"),
        ("[machine]\nmaximum_voltage_v = 15", "[machine] maximum_voltage_v", "far below", "battery terminals"),
        # A peak below what flows continuously.
        (
            "[machine]\ncontinuous_current_a = 60\npeak_power_w = 2000",
            "[machine] peak_power_w",
            "below the 2400 W",
            "correct one",
        ),
        # More out of a charger than goes in; a fuse that cannot break its rating; a pack heavier than the machine.
        (
            "[charger]\noutput_voltage_v = 57.6\noutput_current_a = 18\ninput_power_w = 500",
            "[charger] input_power_w",
            "less than the 1037 W",
            "correct one of the three",
        ),
        ("mass_kg = 46\n[machine]\nmass_kg = 40", "[machine] mass_kg", "below the 46 kg", "together"),
        # The wrong unit.
        (
            "[machine]\ncontinuous_current_a = 60\npeak_power_w = 25",
            "[machine] peak_power_w",
            "is 25 W",
            "if 25 are kW, write 25000",
        ),
        ("low_cutoff_v = 2.8", "[pack] low_cutoff_v", "is 2.8 V", "2.8 V a cell are 44.8 V"),
        ("high_cutoff_v = 120", "[pack] high_cutoff_v", "work from 40 to 58.4 V", "of the whole pack"),
        ("continuous_charge_a = 5000", "[pack] continuous_charge_a", "is 5000 A", "write 5"),
        (
            "internal_resistance_mohm = 0.014",
            "[pack] internal_resistance_mohm",
            "less than 16",
            "if 0.014 are Ω, write 14",
        ),
        (
            "[wiring]\nfuse_a = 100\nfuse_interrupting_a = 20",
            "[wiring] fuse_interrupting_a",
            "not above",
            "write 20000",
        ),
        (
            "[machine]\nstandby_current_a = 20",
            "[machine] standby_current_a",
            "more than",
            "did you mean 0.02 (20 mA)?",
        ),
        (
            "[charger]\noutput_current_a = 18000",
            "[charger] output_current_a",
            "more than",
            "did you mean 18 (18000 mA)?",
        ),
        ("balance_current_ma = 0.15", "[pack] balance_current_ma", "less than", "did you mean 150 (0.15 A)?"),
        (
            "[wiring]\none_way_length_m = 1500",
            "[wiring] one_way_length_m",
            "more than",
            "did you mean 1.5 (1500 mm)?",
        ),
        ("[wiring]\nconductor_mm2 = 10000", "[wiring] conductor_mm2", "more than", "0.2 to 500"),
    ],
)
def test_each_names_place_what_and_right(addition: str, where: str, what: str, right: str) -> None:
    found = problems_of(SMALL + addition)
    if "5000" in addition:  # 50 times 100 Ah exactly is still possible
        assert found == []
        found = problems_of(SMALL.replace("100", "80") + addition)
    assert len(found) == 1, found
    assert where in found[0]
    assert what in found[0]
    assert right in found[0]


def test_a_charger_of_sixty_volts_on_a_pack_of_twelve() -> None:
    (found,) = problems_of(SMALL.replace("16", "4") + "[charger]\noutput_voltage_v = 60\n")
    assert "[charger] output_voltage_v: is 60 V, far above a pack of 4 LFP cells, 10 to 14.6 V" in found


def test_all_are_told_at_once_beside_other_mistakes() -> None:
    found = problems_of(
        SMALL + "continuous_discharge_a = 100\npeak_discharge_a = 50\nlow_cutoff_v = 2.8\n"
        "[machine]\nminimum_voltage_v = 100\nmaximum_voltage_v = 63\n[charger]\noutput_voltage_v = 116\n"
        "[limits.cell-sprad]\nwarn = 1\n[limits.pack-voltage-low]\nwarn = 44\ntrip = 46\n"
    )
    named = ("peak_discharge_a", "low_cutoff_v", "maximum_voltage_v", "minimum_voltage_v: is 100", "output_voltage_v")
    for what in (*named, "[limits.cell-sprad]", "[limits.pack-voltage-low] warn"):
        assert sum(what in each for each in found) >= 1, what
    assert len(found) == 7


def test_a_missing_pack_hides_nothing_that_can_be_told_without_it() -> None:
    found = problems_of("[wiring]\nfuse_a = 100\nfuse_interrupting_a = 20\n[charger]\noutput_voltage_v = 60\n")
    assert any("fuse_interrupting_a" in each for each in found)
    assert not any("output_voltage_v" in each for each in found)


# Trade voltages are 24, 36, 48, 60, 72 V: whoever takes the next one's charger gets the fit check's verdict with its
# reason, and is not sent away by the reader.
@given(st.sampled_from(sorted(CHEMISTRIES)), st.integers(4, 32), st.floats(0.75, 1.5))
def test_the_charger_of_a_neighbouring_battery_is_left_to_the_fit_check(chemistry, cells, share) -> None:
    volts = share * cells * CHEMISTRIES[chemistry].maximum_v
    text = SMALL.replace("lfp", chemistry).replace("16", str(cells)) + f"[charger]\noutput_voltage_v = {volts!r}\n"
    assert problems_of(text) == []
