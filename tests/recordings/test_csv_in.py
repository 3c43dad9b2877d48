"""CSV recordings in: values and times exact, whole instants, bounded memory."""

from __future__ import annotations

import csv
import gzip
import io
import math
import struct
import tracemalloc
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from telemetry.model.batch import Batch, merged
from telemetry.model.errors import RecordingError
from telemetry.recordings.columns import Columns, columns_of
from telemetry.recordings.exact_cells import exact_microseconds, read_exactly
from telemetry.recordings.file_recording import FileRecording
from telemetry.recordings.lines import Block
from telemetry.recordings.reading import open_recording

SAMPLES = sorted((Path(__file__).parents[1] / "reference").glob("*.csv.gz"))
HEADER = "t,pack_voltage,pack_current\n"


def put(folder: Path, text: str | bytes, name: str = "mow.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def whole(recording: FileRecording, rows: int = 8192) -> Batch:
    return merged([span.batches[0] for span in recording.spans(rows)])


def bits(values: object) -> list[bytes]:
    """Return each value's bits; every NaN alike."""
    return [struct.pack("<d", math.nan if math.isnan(v) else v) for v in np.ravel(np.asarray(values, float)).tolist()]


def test_a_small_recording(tmp_path: Path) -> None:
    recording = open_recording(put(tmp_path, HEADER + "0,51.2,-3.5\n0.05,51.1,\n0.1,nan,2e1\n"))
    assert recording.name == "mow.csv"
    assert (recording.time_basis, recording.start, recording.machine_text) == ("relative", 0, None)
    (group,) = recording.groups
    assert (group.source, group.name, group.origin) == ("recording", "recording", "measured")
    assert group.signals == ("pack_voltage", "pack_current")
    batch = whole(recording)
    assert batch.t.tolist() == [0, 50_000, 100_000]
    assert bits(batch.values) == bits([51.2, -3.5, 51.1, math.nan, math.nan, 20.0])
    assert recording.warnings == ()
    assert len(whole(recording)) == 3, "a recording can be played more than once"


def test_dates_with_zone(tmp_path: Path) -> None:
    text = "pack_voltage,time\n51.2,2026-05-01T09:30:00+02:00\n51.1,2026-05-01T07:30:00.5Z\n"
    text += '51,"2026-05-01 07:30:01,25Z"\n'
    recording = open_recording(put(tmp_path, text))
    first = datetime(2026, 5, 1, 7, 30, tzinfo=UTC)
    assert recording.time_basis == "absolute"
    assert recording.start == first.timestamp() * 1_000_000
    assert (whole(recording).t - recording.start).tolist() == [0, 500_000, 1_250_000]


@pytest.mark.parametrize(
    ("cell", "microseconds"),
    [
        ("2026-05-01T07:30:00.1234564Z", 123_456),
        ("2026-05-01T07:30:00.1234565Z", 123_456),  # a tie goes to the even neighbour
        ("2026-05-01T07:30:00.1234575Z", 123_458),
        ("2026-05-01T07:30:00.12345650000000000000000000000000001Z", 123_457),
        ("2026-05-01t07:30:00.9999999z", 1_000_000),
        ("20260501T073000Z", 0),
        ("2026-05-01T03:00:00-04:30", 0),
    ],
)
def test_dates_in_other_forms_of_the_standard(tmp_path: Path, cell: str, microseconds: int) -> None:
    """ISO 8601: basic and extended form, any number of decimals; RFC 3339 allows lower-case letters."""
    recording = open_recording(put(tmp_path, f"time,pack_voltage\n{cell},51\n"))
    base = round(datetime(2026, 5, 1, 7, 30, tzinfo=UTC).timestamp()) * 1_000_000
    assert recording.start - base == microseconds


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a byte order mark", b"\xef\xbb\xbft,pack_voltage\n0,51.5\n1,52\n"),
        ("CRLF", b"t,pack_voltage\r\n0,51.5\r\n1,52\r\n"),
        ("no end of the last line", b"t,pack_voltage\n0,51.5\n1,52"),
        ("quoted cells", b'"t","pack_voltage"\n"0","51.5"\n"1","52"\n'),
        ("blank lines", b"\n\nt,pack_voltage\n\n0,51.5\n\n\n1,52\n\n"),
        ("spaces", b"t, pack_voltage\n 0, 51.5\n 1 ,52 \n"),
        ("signs", b"t,pack_voltage\n+0,+51.5\n+1,+52\n"),
    ],
)
def test_forms_in_which_tables_come(tmp_path: Path, name: str, text: bytes) -> None:
    batch = whole(open_recording(put(tmp_path, text)))
    assert batch.t.tolist() == [0, 1_000_000]
    assert batch.values.tolist() == [[51.5], [52.0]]


def test_no_end_of_the_last_line_is_said(tmp_path: Path) -> None:
    recording = open_recording(put(tmp_path, HEADER + "0,1,2\n1,3,4"))
    assert len(whole(recording)) == 2
    assert recording.warnings[0].endswith("the last line has no line end; its last value may have been cut")


def test_infinite_values_pass_as_they_are(tmp_path: Path) -> None:
    batch = whole(open_recording(put(tmp_path, HEADER + "0,inf,-inf\n1,Infinity,1e999\n")))
    assert batch.values.tolist() == [[math.inf, -math.inf], [math.inf, math.inf]]


def test_unknown_columns_are_carried_with_a_warning_each(tmp_path: Path) -> None:
    text = "t,pack_volts,pack_voltage,Temp °C,,pack_power\n0,1,2,3,4,5\n"
    recording = open_recording(put(tmp_path, text))
    assert recording.groups[0].signals == (
        "extra_pack_volts",
        "pack_voltage",
        "extra_temp_c",
        "extra_column",
        "extra_pack_power",
    )
    assert whole(recording).values.tolist() == [[1, 2, 3, 4, 5]]
    assert len(recording.warnings) == 4
    assert "column pack_volts is not a signal we know" in recording.warnings[0]
    assert "did you mean pack_voltage" in recording.warnings[0]
    assert "column 5 without a name" in recording.warnings[2]
    assert "calculated again: pack_power as extra_pack_power" in recording.warnings[3]


def test_columns_that_would_be_carried_under_one_name_are_numbered() -> None:
    columns = columns_of(["t", "pack_voltage", "A b", "a_b", "extra_a_b", "x" * 90, "x" * 91], "mow.csv")
    assert columns.signals[:4] == ("pack_voltage", "extra_a_b_2", "extra_a_b_3", "extra_a_b")
    assert len(set(columns.signals)) == 6
    assert all(len(name) <= 63 for name in columns.signals)


def test_repeated_times_are_kept_and_counted_once(tmp_path: Path) -> None:
    recording = open_recording(put(tmp_path, HEADER + "0,1,1\n1,2,2\n1,3,3\n1,4,4\n2,5,5\n2,6,6\n"))
    for rows in (1, 2, 3, 8192):
        assert whole(recording, rows).values[:, 0].tolist() == [1, 2, 3, 4, 5, 6]
        (warning,) = recording.warnings
        assert "3 rows have the same time as the row before" in warning


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.sampled_from([0, 0, 1, 7]), min_size=1, max_size=40), rows=st.integers(1, 9))
def test_spans_never_part_an_instant(tmp_path: Path, steps: list[int], rows: int) -> None:
    t = np.cumsum(steps)
    text = HEADER + "".join(f"{second},{place},0\n" for place, second in enumerate(t))
    spans = list(open_recording(put(tmp_path, text)).spans(rows))
    ends = [span.end for span in spans]
    assert ends == sorted(set(ends))
    batches = [span.batches[0] for span in spans]
    for before, after in pairwise(batches):
        assert before.t[-1] < after.t[0]
    assert all(span.end == batch.t[-1] for span, batch in zip(spans, batches, strict=True))
    assert merged(batches).values[:, 0].tolist() == list(range(len(t)))


NUMBER = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.decimals(-(10**9), 10**9, allow_nan=False, places=4).map(str),
    st.from_regex(r"[+-]?([0-9]{1,25}\.?[0-9]{0,25}|\.[0-9]{1,20})([eE][+-]?[0-9]{1,3})?", fullmatch=True),
    st.sampled_from(["", " ", "0", "-0", "1.", ".5", "4.9e-324", "1e-400", "9007199254740993", "  7 "]),
)
SECONDS = st.lists(st.decimals(0, 10**8, allow_nan=False, allow_infinity=False, places=9), min_size=1, max_size=15)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seconds=SECONDS.map(sorted), data=st.data(), is_quoted=st.booleans(), end=st.sampled_from(["\n", "\r\n"]))
def test_values_are_those_of_the_standard_library(
    tmp_path: Path, seconds: list[Decimal], data: st.DataObject, is_quoted: bool, end: str
) -> None:
    """Oracle: Python's csv module and float() for the values, the decimal module for the times."""
    cells = [[str(t), *data.draw(st.lists(NUMBER, min_size=2, max_size=2))] for t in seconds]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=end, quoting=csv.QUOTE_ALL if is_quoted else csv.QUOTE_MINIMAL)
    writer.writerows([["t", "pack_voltage", "pack_current"], *cells])
    batch = whole(open_recording(put(tmp_path, out.getvalue())))
    again = list(csv.reader(io.StringIO(out.getvalue(), newline="")))[1:]
    assert bits(batch.values) == bits([float(c) if c.strip() else math.nan for row in again for c in row[1:]])
    assert batch.t.tolist() == [
        int((Decimal(row[0]) * 1_000_000).quantize(Decimal(1), ROUND_HALF_EVEN)) for row in again
    ]


@settings(max_examples=200, deadline=None)
@given(t=st.decimals(0, 3 * 10**8, allow_nan=False, allow_infinity=False, places=7))
@example(Decimal("0.0000005"))
@example(Decimal("0.0000015"))
@example(Decimal("299999999.9999995"))
@example(Decimal("1.00000049999999999999999999999999999999999"))
@example(Decimal("1.00000050000000000000000000000000000000001"))
def test_the_fast_reading_rounds_times_as_the_exact_one_does(t: Decimal) -> None:
    from telemetry.recordings.csv_recording import CsvRecording

    columns = columns_of(["t", "pack_voltage"], "x.csv")
    recording = CsvRecording.__new__(CsvRecording)
    recording.file, recording._columns = "x.csv", columns
    fast = recording._read_fast(Block(f"{t},1\n".encode(), 2, True))
    assert fast is not None
    assert fast.t.tolist() == [exact_microseconds(str(t))]


@pytest.mark.parametrize(
    "cell", ["1e-999999999999999999999", "0e999999999999999999", "0." + "0" * 5000 + "1", "1e-7"]
)
def test_extreme_spellings_of_a_time_are_read(tmp_path: Path, cell: str) -> None:
    assert whole(open_recording(put(tmp_path, f"t,pack_voltage\n{cell},+1\n"))).t.tolist() == [0]


@settings(max_examples=60, deadline=None)
@given(
    st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)),
    st.integers(-14 * 60, 14 * 60),
)
def test_dates_are_those_of_the_standard_library(wall: datetime, offset: int) -> None:
    """Oracle: Python's datetime."""
    sign = "-" if offset < 0 else "+"
    cell = f"{wall.isoformat()}{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"
    expected = (datetime.fromisoformat(cell) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    columns = columns_of(["time", "pack_voltage"], "x.csv")
    exact = read_exactly(Block(f"{cell},1\n".encode(), 2, True), columns, "x.csv")
    assert exact.t == [expected]
    assert fast_times(columns, cell) == [expected]


def fast_times(columns: Columns, cell: str) -> list[int]:
    from telemetry.recordings.csv_recording import CsvRecording

    recording = CsvRecording.__new__(CsvRecording)
    recording.file, recording._columns = "x.csv", columns
    rows = recording._read_fast(Block(f"{cell},1\n".encode(), 2, True))
    assert rows is not None
    return rows.t.tolist()


def long_table(rows: int) -> bytes:
    values = np.random.default_rng(5).normal(50, 4, (rows, 2)).round(3)
    return HEADER.encode() + b"".join(
        b"%d.%02d,%r,%r\n" % (i // 20, i % 20 * 5, *map(float, values[i])) for i in range(rows)
    )


@pytest.mark.parametrize("name", ["long.csv", "long.csv.gz"])
def test_a_long_file_is_read_in_pieces(tmp_path: Path, name: str) -> None:
    text = long_table(200_000)
    path = put(tmp_path, gzip.compress(text, 1) if name.endswith("gz") else text, name)
    recording = open_recording(path)
    tracemalloc.start()
    count = 0
    for span in recording.spans():
        count += len(span.batches[0])
        last = span.batches[0]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 200_000
    assert last.t[-1] == 199_999 * 50_000
    assert peak < 12_000_000, f"{peak} bytes at once for a file of {len(text)}"
    oracle = np.loadtxt(io.BytesIO(text), delimiter=",", skiprows=1, usecols=(1, 2), max_rows=30_000)
    assert merged([s.batches[0] for s, _ in zip(recording.spans(), range(4), strict=False)]).values[
        :30_000
    ].tobytes() == (oracle.tobytes())


def test_every_reference_recording_opens() -> None:
    assert len(SAMPLES) >= 4
    for path in SAMPLES:
        recording = open_recording(path)
        batch = whole(recording)
        with gzip.open(path, "rt") as text:
            rows = list(csv.DictReader(text))
        assert len(batch) == len(rows)
        names = [name for name in rows[0] if name != "t"]
        assert bits(batch.values) == bits([float(row[name]) for row in rows for name in names])
        assert batch.t.tolist() == [int(Decimal(row["t"]) * 1_000_000) for row in rows]


def test_a_column_that_is_no_signal_is_carried_and_the_nearest_named(tmp_path: Path) -> None:
    recording = open_recording(put(tmp_path, "t,pack_voltage,soc_reference\n0,51.2,80\n1,51.1,79.9\n"))
    assert recording.groups[0].signals == ("pack_voltage", "extra_soc_reference")
    (warning,) = recording.warnings
    assert "soc_reference is not a signal we know; kept as extra_soc_reference; did you mean soc_reported" in warning


def test_a_table_that_is_no_recording_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no column is named t or time"):
        open_recording(put(tmp_path, "file,cause,events\nfirst.csv,controller,[]\n"))
