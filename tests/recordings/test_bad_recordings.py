"""Bad recordings: one clear sentence with the place and the remedy; what came before the mistake stays."""

from __future__ import annotations

import gzip
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from telemetry.model.batch import merged
from telemetry.model.errors import InputError, RecordingError
from telemetry.recordings import lines
from telemetry.recordings.file_recording import FileRecording
from telemetry.recordings.reading import open_recording

HEADER = b"t,pack_voltage,pack_current\n"


def put(folder: Path, text: bytes, name: str = "mow.csv") -> Path:
    path = folder / name
    path.write_bytes(text)
    return path


def refusal(path: Path) -> str:
    """Return the one sentence that opening or reading ``path`` ends with."""
    with pytest.raises(InputError) as caught:
        list(open_recording(path).spans())
    said = str(caught.value)
    assert "\n" not in said
    assert said.isprintable()
    assert path.name in said
    assert caught.value.exit_status == 2
    return said


def test_missing_file_folder_and_suffix(tmp_path: Path) -> None:
    assert "there is no such file" in refusal(tmp_path / "none.csv")
    assert "must end in .csv, .csv.gz or .parquet" in refusal(put(tmp_path, HEADER, "mow.xlsx"))
    (tmp_path / "folder.csv").mkdir()
    assert "it is a folder" in refusal(tmp_path / "folder.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    assert "not an ordinary file" in refusal(tmp_path / "pipe.csv")
    assert open_recording(put(tmp_path, HEADER + b"0,1,2\n", "LOUD.CSV")).name == "LOUD.CSV"


HEADERS = [
    (b"", "the file is empty"),
    (b"\n\n", "the file is empty"),
    (b"\xef\xbb\xbf", "the file is empty"),
    (HEADER, "a header but no whole row"),
    (b"t,pack_voltage,pack_current", "a header but no whole row"),
    (HEADER + b"\n\n", "a header but no whole row"),
    (HEADER + b"0,5", "a header but no whole row"),
    (b"t,pack_voltage,pack_voltage\n0,1,2\n", "column pack_voltage is in the header twice"),
    (b"t,t,pack_voltage\n0,1,2\n", "column t is in the header twice"),
    (b"t,time,pack_voltage\n0,1,2\n", "both t and time"),
    (b"seconds,pack_voltage\n0,1\n", "no column is named t or time"),
    (b"Timestamp,pack_voltage\n0,1\n", "Timestamp is neither"),
    (b"t\n0\n", "no column besides t"),
    (b"t,volts,pack_voltag\n0,1,2\n", "none of its columns is a signal we know (volts, pack_voltag); did you mean"),
    (b"t,\x1b[2J\n0,1\n", r"(\x1b[2J); signals are named like pack_voltage"),
    (b"t;pack_voltage\n0;51,2\n", "separated by semicolons; save it with commas"),
    (b"t\tpack_voltage\n0\t51\n", "separated by tabulators"),
    ("t,pack_voltage\n0,1\n".encode("utf-16"), "the text is UTF-16; save it as UTF-8"),
    (b"t,pack_voltage,temp\xb0\n0,1,2\n", "line 1: byte 20 is not UTF-8"),
    (b't,"pack_voltage\n0,1\n', "line 1: the header cannot be read"),
    (b"t,pack_voltage\r0,1\r1,2\r", "a lone carriage return"),
    (b"t,pack_voltage," + b",".join(b"x%d" % n for n in range(1000)) + b"\n", "1002 columns are more than the 1000"),
]


@pytest.mark.parametrize(("text", "said"), HEADERS)
def test_headers(tmp_path: Path, text: bytes, said: str) -> None:
    path = put(tmp_path, text)
    assert said in refusal(path)
    with pytest.raises(RecordingError):
        open_recording(path)  # told at once, not in the middle of a run
    packed = put(tmp_path, gzip.compress(text), "mow.csv.gz")
    assert said in refusal(packed)


MIDDLE = [
    (b"3,n/a,4\n", "line 5, column pack_voltage: 'n/a' is not a number; leave the cell empty"),
    (b"3,4,true\n", "line 5, column pack_current: 'true' is not a number; write 1 or 0"),
    (b"3,1_000,4\n", "line 5, column pack_voltage: '1_000' is not a number"),
    (b"3,0x10,4\n", "line 5, column pack_voltage: '0x10' is not a number"),
    (b'3,"51,2",4\n', "line 5, column pack_voltage: '51,2' has a decimal comma; write numbers with a decimal point"),
    (b"3,51,2,4,1\n", "line 5: 5 cells, but the header has 3; write numbers with a decimal point"),
    (b"3,51\n", "line 5: 2 cells, but the header has 3; leave a cell empty"),
    (b"3;51;4\n", "line 5: 1 cells, but the header has 3; separate cells by commas"),
    (b",51,4\n", "line 5, column t: the time is missing"),
    (b"nan,51,4\n", "line 5, column t: 'nan' is not a number of seconds"),
    (b"inf,51,4\n", "line 5, column t: 'inf' is not a number of seconds"),
    (b'"3,5",51,4\n', "line 5, column t: '3,5' is not a number of seconds; write it with a decimal point"),
    (b"09:30,51,4\n", "line 5, column t: '09:30' is not a number of seconds; for dates, name the column time"),
    (b"-1,51,4\n", "line 5, column t: -1 is before the start"),
    (b"1780000000,51,4\n", "line 5, column t: 1780000000 s would be more than ten years; subtract the first value"),
    (b"1.5,51,4\n", "line 5: time goes back from 2 to 1.5; sort the rows by time"),
    (b"3,5\xff,4\n", "line 5: byte 4 is not UTF-8"),
    (b'3,"5,4\n', "line 5: its quotes do not match"),
    (b'3,"5\n",4\n', "line 5: "),
    (b"3,\x1b[2J,4\n", r"line 5, column pack_voltage: '\x1b[2J' is not a number"),
    (b"3," + b"9" * 200_000 + b"x,4\n", "line 5"),
]


@pytest.mark.parametrize(("line", "said"), MIDDLE)
@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_mistakes_in_the_middle(tmp_path: Path, line: bytes, said: str, ending: bytes) -> None:
    text = HEADER + b"0,51,1\n\n2,52,2\n" + line + b"4,53,3\n5,54,4\n"
    path = put(tmp_path, text.replace(b"\n", ending))
    if b'"5\n"' not in line:
        assert said in refusal(path)
    with pytest.raises(RecordingError):
        open_recording(path)  # in the first piece of the file, so told at once


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("2026-05-01T09:30:00", "has no zone; append Z for UTC"),
        ("2026-05-01", "has no zone"),
        ("yesterday", "'yesterday' is not an ISO 8601 time; write it like"),
        ("2026-02-30T09:30:00Z", "is not an ISO 8601 time"),
        ("12.5", "is not an ISO 8601 time"),
        ("", "the time is missing"),
        ("0001-01-01T00:00:00+23:00", "goes back"),
        ("2026-04-01T00:00:00Z", "time goes back from 2026-05-01T07:30:00.25Z to 2026-04-01T00:00:00Z"),
    ],
)
def test_mistakes_in_dates(tmp_path: Path, cell: str, said: str) -> None:
    text = f"time,pack_voltage\n2026-05-01T07:30:00.25Z,51\n{cell},52\n2026-05-01T07:31:00Z,53\n"
    found = refusal(put(tmp_path, text.encode()))
    assert said in found
    assert "line 3" in found


def rows_before(recording: FileRecording) -> tuple[int, str]:
    """Return how many rows come before the mistake, and the mistake."""
    spans = recording.spans()
    counts: list[int] = []
    with pytest.raises(RecordingError) as caught:
        counts.extend(len(span.batches[0]) for span in spans)
    return sum(counts), str(caught.value)


def far_down(line: bytes, rows: int = 60_000, name: str = "x.csv") -> bytes:
    good = b"".join(b"%d,51.25,%d\n" % (second, second % 90) for second in range(rows))
    text = HEADER + good + line + b"%d,1,1\n" % (rows + 1)
    return gzip.compress(text, 1) if name.endswith(".gz") else text


@pytest.mark.parametrize("name", ["long.csv", "long.csv.gz"])
@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"60000,n/a,1\n", "line 60002, column pack_voltage: 'n/a'"),
        (b"5,1,1\n", "line 60002: time goes back from 59999 to 5"),
        (b"60000,1\n", "line 60002: 2 cells"),
        (b"60000," + b"7" * 1_100_000 + b",1\n", "line 60002: the line is longer than 1048576 bytes"),
    ],
)
def test_what_came_before_a_mistake_far_down_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, line: bytes, said: str
) -> None:
    monkeypatch.setattr(lines, "PIECE_BYTES", 1 << 17)
    recording = open_recording(put(tmp_path, far_down(line, name=name), name))
    count, found = rows_before(recording)
    assert said in found
    assert count == 60_000


def test_a_file_cut_in_the_middle_of_a_row_is_used_up_to_there(tmp_path: Path) -> None:
    text = HEADER + b"0,51,1\n1,52,2\n2,5"
    for ending in (b"", b"\n"):
        recording = open_recording(put(tmp_path, text + ending))
        assert len(merged([span.batches[0] for span in recording.spans()])) == 2
        (warning,) = recording.warnings
        assert warning.endswith("line 4: the file was cut in the middle of this row; it is left out")
    recording = open_recording(put(tmp_path, HEADER + b"0,51,1\n1,52,2e"))
    assert sum(span.value_count for span in recording.spans()) == 2
    assert "cut in the middle" in recording.warnings[0]
    # a power cut may leave zero bytes where the row was to stand
    recording = open_recording(put(tmp_path, HEADER + b"0,51,1\n" + bytes(4096)))
    assert sum(span.value_count for span in recording.spans()) == 2
    assert "cut in the middle" in recording.warnings[0]
    # a whole last row with text in it is no cut
    assert "line 3, column pack_current: 'off' is not" in refusal(put(tmp_path, HEADER + b"0,51,1\n1,52,off\n"))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 170))
def test_cut_anywhere_every_whole_row_is_kept(tmp_path: Path, at: int) -> None:
    text = HEADER + b"".join(b"%d,5%d.25,-1.5\n" % (second, second) for second in range(10))
    text = text[: min(at, len(text))]
    whole_lines = text.count(b"\n") - 1
    try:
        recording = open_recording(put(tmp_path, text))
    except RecordingError:
        assert whole_lines <= 0
        return
    rows = sum(len(span.batches[0]) for span in recording.spans())
    assert rows in (whole_lines, whole_lines + 1)


def test_a_line_of_ten_gigabytes_is_refused_and_not_read(tmp_path: Path) -> None:
    """A sparse file: ten gigabytes of zero bytes without a line end after two good rows, or from the beginning."""
    for start in (HEADER + b"0,51,1\n", b""):
        path = put(tmp_path, start)
        os.truncate(path, 10 << 30)
        tracemalloc.start()
        said = refusal(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert "the line is longer than 1048576 bytes" in said
        assert peak < 16 << 20
        path.unlink()


def test_a_small_file_that_unpacks_to_an_endless_line_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.csv.gz"
    with gzip.open(path, "wb", 1) as packed:
        packed.write(HEADER)
        for _ in range(100):
            packed.write(b"7" * (1 << 20))
    tracemalloc.start()
    said = refusal(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "line 2: the line is longer" in said
    assert peak < 16 << 20


def test_compressed_files_that_are_none(tmp_path: Path) -> None:
    assert "not a sound gzip file" in refusal(put(tmp_path, HEADER + b"0,51,1\n", "plain.csv.gz"))
    assert "the file is empty" in refusal(put(tmp_path, b"", "empty.csv.gz"))
    assert "the compressed file ends before its first line" in refusal(
        put(tmp_path, gzip.compress(HEADER)[:12], "c.csv.gz")
    )


def test_a_compressed_file_that_ends_too_early_is_used_up_to_there(tmp_path: Path) -> None:
    random = np.random.default_rng(2).normal(50, 9, (20_000, 2))
    text = HEADER + b"".join(b"%d,%r,%r\n" % (second, *map(float, row)) for second, row in enumerate(random))
    packed = gzip.compress(text, 6)
    recording = open_recording(put(tmp_path, packed[: len(packed) // 2], "cut.csv.gz"))
    batch = merged([span.batches[0] for span in recording.spans()])
    assert 8_000 < len(batch) < 12_000
    assert batch.values.tobytes() == random[: len(batch)].tobytes()
    assert recording.warnings[-1].endswith("the compressed file ends too early; what came before is used")


def test_a_compressed_file_with_a_wrong_byte_is_told_after_what_came_before(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(far_down(b"60000,1,1\n"), 1))
    packed[-6] ^= 0xFF  # its checksum
    recording = open_recording(put(tmp_path, bytes(packed), "wrong.csv.gz"))
    count, said = rows_before(recording)
    assert count == 60_002
    assert "not a sound gzip file" in said


def test_parquet_files_that_are_none(tmp_path: Path) -> None:
    assert "not a sound Parquet file" in refusal(put(tmp_path, HEADER + b"0,51,1\n", "plain.parquet"))
    assert "not a sound Parquet file" in refusal(put(tmp_path, b"", "empty.parquet"))
    good = tmp_path / "good.parquet"
    t = np.arange(40_000) / 10
    parquet.write_table(pa.table({"t": t, "pack_voltage": np.random.default_rng(1).normal(50, 9, 40_000)}), good)
    sound = good.read_bytes()
    assert "not a sound Parquet file" in refusal(put(tmp_path, sound[:-100], "cut.parquet"))
    broken = bytearray(sound)
    for place in range(4, len(sound) // 2, 7):
        broken[place] ^= 0x5A
    refusal(put(tmp_path, bytes(broken), "broken.parquet"))


ZONED = pa.timestamp("us", tz="UTC")
TABLES = [
    (
        pa.table({"t": [0.0, 1.0], "pack_voltage": ["a", "b"]}),
        "not every column holds numbers: pack_voltage (string)",
    ),
    (pa.table({"t": [0.0], "pack_voltage": [[1.0]]}), "pack_voltage (list<"),
    (pa.table({"t": ["0"], "pack_voltage": [1.0]}), "column t holds string; it must hold seconds"),
    (pa.table({"t": [True], "pack_voltage": [1.0]}), "column t holds bool"),
    (pa.table({"time": pa.array([1], pa.timestamp("us")), "pack_voltage": [1.0]}), "have no zone; store them with"),
    (pa.table({"time": [1.0], "pack_voltage": [1.0]}), "column time holds double; it must hold timestamps with zone"),
    (pa.table({"t": [0.0, None], "pack_voltage": [1.0, 2.0]}), "row 2, column t: the time is missing"),
    (pa.table({"t": [0.0, float("nan")], "pack_voltage": [1.0, 2.0]}), "row 2, column t: "),
    (pa.table({"t": [0.0, -1.0], "pack_voltage": [1.0, 2.0]}), "row 2, column t: -1.0 is before the start"),
    (pa.table({"t": [0.0, 1.8e9], "pack_voltage": [1.0, 2.0]}), "row 2, column t: 1800000000.0 s would be more"),
    (pa.table({"t": [1.0, 0.5], "pack_voltage": [1.0, 2.0]}), "row 2: time goes back from 1 to 0.5"),
    (pa.table({"time": pa.array([5, None], ZONED), "pack_voltage": [1.0, 2.0]}), "row 2, column time: the time is"),
    (pa.table({"t": pa.array([], pa.float64()), "pack_voltage": pa.array([], pa.float64())}), "no whole row"),
    (pa.table({"t": [0.0], "volts": [1.0]}), "none of its columns is a signal we know (volts)"),
    (
        pa.Table.from_arrays([pa.array([0.0])] * 3, names=["t", "pack_voltage", "pack_voltage"]),
        "is in the header twice",
    ),
]


@pytest.mark.parametrize(("table", "said"), TABLES)
def test_parquet_tables_that_are_no_recording(tmp_path: Path, table: pa.Table, said: str) -> None:
    path = tmp_path / "table.parquet"
    parquet.write_table(table, path)
    assert said in refusal(path)


def test_rows_before_a_mistake_far_down_a_parquet_file_stay(tmp_path: Path) -> None:
    t = np.arange(50_000.0)
    t[40_000] = 3.0
    path = tmp_path / "long.parquet"
    parquet.write_table(pa.table({"t": t, "pack_voltage": t}), path)
    count, said = rows_before(open_recording(path))
    assert count == 40_000
    assert "row 40001: time goes back from 39999 to 3" in said


def test_a_file_that_vanishes_between_opening_and_playing(tmp_path: Path) -> None:
    path = put(tmp_path, HEADER + b"0,51,1\n")
    recording = open_recording(path)
    path.unlink()
    with pytest.raises(RecordingError, match="cannot be read: No such file"):
        list(recording.spans())


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.sampled_from([b"0", b"1.5", b",", b"\n", b'"', b"t", b"\r", b";", b"\xff", b"\0", b" "]), max_size=40)
)
def test_no_bytes_whatever_end_in_anything_but_a_sentence(tmp_path: Path, parts: list[bytes]) -> None:
    for start in (b"", HEADER, HEADER + b"0,51,1\n"):
        path = put(tmp_path, start + b"".join(parts))
        said = ""
        try:
            assert all(len(span.batches[0]) for span in open_recording(path).spans())
        except InputError as error:
            said = str(error)
        assert said.isprintable()
