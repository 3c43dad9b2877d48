"""Recordings out: groups joined to one row an instant, whole files only, the same bits when opened again."""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import struct
import subprocess
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from telemetry.model.batch import Batch, Group, Span, merged
from telemetry.model.errors import InputError, RecordingError
from telemetry.model.recording import Recording, TimeBasis
from telemetry.recordings.reading import open_recording
from telemetry.recordings.table import Table
from telemetry.recordings.writing import write_recording

PACK = Group("bms", "pack", ("pack_voltage", "pack_current"))
PLACE = Group("box", "place", ("vehicle_speed",))
METER = Group("box", "meter", ("pack_current",))
START = 1_777_620_600_000_000  # 2026-05-01T07:30:00Z
SUFFIXES = (".csv", ".csv.gz", ".parquet")


class Held:
    """A recording in memory."""

    name = "held"
    warnings: tuple[str, ...] = ()
    machine_text: str | None = None

    def __init__(self, batches: Sequence[Batch], ends: Sequence[int] = (), basis: TimeBasis = "relative") -> None:
        self.time_basis: TimeBasis = basis
        self.groups = tuple(batch.group for batch in batches)
        self.start = 0 if basis == "relative" else min(int(b.t[0]) for b in batches if len(b))
        self._batches = batches
        self._ends = (*sorted(ends), 2**62)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        last = -(2**62)
        for end in self._ends:
            cuts = [(b, *np.searchsorted(b.t, [last, end], side="right").tolist()) for b in self._batches]
            yield Span(end, tuple(b.rows(start, stop) for b, start, stop in cuts if stop > start))
            last = end


def read_csv(path: Path) -> list[list[str]]:
    text = gzip.decompress(path.read_bytes()).decode() if path.suffix == ".gz" else path.read_text()
    return list(csv.reader(io.StringIO(text)))


def bits(values: object) -> list[bytes]:
    return [struct.pack("<d", math.nan if math.isnan(v) else v) for v in np.ravel(np.asarray(values, float)).tolist()]


def test_groups_join_to_one_row_an_instant(tmp_path: Path) -> None:
    pack = Batch.of_rows(PACK, [0, 100_000, 100_000, 250_000], [[51, 1], [52, 2], [53, 3], [54, math.nan]])
    place = Batch.of_rows(PLACE, [100_000, 200_000, 250_000], [[7.5], [8], [math.inf]])
    path = tmp_path / "mow.csv"
    assert write_recording(Held([pack, place], ends=[100_000]), path) == 5
    assert read_csv(path) == [
        ["t", "pack_voltage", "pack_current", "vehicle_speed"],
        ["0", "51", "1", ""],
        ["0.1", "52", "2", "7.5"],
        ["0.1", "53", "3", ""],
        ["0.2", "", "", "8"],
        ["0.25", "54", "", "inf"],
    ]


def test_dates_are_written_in_utc_with_their_zone(tmp_path: Path) -> None:
    path = tmp_path / "mow.csv"
    pack = Batch.of_rows(PACK, [START, START + 250_001], [[51, 1], [52, 2]])
    recording = Held([pack], basis="absolute")
    write_recording(recording, path)
    assert [row[0] for row in read_csv(path)] == [
        "time",
        "2026-05-01T07:30:00.000000Z",
        "2026-05-01T07:30:00.250001Z",
    ]
    assert datetime.fromisoformat(read_csv(path)[1][0]) == datetime(2026, 5, 1, 7, 30, tzinfo=UTC)
    write_recording(recording, path, "relative", replace=True)
    assert [row[0] for row in read_csv(path)] == ["t", "0", "0.250001"]


def test_dates_that_are_not_known_are_not_made_up(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="dates are not known"):
        write_recording(Held([Batch.of_rows(PACK, [0], [[1, 2]])]), tmp_path / "mow.csv", "absolute")
    assert list(tmp_path.iterdir()) == []


def test_a_signal_of_two_groups_keeps_both_with_a_warning(tmp_path: Path) -> None:
    pack = Batch.of_rows(PACK, [0], [[51, 1]])
    meter = Batch.of_rows(METER, [0], [[1.25]])
    said: list[str] = []
    path = tmp_path / "mow.csv"
    write_recording(Held([pack, meter]), path, warn=said.append)
    assert read_csv(path) == [
        ["t", "pack_voltage", "pack_current", "extra_box_pack_current"],
        ["0", "51", "1", "1.25"],
    ]
    assert said == ["pack_current of box/meter is written as extra_box_pack_current"]
    assert open_recording(path).warnings == ()


NAMES = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["=1+1", "+x", "-x", "@x", "pack_voltage", "extra_a", "extra_box_pack_voltage"]),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(NAMES, st.lists(NAMES, max_size=4, unique=True)), min_size=1, max_size=4))
@example([("=cmd", ["=1+1", "@x"]), ("a", ["pack_voltage"]), ("a", ["pack_voltage"]), ("a", ["pack_voltage"])])
def test_column_names_are_identifiers_whatever_a_source_calls_itself(layout: list[tuple[str, list[str]]]) -> None:
    groups = [Group(source, f"g{place}", tuple(signals)) for place, (source, signals) in enumerate(layout)]
    table = Table.of(groups)
    assert len(table.names) == len(set(table.names)) == sum(len(g.signals) for g in groups)
    assert all(re.fullmatch(r"[a-z][a-z0-9_]{0,62}", name, re.ASCII) for name in table.names)
    assert not any(name in ("t", "time") for name in table.names)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_an_existing_file_is_replaced_only_when_asked(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"mow{suffix}"
    path.write_text("precious")
    recording = Held([Batch.of_rows(PACK, [0], [[51, 1]])])
    with pytest.raises(InputError, match="exists already; choose another name"):
        write_recording(recording, path)
    assert path.read_text() == "precious"
    assert write_recording(recording, path, replace=True) == 1
    assert len(list(open_recording(path).spans())) == 1
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    recording = Held([Batch.of_rows(PACK, [0], [[51, 1]])])
    with pytest.raises(InputError, match=r"there is no folder .*; make it first"):
        write_recording(recording, tmp_path / "none" / "mow.csv")
    (tmp_path / "d.csv").mkdir()
    with pytest.raises(InputError, match="it is a folder"):
        write_recording(recording, tmp_path / "d.csv")
    with pytest.raises(InputError, match=r"must end in \.csv, .* or \.sqlite3"):
        write_recording(recording, tmp_path / "mow.xlsx")
    with pytest.raises(InputError, match="cannot be written: File name too long"):
        write_recording(recording, tmp_path / ("m" * 250 + ".csv"))
    with pytest.raises(InputError, match="holds no signals"):
        write_recording(Held([]), tmp_path / "mow.csv")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_disk_that_fills_up_leaves_what_was_there(tmp_path: Path, suffix: str) -> None:
    """A limit on the size of files stands for the full disk: the same failing write, from the system itself."""
    source = tmp_path / "source.csv"
    random = np.random.default_rng(6).normal(50, 9, (30_000, 2))
    write_recording(Held([Batch(PACK, np.arange(30_000) * 1000, random)]), source)
    target = tmp_path / f"out{suffix}"
    target.write_text("precious")
    program = f"""
import resource, signal, sys
sys.dont_write_bytecode = True  # the limit would cut it off, and others would read it
from pathlib import Path
from telemetry.model.errors import InputError
from telemetry.recordings.reading import open_recording
from telemetry.recordings.writing import write_recording
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    write_recording(open_recording(Path({str(source)!r})), Path({str(target)!r}), replace=True)
except InputError as error:
    print(error)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=Path(__file__).parents[2], check=False
    )
    assert done.stderr == ""
    assert done.stdout.count("\n") == 1
    assert "it cannot be written: " in done.stdout
    assert "too large" in done.stdout
    assert target.read_text() == "precious"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([source.name, target.name])


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_recording_that_breaks_off_leaves_no_half_a_file(tmp_path: Path, suffix: str) -> None:
    class Broken(Held):
        def spans(self, rows: int = 8192) -> Iterator[Span]:
            yield from super().spans(rows)
            raise RecordingError("mow.csv, line 9: broken")

    with pytest.raises(RecordingError, match="line 9"):
        write_recording(Broken([Batch.of_rows(PACK, [0], [[51, 1]])]), tmp_path / f"mow{suffix}")
    assert list(tmp_path.iterdir()) == []


def test_the_same_recording_gives_the_same_bytes(tmp_path: Path) -> None:
    recording = Held([Batch.of_rows(PACK, [0, 1], [[51, 1], [52, 2]])])
    for suffix in SUFFIXES:
        one, two = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
        write_recording(recording, one)
        write_recording(recording, two)
        assert one.read_bytes() == two.read_bytes()


def test_parquet_out_is_what_pyarrow_reads(tmp_path: Path) -> None:
    path = tmp_path / "mow.parquet"
    write_recording(
        Held([Batch.of_rows(PACK, [START, START + 1], [[51.5, math.nan], [-0.0, math.inf]])], basis="absolute"), path
    )
    table = parquet.read_table(path)
    assert str(table.schema.field("time").type) == "timestamp[us, tz=UTC]"
    assert table["pack_voltage"].to_pylist() == [51.5, -0.0]
    assert table["pack_current"].to_pylist() == [None, math.inf]


TIMES = st.lists(st.integers(0, 10**12) | st.integers(0, 5), max_size=25).map(sorted)
VALUES = st.one_of(
    st.floats(), st.sampled_from([-0.0, 5e-324, 1.7976931348623157e308, 0.1, 1e22, 1e-7, 123456789.123])
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    pack=TIMES,
    place=TIMES,
    data=st.data(),
    suffix=st.sampled_from(SUFFIXES),
    basis=st.sampled_from(["relative", "absolute"]),
    ends=st.lists(st.integers(0, 10**12), max_size=3),
)
def test_opened_again_it_holds_the_same_to_the_last_bit(
    tmp_path: Path,
    pack: list[int],
    place: list[int],
    data: st.DataObject,
    suffix: str,
    basis: TimeBasis,
    ends: list[int],
) -> None:
    if not pack and not place:
        return
    offset = START if basis == "absolute" else 0
    batches = []
    for group, times in ((PACK, pack), (PLACE, place)):
        width = len(group.signals)
        rows = [data.draw(st.lists(VALUES, min_size=width, max_size=width)) for _ in times]
        batches.append(Batch.of_rows(group, [t + offset for t in times], rows))
    recording = Held(batches, [end + offset for end in ends], basis)
    path = tmp_path / f"mow{suffix}"
    rows = write_recording(recording, path, replace=True)
    opened = open_recording(path)
    assert opened.groups[0].signals == (*PACK.signals, *PLACE.signals)
    assert opened.time_basis == basis
    assert opened.start == recording.start
    again = merged([span.batches[0] for span in opened.spans(7)])
    assert len(again) == rows
    # Oracle: rows joined one by one, by time and by their turn within it
    expected: dict[tuple[int, int], dict[str, float]] = {}
    for batch in batches:
        turns: dict[int, int] = {}
        for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True):
            turn = turns[t] = turns.get(t, -1) + 1
            expected.setdefault((t, turn), {}).update(zip(batch.group.signals, row, strict=True))
    assert again.t.tolist() == [t for t, _ in sorted(expected)]
    table = [[expected[key].get(name, math.nan) for name in again.group.signals] for key in sorted(expected)]
    assert bits(again.values) == bits(table)


def test_files_and_memory_are_recordings_alike(tmp_path: Path) -> None:
    path = tmp_path / "mow.csv"
    held = Held([Batch.of_rows(PACK, [0], [[51, 1]])])
    write_recording(held, path)
    assert isinstance(held, Recording)
    assert isinstance(open_recording(path), Recording)


def test_a_file_recording_can_be_written_in_every_other_format(tmp_path: Path) -> None:
    first = tmp_path / "mow.csv"
    values = np.random.default_rng(8).normal(50, 9, (20_000, 2))
    write_recording(Held([Batch(PACK, np.arange(20_000) * 50_000, values)]), first)
    for suffix in (".csv.gz", ".parquet"):
        other, back = tmp_path / f"other{suffix}", tmp_path / f"back{suffix}.csv"
        assert write_recording(open_recording(first), other) == 20_000
        assert write_recording(open_recording(other), back) == 20_000
        assert back.read_bytes() == first.read_bytes()
