"""Sizes for a recorded duty: against the tables, against worked figures, and never smaller for a heavier duty."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.duty import Duty, duty_of
from telemetry.analysis.part_sizes import Size, part_sizes
from telemetry.analysis.parts_seen import loaded_s
from telemetry.analysis.session_figures import figures_of
from telemetry.analysis.session_power import Flow
from telemetry.machine.pack_keys import Wiring
from tests.analysis.test_session_totals import series_of

STATED = Wiring(conductor_mm2=35.0, insulation_c=90, ambient_c=30.0, installation="conduit")


def duty(amperes: np.ndarray, step_s: float = 1.0) -> Duty:
    t = np.arange(len(amperes), dtype=np.int64) * round(step_s * 1e6)
    nothing = np.zeros(len(t))
    flow = Flow(t, np.asarray(amperes, dtype=np.float64), np.ones(len(t), dtype=np.bool_), nothing, nothing)
    return Duty(flow, 0, loaded_s(flow, 5.0), step_s)


def by_kind(sizes: tuple[Size, ...]) -> dict[str, Size]:
    return {each.part if each.kind == "conductor" else each.kind: each for each in sizes}


def test_a_steady_current_gives_the_sizes_of_the_tables() -> None:
    """60 A for hours: 75 A of fuse by NEC 210.20(A), so 80 A by 240.6(A); NEC 310.16 gives 85 A to 4 AWG at 75 °C."""
    found = by_kind(part_sizes(duty(np.full(7200, 60.0)), Wiring()))
    assert found["fuse"].least == 80
    assert found["conductor in conduit, 60 °C insulation"].least == 35  # 2 AWG, 95 A; 4 AWG has 70 A
    assert found["conductor in conduit, 75 °C insulation"].least == 25  # 4 AWG, 85 A
    assert found["conductor in conduit, 90 °C insulation"].least == 25  # 4 AWG, 95 A; 6 AWG has 75 A
    assert found["conductor in free air, 75 °C insulation"].least == 16  # 33 CFR 183.425: 6 AWG, 95 A
    assert found["connector"].least == pytest.approx(75, abs=0.1)
    assert found["pack-continuous"].least == pytest.approx(60 / 0.9, abs=0.1)
    assert found["pack-charge"].least is None


def test_a_stated_conductor_bounds_the_fuse_from_above() -> None:
    """35 mm² counts as 2 AWG, 130 A at 90 °C: 125 A is the next standard rating below (NEC 240.6(A))."""
    found = by_kind(part_sizes(duty(np.full(7200, 60.0)), STATED))
    assert (found["fuse"].least, found["fuse"].most) == (80, 125)
    thin = Wiring(conductor_mm2=6.0, insulation_c=60, installation="conduit")
    found = by_kind(part_sizes(duty(np.full(7200, 60.0)), thin))
    assert found["fuse"].most is None
    assert "thicker conductor" in found["fuse"].why


def test_the_peak_has_its_time() -> None:
    amperes = np.full(3600, 40.0)
    amperes[1000:1012] = 150.0
    found = by_kind(part_sizes(duty(amperes), STATED))
    assert found["pack-peak"].least == pytest.approx(150 / 0.9)
    assert found["pack-peak"].seconds == 12
    assert "150 A for 10 s" in found["pack-peak"].why
    assert "row every 1 s" in found["pack-peak"].why


def test_braking_sizes_what_the_pack_must_take() -> None:
    amperes = np.full(3600, 40.0)
    amperes[1000:1010] = -30.0
    assert by_kind(part_sizes(duty(amperes), STATED))["pack-charge"].least == pytest.approx(30 / 0.9)


def test_a_short_drive_sizes_nothing_and_says_so() -> None:
    sizes = part_sizes(duty(np.full(300, 60.0)), STATED)
    assert all(each.least is None and each.most is None for each in sizes)
    assert all("only 5 min under load" in each.why for each in sizes)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0, 250), min_size=4, max_size=40),
    st.lists(st.floats(0, 80), min_size=40, max_size=40),
    st.sampled_from([Wiring(), STATED, Wiring(conductor_awg="6", ambient_c=50.0, bundled_conductors=5)]),
)
def test_a_heavier_duty_never_gives_a_smaller_size(light: list[float], more: list[float], wiring: Wiring) -> None:
    base = np.repeat(np.array(light), 900 // len(light) + 1) + 5.1
    added = np.repeat(np.array(more), 900 // len(more) + 1)[: len(base)]
    added = np.pad(added, (0, len(base) - len(added)))
    smaller, larger = (by_kind(part_sizes(duty(each), wiring)) for each in (base, base + added))
    for key, size in smaller.items():
        least, most = (math.inf if each.least is None else each.least for each in (size, larger[key]))
        if key != "pack-charge":
            assert least <= most + 1e-9, key


def test_a_current_beyond_every_standard_fuse_has_none() -> None:
    """NEC 240.6(A) ends at 6000 A."""
    fuse = by_kind(part_sizes(duty(np.full(7200, 7000.0)), Wiring()))["fuse"]
    assert (fuse.least, fuse.most) == (None, None)
    assert fuse.why.endswith("No standard rating is that high.")


def test_a_bundle_stated_by_its_number_is_sized_once() -> None:
    parts = [each.part for each in part_sizes(duty(np.full(7200, 60.0)), Wiring(bundled_conductors=5))]
    assert len(parts) == len(set(parts))


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({"pack_voltage": 52.0}, "record pack_current"),
        ({"pack_voltage": 52.0, "pack_current": 0.3}, "no load in this session; record a drive"),
    ],
)
def test_a_session_without_a_load_has_no_duty(columns: dict[str, float], why: str) -> None:
    t = np.arange(0, 600.0)
    figures = figures_of(series_of(t, **{name: 0 * t + value for name, value in columns.items()}), None)
    assert duty_of(figures, None) == why


def test_a_current_counted_the_wrong_way_round_gives_no_duty() -> None:
    t = np.arange(0, 1800.0)
    amperes = 40.0 * ((t // 20) % 2)
    figures = figures_of(series_of(t, pack_voltage=52 - 0.05 * amperes, pack_current=-amperes), None)
    assert "wrong way round" in duty_of(figures, None)
