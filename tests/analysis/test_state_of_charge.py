"""State of charge of whole sessions: on packs whose truth is known, and on input that is not what it should be."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.charge_filter import Belief
from telemetry.analysis.charge_forward import ForwardCharge
from telemetry.analysis.current_offset import CurrentOffset, find_offset
from telemetry.analysis.full_charge import cells_behind, without_own_resistance
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.state_of_charge import FULL, UNKNOWN, VOLTAGE, ChargeEstimate, cell_volts, estimate_charge
from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.pack_keys import Pack

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from charge_packs import PackKind, ReferencePack, make_pack

SHORT = PackKind(minutes=(12.0, 18.0), start=(0.5, 0.95))
NO_OFFSET = CurrentOffset(0.0, 0.3, "bounded", "not known")


def errors(found: ChargeEstimate, made: ReferencePack) -> np.ndarray:
    return found.pct - np.interp(found.t, made.t, made.pct)


def estimated(made: ReferencePack) -> ChargeEstimate:
    return estimate_charge(made.session, made.pack, find_offset(made.session, made.pack))


@pytest.mark.parametrize("seed", [101, 103])
@pytest.mark.parametrize("course", ["drive-then-charge", "charge-then-drive"])
def test_a_full_charge_before_or_after_fixes_the_whole_session(course: str, seed: int) -> None:
    made = make_pack(replace(SHORT, course=course), seed)
    found = estimated(made)
    assert found.method == FULL
    assert np.sqrt((errors(found, made) ** 2).mean()) < 0.8
    assert np.abs(errors(found, made)).max() < 1.2
    assert "was full first" in found.anchors[0].why


@pytest.mark.parametrize(("share", "low", "high"), [(1.03, 0.98, 1.0), (-0.03, 0.0, 0.02), (0.99, 0.97, 1.0)])
def test_a_charge_counted_beyond_full_or_empty_is_no_surer_for_it(share: float, low: float, high: float) -> None:
    counted = (np.array([each]) for each in (share, 0.02 / Z90, share - 0.02, share + 0.02))
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    found = ForwardCharge(pack, 0.0).widened(Belief(*counted), np.zeros(1))
    assert found.mean[0] == min(max(share, 0.0), 1.0)
    assert (found.low[0], found.high[0]) == pytest.approx((low, high))


@pytest.mark.parametrize("seed", [201, 202, 203])
def test_nickel_cells_are_told_by_voltage_and_count(seed: int) -> None:
    made = make_pack(replace(SHORT, chemistry="nmc", cells=14), seed)
    found = estimated(made)
    assert found.method == VOLTAGE
    off = errors(found, made)
    assert np.all((found.pct - off >= found.low90) & (found.pct - off <= found.high90))
    # recipes lie up to 0.1 V apart, and a quarter of an hour does not tell which one it is: a table of one's own does
    own = open_circuit_tables("nmc")[0]
    sharper = estimate_charge(made.session, made.pack, find_offset(made.session, made.pack), own)
    assert (sharper.high90 - sharper.low90).mean() < 9.0 < (found.high90 - found.low90).mean() < 25.0
    assert np.abs(errors(sharper, made)).max() < 5.0


@pytest.mark.parametrize("seed", [301, 302, 303, 304])
def test_iron_phosphate_without_an_anchor_gets_wide_bounds_that_hold(seed: int) -> None:
    made = make_pack(SHORT, seed)
    found = estimated(made)
    truth = np.interp(found.t, made.t, made.pct)
    assert (found.low90 - 1 <= truth).all()
    assert (truth <= found.high90 + 1).all()
    assert (found.high90 - found.low90).mean() > 10.0
    assert "plateau" in found.why


def test_one_cell_and_cells_without_pack_voltage_work_alike() -> None:
    made = make_pack(SHORT, 401)
    cells = made.session.cells
    assert cells is not None
    signals = dict(made.session.signals)
    del signals["pack_voltage"]
    bare = replace(made.session, signals=signals)
    by_pack, by_cells = estimated(made), estimate_charge(bare, made.pack, NO_OFFSET)
    assert by_cells.method == VOLTAGE
    assert np.abs(by_pack.pct - by_cells.pct).max() < 3.0
    one = make_pack(replace(SHORT, cells=1, capacity_ah=1.2), 402)
    assert estimated(one).method == VOLTAGE


def plain(signals: dict[str, np.ndarray], seconds: int, cells: CellSeries | None = None) -> SessionSeries:
    t = np.arange(seconds, dtype=np.int64) * 1_000_000
    series = {name: Series(t, values) for name, values in signals.items()}
    return SessionSeries("plain", 0, int(t[-1]), 0, "relative", series, cells)


def test_what_cannot_be_told_says_why() -> None:
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    current, volts = np.full(600, 40.0), np.full(600, 52.0)
    cases = {
        "pack_current was not recorded": plain({"pack_voltage": volts}, 600),
        "neither pack voltage": plain({"pack_current": current}, 600),
        "check \\[pack\\] cells_in_series": plain(
            {"pack_current": current},
            600,
            CellSeries(np.arange(600, dtype=np.int64) * 1_000_000, np.full((600, 4), 3.3), (1, 2, 3, 4)),
        ),
        "capacity_ah": plain({"pack_current": np.full(7200, 80.0), "pack_voltage": np.full(7200, 52.0)}, 7200),
    }
    for why, session in cases.items():
        found = estimate_charge(session, pack, NO_OFFSET)
        assert found.method == UNKNOWN
        assert found.start_pct is None
        assert found.end_pct is None
        with pytest.raises(AssertionError, match=why):
            raise AssertionError(found.why)


@pytest.mark.parametrize("chemistry", sorted(CHEMISTRIES))
def test_every_chemistry_is_told_from_ten_seconds_on(chemistry: str) -> None:
    pack = Pack(chemistry=chemistry, cells_in_series=6, capacity_ah=80.0)
    volts = 6 * float(open_circuit_tables(chemistry)[0].volts_at(0.7))
    for seconds in (10, 600):
        found = estimate_charge(
            plain({"pack_current": np.zeros(seconds), "pack_voltage": np.full(seconds, volts)}, seconds),
            pack,
            NO_OFFSET,
        )
        assert found.low90[-1] <= 70.0 <= found.high90[-1]
        assert found.end_uncertainty_pct is not None
        assert found.end_uncertainty_pct > 0.3


def test_after_a_hole_of_two_hours_less_is_known_than_before() -> None:
    pack = Pack(chemistry="nmc", cells_in_series=14, capacity_ah=100.0)
    t = np.concatenate([np.arange(1200), 8400 + np.arange(30)]).astype(np.int64) * 1_000_000
    volts = np.full(len(t), 14 * float(open_circuit_tables("nmc")[0].volts_at(0.6)))
    volts[1200:] = np.nan
    known = ~np.isnan(volts)
    signals = {"pack_current": Series(t, np.zeros(len(t))), "pack_voltage": Series(t[known], volts[known])}
    session = SessionSeries("hole", 0, int(t[-1]), 0, "relative", signals, None)
    found = estimate_charge(session, pack, NO_OFFSET, open_circuit_tables("nmc")[0])
    width = found.high90 - found.low90
    assert width[0] < 8.0
    assert width[-1] > 25.0


def test_the_packs_own_figure_that_drifts_is_a_finding() -> None:
    made = make_pack(replace(SHORT, chemistry="nmc", cells=14, minutes=(30.0, 40.0)), 501)
    fine = dict(made.session.signals) | {"soc_reported": Series(made.t, made.pct)}
    assert not estimate_charge(replace(made.session, signals=fine), made.pack, NO_OFFSET).findings
    slow = dict(fine) | {"soc_reported": Series(made.t, made.pct[0] + 0.5 * (made.pct - made.pct[0]))}
    found = estimate_charge(replace(made.session, signals=slow), made.pack, NO_OFFSET).findings
    assert found
    assert "up against coulomb counting" in found[0]


def test_a_figure_of_the_packs_own_that_is_off_all_along_has_not_drifted() -> None:
    made = make_pack(replace(SHORT, course="charge-then-drive"), 101)
    off = dict(made.session.signals) | {"soc_reported": Series(made.t, made.pct - 9.0)}
    (found,) = estimate_charge(replace(made.session, signals=off), made.pack, NO_OFFSET).findings
    last = made.pct[-1]
    assert found.startswith(f"at the end the BMS reports {last - 9.0:.0f} %; the estimate is")
    alike = dict(off) | {"soc_reported": Series(made.t, made.pct - 2.0)}
    assert not estimate_charge(replace(made.session, signals=alike), made.pack, NO_OFFSET).findings


@pytest.mark.parametrize("capacity", [1.0, 0.92])
@pytest.mark.parametrize("gaps", [(0.0, 0.0, 0.0, 0.0), (0.004, 0.012, 0.030, 0.002)])
def test_cells_are_behind_the_first_full_one_by_what_they_lack(capacity: float, gaps: tuple[float, ...]) -> None:
    """Cells of one curve, charged from about 45 % on; the first full one may hold less than the others."""
    table = open_circuit_tables("lfp")[2]
    put_in = np.linspace(0, 0.55, 792)
    random = np.random.default_rng(5)
    first = 1.0 - (0.55 - put_in) / capacity
    shares = np.stack([first, *(1.0 - gap - (0.55 - put_in) for gap in gaps)], axis=1)
    cells = table.volts_at(shares) + 0.01 + random.normal(0, 0.001, shares.shape)
    mean, spread = cells_behind(cells, -100.0 * put_in, np.full(792, -25.0), 100.0, 0)
    assert mean == pytest.approx(sum(gaps) / 5, abs=2.0 * spread)
    assert spread < 0.012


def test_a_joint_of_high_resistance_does_not_look_like_a_full_cell() -> None:
    """Four alike cells, the second with 60 mV more at 1 C; the charge begins at block 12."""
    rate = np.where(np.arange(60) < 12, 0.0, -0.4)
    cells = 3.35 - 0.05 * rate[:, None] - np.array([0.0, 0.06, 0.0, 0.0]) * rate[:, None]
    assert np.ptp(without_own_resistance(cells, rate, 12)[-1]) < 0.001
    no_step = without_own_resistance(cells[12:], rate[12:], 0)
    assert np.array_equal(no_step, cells[12:])


def test_a_charge_that_tripped_on_a_bad_joint_fixes_nothing() -> None:
    """Sixteen cells at 60 %; the first has a joint of 0.9 V at 1 C, so its reading reaches 3.65 V at 0.4 C."""
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    t = np.arange(1800, dtype=np.int64) * 1_000_000
    rate = np.where((t > 120_000_000) & (t < 1_200_000_000), -0.4, 0.0)
    share = 0.5 - np.cumsum(rate) / 3600
    joint = np.where(np.arange(16) == 0, 0.9, 0.05)
    volts = open_circuit_tables("lfp")[0].volts_at(share)[:, None] - joint * rate[:, None]
    signals = {"pack_current": Series(t, 100.0 * rate), "pack_voltage": Series(t, volts.sum(axis=1))}
    cells = CellSeries(t, volts, tuple(range(1, 17)))
    found = estimate_charge(SessionSeries("joint", 0, int(t[-1]), 0, "relative", signals, cells), pack, NO_OFFSET)
    assert found.method == VOLTAGE
    assert found.low90[-1] <= 100 * share[-1] <= found.high90[-1]


def test_cells_stand_for_the_pack_voltage_only_where_all_are_known_at_once() -> None:
    t = np.arange(4) * 1_000_000
    pack = Pack(chemistry="lfp", cells_in_series=2, capacity_ah=100.0)
    in_turn = np.array([[3.3, np.nan], [np.nan, 3.4]] * 2)
    session = SessionSeries("made up", 0, 3, 0, "relative", {}, CellSeries(t, in_turn, (1, 2)))
    assert cell_volts(session, pack) == "pack_voltage was not recorded, and no reading covers all cells at once"
    in_turn[2] = 3.3, 3.5
    found = cell_volts(session, pack)
    assert not isinstance(found, str)
    assert (found.t.tolist(), found.values.tolist()) == ([2_000_000], [pytest.approx(3.4)])
