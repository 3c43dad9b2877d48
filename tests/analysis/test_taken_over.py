"""Totals, resistance, charge and cells through a hand-over between two instruments that disagree."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.charge_live import EstimateCharge
from telemetry.analysis.derive import Cells, Charge
from telemetry.analysis.open_circuit import stated_table
from telemetry.analysis.resistance_live import EstimateResistance
from telemetry.analysis.series import SessionSeries, read_series
from telemetry.analysis.session_figures import SessionFigures, figures_of
from telemetry.machine.machine_file import load_machine
from telemetry.machine.sections import Machine, SourceSettings
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, merged
from telemetry.model.recording import Recording
from telemetry.model.signals import cell_number
from telemetry.pipeline.gather import gather_for
from telemetry.pipeline.one_source import OneSource
from telemetry.pipeline.stage import Chain
from telemetry.recordings.reading import open_recording
from tests.reference.drives import DriveRecording

SESSIONS = Path(__file__).parents[2] / "replay_data"
OFFSETS = {"pack_voltage": 0.25, "pack_current": 0.5}
"""Of the second instrument against the first, V and A."""
CELL_OFFSET_V = 0.004
DEAD = (300.0, 500.0)
"""When the first link is dead, s."""
LENGTH_S = 720.0
CUTS = np.unique(np.concatenate([np.arange(0, LENGTH_S + 4, 4), *(np.arange(t - 2, t + 8, 0.25) for t in DEAD)]))
"""Where spans end, s: long ones, but for the moments at which it matters."""


def off_by(signal: str) -> float:
    return CELL_OFFSET_V if cell_number(signal) is not None else OFFSETS.get(signal, 0.0)


@cache
def machine() -> Machine:
    return load_machine(SESSIONS / "orchard.toml")


def sent_by(source: str, whole: Batch) -> Batch:
    signals = [s for s in whole.group.signals if s in OFFSETS or cell_number(s) is not None]
    values = np.column_stack([whole.column(s) + (off_by(s) if source == "bus" else 0.0) for s in signals])
    return Batch(Group(source, "values", tuple(signals)), whole.t, values)


@cache
def spans_of(*sources: str, bus: tuple[float, float] = (0.0, LENGTH_S)) -> tuple[Span, ...]:
    """The start of a kept drive, as ``pack`` (dead for a while, where there are two) and ``bus`` send it."""
    recording = open_recording(SESSIONS / "orchard-mow.csv.gz")
    whole = merged([batch for span in recording.spans() for batch in span.batches])
    whole = whole.rows(0, int(np.searchsorted(whole.t, recording.start + LENGTH_S * MICROSECONDS)))
    sent = {source: sent_by(source, whole) for source in sources}
    gather, spans, before = gather_for([SourceSettings(driver="d", name=source) for source in sources]), [], 0
    for cut in CUTS.tolist():
        end = recording.start + round(cut * MICROSECONDS)
        after = int(np.searchsorted(whole.t, end, side="right"))
        for source, batch in sent.items():
            dead = source == "pack" and len(sources) > 1 and DEAD[0] < cut <= DEAD[1]
            away = source == "bus" and not bus[0] < cut <= bus[1]
            if after > before and not dead and not away:
                gather.post(batch.rows(before, after))
        spans.append(gather.close(end))
        before = after
    return (*spans, gather.close(end, final=True))


def recorded(spans: tuple[Span, ...]) -> Recording:
    groups: dict[tuple[str, str], list[Batch]] = {}
    for span in spans:
        for batch in span.batches:
            groups.setdefault(batch.group.key, []).append(batch)
    return DriveRecording("two links", tuple(merged(pieces) for pieces in groups.values()))


@cache
def figures(*sources: str, bus: tuple[float, float] = (0.0, LENGTH_S)) -> tuple[SessionSeries, SessionFigures]:
    series = read_series(recorded(spans_of(*sources, bus=bus)))
    return series, figures_of(series, machine())


def test_the_second_instrument_is_brought_to_the_first_by_what_both_showed_at_once() -> None:
    (alone, _), (both, _) = figures("pack"), figures("pack", "bus")
    for signal in ("pack_voltage", "pack_current", "cell_03_voltage"):
        truth, found = alone.signals[signal], both.signals[signal]
        common, ours, theirs = np.intersect1d(truth.t, found.t, return_indices=True)
        assert len(common) > 0.99 * len(truth.t)
        off = np.abs(found.values[theirs] - truth.values[ours])
        assert float(off.max()) < 0.02 * off_by(signal)


def test_totals_resistance_and_charge_are_those_of_a_drive_without_a_hand_over() -> None:
    (_, alone), (_, both) = figures("pack"), figures("pack", "bus")
    assert both.totals.charge_out_ah == pytest.approx(alone.totals.charge_out_ah, rel=0.002)
    assert both.totals.energy_out_wh == pytest.approx(alone.totals.energy_out_wh, rel=0.002)
    assert both.totals.gaps_s == pytest.approx(alone.totals.gaps_s, abs=0.1)
    assert both.resistance.pack_mohm == pytest.approx(alone.resistance.pack_mohm, rel=0.01)
    assert both.charge.end_pct == pytest.approx(alone.charge.end_pct, abs=0.5)


def test_what_the_two_never_showed_at_once_widens_the_totals_and_is_named() -> None:
    (series, known), (never, unknown) = figures("pack", "bus"), figures("pack", "bus", bus=(DEAD[0] + 4, DEAD[1]))
    current = {each.signal: each for each in series.taken_over}["pack_current"]
    assert (current.first, current.source) == ("pack", "bus")
    assert current.learnt is not None
    assert current.learnt.value == pytest.approx(-OFFSETS["pack_current"], abs=3 * current.learnt.sd)
    assert "hand-over" not in {each.name for each in known.evidence}
    assert {each.signal: each.learnt for each in never.taken_over}["pack_current"] is None
    finding = next(each for each in unknown.evidence if each.name == "hand-over")
    assert "bus gave the pack current" in finding.sentence
    assert unknown.totals.uncertainty["charge_out_ah"] > known.totals.uncertainty["charge_out_ah"]


def last(spans: list[Span], signal: str) -> float:
    return next(float(column[-1]) for span in reversed(spans) for _, column in span.carrying(signal))


def test_the_live_figures_go_on_through_it() -> None:
    lived = {}
    for sources in (("pack",), ("pack", "bus")):
        pack = machine().pack
        table = stated_table(pack.open_circuit)
        stages = OneSource(Chain([Cells(), Charge(), EstimateCharge(pack, table), EstimateResistance(pack)]))
        lived[sources] = [stages.advance(span) for span in spans_of(*sources)]
    alone, both = lived.values()
    left_in = OFFSETS["pack_current"] * (DEAD[1] - DEAD[0]) / 3600
    assert last(both, "charge_out") == pytest.approx(last(alone, "charge_out"), abs=0.05 * left_in)
    assert last(both, "pack_resistance") == pytest.approx(last(alone, "pack_resistance"), rel=0.005)
    assert last(both, "soc_estimated") == pytest.approx(last(alone, "soc_estimated"), abs=0.1)
    assert last(both, "cell_min_voltage") == last(alone, "cell_min_voltage")
    sent = [batch for span in spans_of("pack", "bus") for batch in span.batches]
    assert [batch for span in both for batch in span.batches if batch.group.origin == "measured"] == sent
    lows = [
        sum(int(np.count_nonzero(~np.isnan(c))) for span in spans for _, c in span.carrying("cell_min_voltage"))
        for spans in (alone, both)
    ]
    assert lows[1] == pytest.approx(lows[0], rel=0.01)
