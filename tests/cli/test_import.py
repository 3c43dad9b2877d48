"""``shakedown import``: a file by another logger becomes a session, asked once, and the next one is known."""

from __future__ import annotations

import gzip
import io
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import openpyxl
import pyarrow as pa
import pytest
from pyarrow import parquet

from telemetry.cli import main
from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S

MACHINE = """
[machine]
name = "orchard cart"

[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100
low_cutoff_v = 44.8
"""


def table(head: str = "Time [s];U [V];I [A];Remark", rows: int = 300, sign: int = 1) -> str:
    """Return a drive as a table with decimal commas; its voltage falls by 30 mohm times the current."""
    random = np.random.default_rng(5)
    lines = [head]
    for second, drawn in enumerate(random.uniform(-10, 60, rows)):
        amps = 60.0 if 200 <= second < 240 else drawn  # uphill
        lines.append(
            f"{second};{53.0 - 0.03 * amps - (8 if 200 <= second < 240 else 0):.2f};{sign * amps:.1f};ok".replace(
                ".", ","
            )
        )
    return "\n".join([*lines, ""])


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "own" / "sessions.sqlite3"
    path.parent.mkdir()
    monkeypatch.setenv("SHAKEDOWN_STORE", str(path))
    return path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "drive.csv"
    path.write_text(table())
    return path


def test_a_table_becomes_a_session_that_can_be_reported(store, file, tmp_path, capsys) -> None:
    machine = tmp_path / "cart.toml"
    machine.write_text(MACHINE)
    assert main(["import", str(file), "--machine", str(machine)]) == 0
    shown = capsys.readouterr().out
    assert "semicolons between the columns, decimal commas" in shown
    assert "drive.csv is session 1, 300 rows" in shown
    with StoreReader.open(store) as reader:
        record = reader.session(1)
        rows = sum(len(batch) for span in reader.recording(1).spans() for batch in span.batches)
    assert (record.origin, record.machine, rows) == ("import", "orchard cart", 300)
    assert main(["report", "1", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [alarm["limit"] for alarm in report["alarms"]] == ["pack-voltage-low"]  # judged by its machine file


def test_the_next_file_of_that_kind_is_known_everywhere(store, file, tmp_path, capsys) -> None:
    assert main(["report", str(file), "--json"]) == 2
    assert f"shakedown import {file}" in capsys.readouterr().err
    assert main(["import", str(file)]) == 0
    again = tmp_path / "later.txt"
    again.write_text(table(rows=200))
    capsys.readouterr()
    assert main(["report", str(again), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["totals"]["duration_s"] == 199
    assert main(["import", str(again)]) == 0
    assert "column map" not in capsys.readouterr().out
    assert len(list((store.parent / "column-maps").iterdir())) == 1


def _with_times(times, sign: int = 1) -> str:
    rows = (line.split(";") for line in table("Time;U [V];I [A];Remark", sign=sign).splitlines()[1:])
    return "\n".join(
        ["Time;U [V];I [A];Remark", *(";".join([time, *row[1:]]) for time, row in zip(times, rows, strict=True))]
    )


def test_names_of_columns_that_two_loggers_share_do_not_mix_them_up(store, file, tmp_path, capsys) -> None:
    file.write_text(_with_times(str(second) for second in range(300)))
    clock = tmp_path / "clock.csv"
    clock.write_text(_with_times(f"10:{second // 60:02d}:{second % 60:02d}" for second in range(300)))
    for path in (file, clock, file, clock):
        assert main(["import", "--yes", str(path)]) == 0
        assert ", 300 rows" in capsys.readouterr().out
    assert main(["report", str(clock), "--json"]) == 0
    assert len(list((store.parent / "column-maps").glob("*.toml"))) == 2


def test_a_kept_sign_that_the_voltage_contradicts_is_told(store, file, tmp_path, capsys) -> None:
    assert main(["import", str(file)]) == 0
    reversed_sign = tmp_path / "other.csv"
    reversed_sign.write_text(table(sign=-1))
    capsys.readouterr()
    for command in ("import", "report"):
        assert main([command, str(reversed_sign)]) == 0
        told = capsys.readouterr().err
        assert "other.csv: the sign of I [A] is that of the column map" in told
        assert "positive seems to mean charging" in told
    assert main(["report", str(file)]) == 0
    assert "column map" not in capsys.readouterr().err


def test_a_map_given_outranks_what_is_proposed(store, file, tmp_path, capsys) -> None:
    assert main(["import", str(file), "--show"]) == 0
    assert not store.exists()
    own = tmp_path / "map.toml"
    own.write_text(
        'header = ["Time [s]", "U [V]", "I [A]", "Remark"]\ndelimiter = ";"\ndecimal = ","\ntime = ["Time [s]"]\n'
        '[columns]\n"U [V]" = "controller_voltage"\n"I [A]" = { signal = "motor_current", scale = 2 }\n'
    )
    capsys.readouterr()
    assert main(["import", str(file), "--map", str(own), "--json"]) == 0
    (read,) = json.loads(capsys.readouterr().out)
    assert read["columns"] == {"controller_voltage": "U [V]", "motor_current": "I [A]", "extra_remark": "Remark"}
    assert len(read["first_rows"]["motor_current"]) == 3


def test_what_the_file_cannot_tell_is_asked_or_assumed(store, tmp_path, capsys, monkeypatch) -> None:
    flat = tmp_path / "flat.csv"
    flat.write_text("Time (s),Amps\n" + "".join(f"{n},{n % 7}\n" for n in range(50)))
    assert main(["import", str(flat)]) == 2
    assert "add --yes" in capsys.readouterr().err
    assert main(["import", str(flat), "--yes", "--show"]) == 0
    assert "assumed: Amps positive out of the pack" in capsys.readouterr().out


class _Typed(io.StringIO):
    """What somebody types in a terminal."""

    def isatty(self) -> bool:
        return True


def test_an_answer_that_is_none_is_asked_for_again_with_the_reason(store, tmp_path, capsys, monkeypatch) -> None:
    flat = tmp_path / "flat.csv"
    flat.write_text("Volts,Amps\n" + "".join(f"52.1,{n % 7}\n" for n in range(50)))
    monkeypatch.setattr("sys.stdin", _Typed("often\n0,5\nperhaps\nno\n"))
    assert main(["import", str(flat), "--json"]) == 0
    said = capsys.readouterr()
    assert '"often" is not a number in s' in said.err
    assert "the answer is none of the choices; type yes or no" in said.err
    (read,) = json.loads(said.out)
    assert read["seconds"] == 24.5
    assert read["first_rows"]["pack_current"][1] == -1


def test_times_without_a_zone_are_asked_for_once(store, tmp_path, capsys) -> None:
    local = tmp_path / "local.csv"
    local.write_text("Date,Volts\n" + "".join(f"2026-05-04 10:00:{n:02d},52.1\n" for n in range(50)))
    assert main(["import", str(local), "--yes"]) == 0
    assert "assumed: times in this computer's zone" in capsys.readouterr().out
    assert main(["import", str(local)]) == 0
    assert "assumed" not in capsys.readouterr().out


def test_one_bad_file_does_not_keep_the_others_out(store, file, tmp_path, capsys) -> None:
    picture = tmp_path / "photo.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    missing = tmp_path / "nothing.csv"
    assert main(["import", str(picture), str(missing), str(file)]) == 2
    done = capsys.readouterr()
    assert "drive.csv is session 1" in done.out
    assert "the other 1 were read" in done.err
    assert "Traceback" not in done.err
    assert str(missing) in done.err


def test_our_own_recordings_and_compressed_tables_come_in_too(store, file, tmp_path, capsys) -> None:
    packed = tmp_path / "drive.csv.gz"
    packed.write_bytes(gzip.compress(table().encode("utf-16")))
    assert main(["import", str(packed), "--yes"]) == 0
    out = tmp_path / "own.csv"
    assert main(["export", "1", str(out)]) == 0
    assert main(["import", str(out)]) == 0
    assert "own.csv: a recording of this program" in capsys.readouterr().out
    with StoreReader.open(store) as reader:
        first, second = (_values(reader, number) for number in (1, 2))
    np.testing.assert_array_equal(first, second)


def _values(reader: StoreReader, number: int) -> np.ndarray:
    spans = reader.recording(number).spans()
    return np.concatenate([batch.column("pack_voltage") for span in spans for batch in span.batches])


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"just words, no table\nand more words\n", "no table was found|no row of readings"),
        (b"1,2,3\n4,5,6\n7,8,9\n", "columns have no names"),
        (b"x;y;z\n1;2;3\n4;5;6\n7;8;9\n", "none of its columns is a signal"),
    ],
)
def test_what_is_no_table_is_refused_in_one_sentence(store, tmp_path, capsys, data, says) -> None:
    path = tmp_path / "odd.csv"
    path.write_bytes(data)
    assert main(["import", str(path), "--yes"]) == 2
    said = capsys.readouterr().err
    assert any(each in said for each in says.split("|")), said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ('time = ["Tme"]', "did you mean"),
        ('time_is = "lunar"', "time_is"),
        ('encoding = "rot13"', "is no encoding of text"),
        ('zone = "Mars/Base"', "zone"),
        ("interval_s = -1", "interval_s"),
    ],
)
def test_a_wrong_map_is_told_by_its_keys(store, file, tmp_path, capsys, change, says) -> None:
    path = tmp_path / "map.toml"
    keys = {"header": '["Time", "U"]', "time": '["Time"]'}
    key, _, value = change.partition(" = ")
    lines = [f"{name} = {value}" for name, value in (keys | {key: value}).items()]
    path.write_text("\n".join([*lines, "[columns]", 'U = "pack_voltage"', ""]))
    assert main(["import", str(file), "--map", str(path)]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert str(path) in said


def test_tables_that_are_no_text_come_in_the_same_way(store, tmp_path, capsys) -> None:
    rows = [(float(n), 53.0 - 0.03 * (n % 17), float(n % 17)) for n in range(60)]
    book = openpyxl.Workbook()
    for row in [("Logger 3",), ("Time (s)", "Volts", "Amps"), *rows]:
        book.active.append(row)
    book.save(tmp_path / "drive.xlsx")
    with (tmp_path / "drive.jsonl").open("w") as stream:
        stream.writelines(
            json.dumps({"ms": int(t * 1000), "pack": {"volts": v, "amps": a}}) + "\n" for t, v, a in rows
        )
    parquet.write_table(
        pa.table({"elapsed_s": [r[0] for r in rows], "U [V]": [r[1] for r in rows], "I [A]": [r[2] for r in rows]}),
        tmp_path / "drive.parquet",
    )
    files = [tmp_path / f"drive.{end}" for end in ("xlsx", "jsonl", "parquet")]
    assert main(["import", *map(str, files)]) == 0, capsys.readouterr().err
    with StoreReader.open(store) as reader:
        for number in (1, 2, 3):
            read = reader.arrays(number, ["pack_voltage", "pack_current"])
            np.testing.assert_array_equal(read["pack_voltage"][1], [row[1] for row in rows])
            np.testing.assert_array_equal(read["pack_current"][1], [row[2] for row in rows])


def test_a_track_comes_in(store, tmp_path, capsys) -> None:
    points = "".join(
        f'<trkpt lat="48.{n:06d}" lon="16.5"><time>2026-05-04T10:00:{n:02d}Z</time><speed>2.5</speed></trkpt>'
        for n in range(50)
    )
    path = tmp_path / "mow.gpx"
    path.write_text(f'<gpx xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>')
    assert main(["import", str(path)]) == 0, capsys.readouterr().err
    with StoreReader.open(store) as reader:
        read = reader.arrays(1, ["latitude", "vehicle_speed"])
    assert read["latitude"][1][7] == 48.000007
    assert read["vehicle_speed"][1][0] == 9.0
    path.write_text('<!DOCTYPE x [<!ENTITY a "b">]><gpx>&a;</gpx>')
    assert main(["import", str(path)]) == 2
    assert "declares entities" in capsys.readouterr().err


def test_another_store_gives_its_sessions(store, file, tmp_path, capsys, monkeypatch) -> None:
    assert main(["import", str(file)]) == 0
    assert main(["import", str(file)]) == 0
    monkeypatch.setenv("SHAKEDOWN_STORE", str(tmp_path / "new.sqlite3"))
    assert main(["import", str(store)]) == 0
    with StoreReader.open(store) as ours, StoreReader.open(tmp_path / "new.sqlite3") as theirs:
        assert len(theirs.sessions()) == 2
        assert theirs.session(2).started == ours.session(2).started
        np.testing.assert_array_equal(_values(ours, 2), _values(theirs, 2))


@pytest.mark.parametrize("name", ["odd.xlsx", "odd.jsonl", "odd.jsonl.gz", "odd.parquet", "odd.gpx", "odd.sqlite3"])
def test_what_is_not_what_its_name_says_is_refused_in_one_sentence(store, tmp_path, capsys, name) -> None:
    path = tmp_path / name
    path.write_bytes(b"nothing of the kind" * 30)
    assert main(["import", str(path), "--yes"]) == 2
    said = capsys.readouterr().err
    assert str(path) in said
    assert said.count("\n") == 1


def test_an_import_that_is_cancelled_leaves_nothing(store, tmp_path) -> None:
    slow = tmp_path / "drive.csv"
    slow.write_text(table(rows=400_000))
    command = [sys.executable, "-m", "telemetry.cli", "import", str(slow)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    while "extra_remark" not in running.stdout.readline():
        pass
    while not store.exists():
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    _, error = running.communicate(timeout=BUSY_S)
    if running.returncode == 0:
        pytest.skip("it was done before it was cancelled")
    assert (running.returncode, "Traceback" in error) == (130, False)
    with StoreReader.open(store) as reader:
        assert reader.sessions() == []


def test_a_clock_that_was_set_on_the_way_makes_no_session_of_56_years(store, tmp_path, capsys) -> None:
    path = tmp_path / "drive.csv"
    starts = np.datetime64("1970-01-01T00:00:30"), np.datetime64("2026-05-01T08:00:00")
    times = [start + np.timedelta64(row, "s") for start in starts for row in range(120)]
    rows = [f"{time}Z,{53 - row % 120 / 100:.2f},{10 + row % 120 % 7}" for row, time in enumerate(times)]
    path.write_text("\n".join(["time,pack_voltage,pack_current", *rows, ""]))
    assert main(["import", str(path)]) == 0
    assert "the logger's clock was set here; it had shown 1970-01-01" in capsys.readouterr().err
    assert main(["sessions", "--json"]) == 0
    (session,) = json.loads(capsys.readouterr().out)
    assert (session["started"], session["duration_s"]) == ("2026-05-01T07:58:00Z", 239)
    assert main(["report", "1", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["totals"]["duration_s"] == 239
    assert [(mark["t"], mark["text"][:22]) for mark in report["marks"]] == [(120, "the logger's clock was")]


def test_a_file_imported_twice_is_said_and_how_to_delete_one(tmp_path: Path, capsys) -> None:
    store, table = tmp_path / "store.sqlite3", tmp_path / "drive.csv"
    table.write_text("time,pack_voltage\n" + "".join(f"2026-05-01T10:00:{n:02d}Z,52.{n:02d}\n" for n in range(30)))
    later = tmp_path / "later.csv"
    later.write_text(table.read_text().replace("T10:", "T11:"))
    words = ["import", "--yes", "--store", str(store)]
    assert main([*words, str(table), str(later)]) == 0
    assert "same times" not in capsys.readouterr().out
    assert main([*words, str(table)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "session 1 has the same times" in told
    assert "press c and type delete" in told
    assert main([*words, str(table), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["same_times_as_session"] == 1


_SMALL_FILES = "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000)); "


@pytest.mark.slow
def test_nothing_is_kept_of_a_file_for_which_the_disk_has_no_room(store: Path, tmp_path: Path) -> None:
    """The store may grow to 300 kB; the program tries for half a minute, then takes away what it had stored."""
    big = tmp_path / "big.csv"
    big.write_text(
        "t,pack_voltage,pack_current\n" + "".join(f"{n / 10},{52 + n % 97 / 100},{n % 61}\n" for n in range(60_000))
    )
    program = f"{_SMALL_FILES}from telemetry.cli import main; sys.exit(main(sys.argv[1:]))"
    words = [sys.executable, "-c", program, "import", "--yes", str(big)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=BUSY_S)
    assert (done.returncode, "nothing of big.csv was kept: import it again then" in done.stderr) == (3, True), (
        done.stderr
    )
    with StoreReader.open(store) as reader:
        assert reader.sessions() == []
