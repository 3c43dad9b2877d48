"""A source that repeats old values gives way to the next one that gives the signal. Simulated data."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from telemetry.analysis.frozen import FrozenWatch
from telemetry.analysis.frozen_spans import find_frozen
from telemetry.machine.sections import SourceSettings
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, merged
from telemetry.model.events import AlarmChange, Mark
from telemetry.pipeline.gather import gather_for
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from tests.analysis.frozen_recordings import Batches, drive, frozen, signals_of, thinned

END_S, FROZEN = 420, (200.0, 300.0)


def second_of(batch: Batch) -> Batch:
    """Another instrument's readings of the same, in coarser steps, a little later."""
    values = np.round(batch.values + np.where(np.array(batch.group.signals) == "pack_current", 0.3, 0.0), 2)
    return Batch(Group("bus", batch.group.name, batch.group.signals), batch.t + 40_000, values)


@cache
def played(frozen_sources: tuple[str, ...]) -> tuple[Span, ...]:
    """A drive of which ``pack`` and ``bus`` both send the pack, some of them frozen for a while, as it runs."""
    whole = thinned(drive("market", 341, END_S, 10.0), 2)
    pack = [Batch(Group("pack", b.group.name, b.group.signals), b.t, b.values) for b in whole[:2]]
    sent = [*pack, *(second_of(batch) for batch in pack), *whole[2:]]
    stuck = signals_of(whole, "pack", "cells")
    sent = [frozen((batch,), stuck, *FROZEN)[0] if batch.group.source in frozen_sources else batch for batch in sent]
    gather = gather_for([SourceSettings(driver="d", name=name) for name in ("pack", "bus", "controller")])
    stages, spans, before = standard_stages(Judge(())), [], 0
    for end in range(MICROSECONDS, END_S * MICROSECONDS + 1, MICROSECONDS):
        for batch in sent:
            first, last = np.searchsorted(batch.t, [before, end], side="left")
            gather.post(batch.rows(int(first), int(last)))
        before = end
        spans.append(stages.advance(gather.close(end)))
        gather.note_frozen(spans[-1])
    return tuple(spans)


def marks(spans: tuple[Span, ...]) -> list[Mark]:
    found = [event for span in spans for event in span.events if isinstance(event, Mark)]
    return [mark for mark in found if "kept beside" not in mark.text]


def given_by(spans: tuple[Span, ...], signal: str, at_s: float) -> set[str]:
    return {
        batch.group.source
        for span in spans
        if at_s * MICROSECONDS < span.end <= (at_s + 4) * MICROSECONDS
        for batch, column in span.carrying(signal)
        if batch.group.origin == "measured" and not np.isnan(column).all()
    }


def test_it_gives_way_with_one_mark_and_gets_everything_back_when_it_moves() -> None:
    spans = played(("pack",))
    lost, back = marks(spans)
    assert lost.text.startswith("pack repeats old values: voltage, current")
    assert lost.text.endswith("cells now from bus")
    assert FROZEN[0] + 12 <= lost.t / MICROSECONDS <= FROZEN[0] + 54
    assert back.text.startswith("pack values move again: voltage, current")
    assert back.t / MICROSECONDS == pytest.approx(FROZEN[1] + 5, abs=3)
    for signal in ("pack_voltage", "pack_current", "cell_03_voltage", "pack_temperature_1"):
        sources = [given_by(spans, signal, at_s) for at_s in (150, 280, 400)]
        assert sources == [{"pack"}, {"bus"}, {"pack"}], signal
    alarms = [e for span in spans for e in span.events if isinstance(e, AlarmChange) and e.limit == "source-frozen"]
    assert [(alarm.signal, alarm.state) for alarm in alarms] == [("pack", "raised"), ("pack", "cleared")]
    assert alarms[1].t / MICROSECONDS == pytest.approx(FROZEN[1], abs=0.5)


def test_what_is_shown_and_summed_goes_on_from_the_second_source() -> None:
    def charge_at(spans: tuple[Span, ...], at_s: float) -> float:
        early = [c[-1] for span in spans if span.end < at_s * MICROSECONDS for _, c in span.carrying("charge_out")]
        return float(early[-1])

    alone, changed = played(()), played(("pack",))
    found_s = marks(changed)[0].t / MICROSECONDS
    whole = charge_at(alone, 299) - charge_at(alone, found_s + 3)
    assert charge_at(changed, 299) - charge_at(changed, found_s + 3) == pytest.approx(whole, rel=0.03)


def test_where_all_are_frozen_one_still_gives_it() -> None:
    spans = played(("pack", "bus"))
    assert [mark.text.split(":")[0] for mark in marks(spans)] in (
        [],
        ["pack repeats old values", "pack values move again"],
    )
    assert given_by(spans, "pack_voltage", 299)


def test_a_sound_drive_has_no_hand_over() -> None:
    assert marks(played(())) == []


def test_the_report_finds_the_same_span_though_the_readings_were_kept_aside() -> None:
    groups: dict[tuple[str, str], list[Batch]] = {}
    for span in played(("pack",)):
        for batch in span.batches:
            groups.setdefault(batch.group.key, []).append(batch)
    (found,) = find_frozen([merged(pieces) for pieces in groups.values()])
    assert (found.source, round(found.start / MICROSECONDS), round(found.end / MICROSECONDS)) == ("pack", 200, 300)


def shown_by(source: str, current: np.ndarray) -> Batch:
    t = np.arange(len(current), dtype=np.int64) * MICROSECONDS // 5
    return Batch(Group(source, "shunt", ("pack_current",)), t, current.reshape(-1, 1))


def drives(seconds: float, seed: int, least: float, most: float) -> np.ndarray:
    """A current that changes every few seconds, with the noise of its sensor."""
    random = np.random.default_rng(seed)
    levels = np.repeat(random.uniform(least, most, round(seconds / 3) + 1), 15)[: round(seconds * 5)]
    return levels + random.normal(0.0, 0.05, len(levels))


@pytest.mark.parametrize(("most", "found"), [(60.0, True), (2.5, False)], ids=["load", "standby"])
def test_a_current_that_stands_at_nothing_is_judged_by_its_rival_alone(most: float, found: bool) -> None:
    """A rest is no proof: only a rival that moves clearly is."""
    true = np.concatenate([drives(120, 1, 0.0, 60.0), drives(120, 2, 0.0, most)])
    stuck = np.round(true, 1)
    stuck[600:] = 0.0
    watch: Batches = (shown_by("pack", stuck), shown_by("bus", true))
    told = FrozenWatch().take(watch, 240 * MICROSECONDS)
    assert [each.source for each in told] == (["pack"] if found else [])
    if found:
        assert told[0].moved == ("pack_current of bus",)
