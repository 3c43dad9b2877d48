from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import InputError, StoreError
from telemetry.model.events import (
    Acknowledge,
    AlarmChange,
    AlarmFinding,
    Event,
    Gap,
    LinkChange,
    Loss,
    Mark,
    ResetLatch,
    SavingChange,
    Shelve,
    Unshelve,
)
from telemetry.model.recording import Recording
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
SIGNALS = ("pack_voltage", "pack_current", "cell_01_voltage", "extra_order", "soc_reported")
GROUPS = (("pack", "readings", "measured"), ("second", "readings", "measured"), ("derived", "totals", "derived"))

# Any finite or infinite double, whole numbers (which SQLite packs as integers) and NaN for unknown.
cell = st.one_of(st.floats(width=64), st.integers(-(2**40), 2**40).map(float), st.just(float("nan")))


@st.composite
def sessions(draw: st.DrawFn) -> list[Span]:
    """Spans of several groups that widen on the way, with equal times and unknown values."""
    spans = []
    end = START
    groups: dict[tuple[str, str], Group] = {}
    for _ in range(draw(st.integers(1, 6))):
        begin, end = end, end + draw(st.integers(1, 90_000_000))
        batches = []
        for source, name, origin in draw(st.lists(st.sampled_from(GROUPS), unique=True)):
            more = draw(st.lists(st.sampled_from(SIGNALS), unique=True, min_size=1))
            known = groups.get((source, name))
            group = Group(source, name, tuple(more), origin) if known is None else known.widened(more)
            groups[source, name] = group
            t = sorted(draw(st.lists(st.integers(begin + 1, end) | st.just(end), min_size=1, max_size=5)))
            rows = [[draw(cell) for _ in group.signals] for _ in t]
            batches.append(Batch.of_rows(group, t, rows))
        inputs = [Mark(t, "here") for t in draw(st.lists(st.integers(begin + 1, end), max_size=2))]
        findings = [Gap(end, "pack", "pack_voltage", begin)] if draw(st.booleans()) else []
        spans.append(Span(end, tuple(batches), (*inputs, *findings)))
    return spans


def rows_by_group(spans: list[Span]) -> dict[tuple[str, str], Batch]:
    """All rows of each group under its widest layout; concatenated here, not by the code under test."""
    found: dict[tuple[str, str], Batch] = {}
    for span in spans:
        for batch in span.batches:
            before = found.get(batch.group.key)
            if before is None:
                found[batch.group.key] = batch
                continue
            group = before.group.widened(batch.group.signals)
            parts = [before.as_wide_as(group), batch.as_wide_as(group)]
            found[group.key] = Batch(
                group, np.concatenate([p.t for p in parts]), np.concatenate([p.values for p in parts])
            )
    return found


@settings(max_examples=30, deadline=None)
@given(spans=sessions(), commits=st.booleans(), rows=st.sampled_from([1, 2, 7, 8192]))
def test_what_is_stored_comes_back_to_the_last_bit(spans: list[Span], commits: bool, rows: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with StoreWriter.open(path) as writer:
            writer.begin_session("cart", "[pack]", "import", "absolute", START, START)
            for span in spans:
                assert writer.offer(span) == 0
                if commits:
                    writer.flush()
            counts = writer.end_session(spans[-1].end)
        published = sum(span.value_count for span in spans)
        assert (counts.stored, counts.queued, counts.refused) == (published, 0, 0)

        with StoreReader.open(path) as reader:
            recording = reader.recording(1)
            read = list(recording.spans(rows))
            arrays = reader.arrays(1, [*SIGNALS, "motor_speed"])
            events = reader.events(1)

    expected = rows_by_group(spans)
    measured = {key: batch for key, batch in expected.items() if batch.group.origin == "measured"}
    assert isinstance(recording, Recording)
    assert {group.key: group for group in recording.groups} == {key: b.group for key, b in measured.items()}
    found = rows_by_group(read)
    assert found.keys() == measured.keys()
    for key, batch in measured.items():
        assert found[key].group == batch.group
        assert np.array_equal(found[key].t, batch.t)
        assert np.array_equal(found[key].values, batch.values, equal_nan=True)

    previous = START
    for span in read:
        times = [int(t) for batch in span.batches for t in batch.t] + [event.t for event in span.events]
        assert min(times) > previous
        assert max(times) == span.end
        previous = span.end
    marks = sorted(event.t for span in spans for event in span.events if isinstance(event, Mark))
    assert [event.t for span in read for event in span.events] == marks
    assert len(events) == sum(len(span.events) for span in spans)

    assert "motor_speed" not in arrays
    for signal in SIGNALS:
        carriers = [b for b in expected.values() if b.group.place(signal) is not None]
        assert (signal in arrays) == bool(carriers)
        if carriers:
            chosen = min(carriers, key=lambda b: (int(b.t[0]), b.group.origin, b.group.key))
            assert np.array_equal(arrays[signal][0], chosen.t)
            assert np.array_equal(arrays[signal][1], chosen.column(signal), equal_nan=True)


def test_many_rows_of_several_rates_are_merged_in_bounded_pieces(store: Path, begin: Callable[..., int]) -> None:
    fast = Group("pack", "fast", tuple(f"extra_{i}" for i in range(30)))
    slow = Group("pack", "slow", ("pack_voltage",))
    t_fast = START + np.arange(30_000, dtype=np.int64) * 10_000
    t_slow = START + np.arange(300, dtype=np.int64) * 1_000_000
    values = np.random.default_rng(3).normal(size=(len(t_fast), 30))
    with StoreWriter.open(store) as writer:
        begin(writer, origin="import")
        writer.offer(Span(int(t_slow[-1]), (Batch(slow, t_slow, t_slow[:, None] / 1e6), Batch(fast, t_fast, values))))
        writer.end_session(int(t_slow[-1]))
    with StoreReader.open(store) as reader:
        spans = list(reader.recording("last").spans(1000))
    assert max(sum(len(b) for b in span.batches) for span in spans) <= 1001
    found = rows_by_group(spans)
    assert np.array_equal(found["pack", "fast"].values, values)
    assert np.array_equal(found["pack", "slow"].t, t_slow)


def test_times_are_kept_exactly_however_large(store: Path, begin: Callable[..., int]) -> None:
    group = Group("pack", "readings", ("pack_voltage",))
    t = np.concatenate((np.arange(2**53, 2**53 + 100), [2**62 - 1, 2**62]))  # beyond what a double can tell apart
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(int(t[-1]), (Batch(group, t, np.zeros((len(t), 1))),)))
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        assert np.array_equal(reader.arrays("last", ["pack_voltage"])["pack_voltage"][0], t)


EVENTS: tuple[Event, ...] = (
    LinkChange(START + 1, "pack", "lost", "the plug was pulled; '); DROP TABLE mark; --", START + 500),
    LinkChange(START + 2, "pack", "live"),
    Mark(START + 3, "hill \x1b[2J ünten"),
    Mark(START + 3, "first start", "program"),
    Acknowledge(START + 3, "cell-voltage-low"),
    Acknowledge(START + 4),
    Loss(START + 5, "store", 480, "the disk is full"),
    SavingChange(START + 5, "store", START + 1, "the disk is full"),
    SavingChange(START + 6, "store", None),
    Gap(START + 6, "pack", "pack_current", START + 2),
    AlarmChange(START + 6, "cell-voltage-low", "cell_min_voltage", "trip", "raised", 2.41, 2.5, "cell 7 at 2.41 V"),
    Mark(START + 6, "after the alarm"),
    Acknowledge(START + 7, "pack-temperature-high", "pack_temperature_2"),
    Shelve(START + 7, "cell-spread", "cell_spread", 900.0),
    Shelve(START + 7, "cell-spread", None, 300.0),
    Unshelve(START + 8),
    Unshelve(START + 8, "cell-spread", "cell_spread"),
    ResetLatch(START + 8),
    ResetLatch(START + 8, "cell-voltage-low", None),
    AlarmChange(
        START + 8, "cell-spread", "cell_spread", "warn", "shelved", 0.08, 0.05, "for 15 min", stands="shelved"
    ),
    AlarmChange(
        START + 8,
        *("cell-voltage-low", "cell_min_voltage", "trip", "standing at end", 2.45, 2.5),
        worst=2.39,
        cell=7,
        situation="resting",
    ),
    AlarmFinding(START + 9, "chattering", "began", "cell-spread", "cell_spread", 3, "raised 3 times"),
    AlarmFinding(START + 9, "flood", "ended", "", "", 4, "it is over"),
)


def test_every_kind_of_event_comes_back_in_its_order(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START + 4, events=EVENTS[:6]))
        writer.offer(Span(START + 9, events=EVENTS[6:]))
        writer.end_session(START + 9)
    with StoreReader.open(store) as reader:
        assert repr(tuple(reader.events(1))) == repr(EVENTS)  # an unknown value, NaN, is equal to nothing
        replayed = [event for span in reader.recording(1).spans() for event in span.events]
    assert replayed == [event for event in EVENTS if event.is_input]


def test_an_alarm_that_no_value_decided_has_none_when_read(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        change = AlarmChange(START, "silent", "pack_voltage", "warn", "raised", float("nan"), np.float64(3))
        writer.offer(Span(START, events=(change,)))
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        (found,) = reader.events(1)
    assert isinstance(found, AlarmChange)
    assert np.isnan(found.value)
    assert found.bound == 3.0


def test_what_is_known_of_a_session(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        first = begin(writer, machine_text="abc", drivers={"pack": "serial-text"})
        writer.offer(Span(START + 5, (Batch.of_rows(Group("pack", "g", ("pack_voltage",)), [START + 5], [[1.0]]),)))
        writer.flush()
        with StoreReader.open(store) as reader:
            running = reader.session("last")
            assert reader._db.execute("SELECT name, driver FROM source").fetchall() == [("pack", "serial-text")]
        assert (running.ended, running.ended_how, running.duration_s) == (None, None, 5e-6)
        writer.end_session(START + 2_500_000)
        second = begin(writer, origin="replay", replayed_from="session 1", time_basis="relative", start=0)
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        assert [record.id for record in reader.sessions()] == [first, second]
        record = reader.session(first)
        assert (record.duration_s, record.ended_how, record.origin) == (2.5, "normal", "live")
        # FIPS 180-4 (NIST, examples with intermediate values): SHA-256 of "abc"
        assert record.digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        assert reader.recording(first).machine_text == "abc"
        assert reader.session(second).replayed_from == "session 1"
        assert list(reader.recording(second).spans()) == []
        assert reader.session("last").id == first, "the second holds no values"
        with pytest.raises(InputError, match=r"there is no session 9 in the store .*; the latest is 2$"):
            reader.session(9)


def test_a_store_without_a_drive_says_what_is_missing(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        for which in ("last", 3):
            with StoreReader.open(store) as reader, pytest.raises(InputError, match=r"holds no session yet; record"):
                reader.session(which)
        begin(writer, origin="bench")
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        with pytest.raises(InputError, match=r"holds no drive with values yet; record one"):
            reader.session("last")
        assert reader.session(1).origin == "bench"


def test_a_group_too_wide_for_a_table_is_refused_and_the_widest_is_not(
    store: Path, begin: Callable[..., int]
) -> None:
    names = tuple(f"extra_{i}" for i in range(1991))
    widest = Group("pack", "wide", names[:1990])
    values = np.arange(1990.0)[None, :]
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START, (Batch(widest, np.array([START]), values),)))
        with pytest.raises(StoreError, match=r"carries 1991 signals; the store holds at most 1990"):
            writer.offer(Span(START + 1, (Batch(widest.widened(names), np.array([START]), np.zeros((1, 1991))),)))
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        (span,) = reader.recording(1).spans()
        assert np.array_equal(span.batches[0].values, values)
        narrow = reader._db.execute("SELECT count(*), sum(value) FROM narrow WHERE series = 1").fetchone()
    assert narrow == (1990, 1989 * 1990 / 2)


@pytest.mark.parametrize("name", ["Pack", "a b", 'a"; DROP TABLE session; --', "", "row", "t"])
def test_a_name_that_cannot_be_a_column_never_reaches_the_database(
    name: str, store: Path, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        with pytest.raises(ValueError):
            writer.offer(Span(START, (Batch.of_rows(Group("pack", "g", (name,)), [START], [[1.0]]),)))
        writer.end_session(START)


def test_an_unknown_kind_of_event_is_a_mistake_told_at_once(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        with pytest.raises(TypeError):
            writer.offer(Span(START, events=(Event(START),)))


def test_a_batch_without_rows_leaves_nothing_and_a_signal_that_nobody_recorded_gives_none(
    store: Path, begin: Callable[..., int]
) -> None:
    group = Group("pack", "pack", ("pack_voltage",))
    empty = Batch.of_rows(Group("meter", "meter", ("motor_current",)), [], [])
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START, (Batch.of_rows(group, [START], [[52.0]]), empty)))
        writer.end_session(START)
    with StoreReader.open(store) as reader:
        (span,) = reader.recording("last").spans()
        assert [batch.group for batch in span.batches] == [group]
        assert set(reader.arrays("last", ["motor_current", "pack_voltage"])) == {"pack_voltage"}
