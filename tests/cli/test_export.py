"""``shakedown export`` in each format, read back by the format's own library. Invented values.

GPX: topografix.com/GPX/1/1. Battery Data Format: version 1.0 of the Battery Data Alliance, required columns "Test
Time / s", "Voltage / V", "Current / A". Hive partitions and SQL are read by DuckDB.
"""

from __future__ import annotations

import csv
import datetime
import gzip
import html
import io
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree

import duckdb
import numpy as np
import openpyxl
import pytest
from pyarrow import parquet

from telemetry.cli import main
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import RecordingError
from telemetry.model.events import AlarmChange, AlarmState, Mark
from telemetry.recordings.foreign.mdf_table import mdf_table
from telemetry.recordings.reading import open_recording
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

S = 1_000_000
START = 1_780_000_000_000_000
PACK = Group("bms", "pack", ("pack_voltage", "pack_current", "pack_temperature_1"))
PLACE = Group("gps", "place", ("latitude", "longitude", "vehicle_speed"))
POWER = Group(
    "derived", "power", ("energy_out", "energy_in", "pack_power", "pack_resistance", "cell_min_number"), "derived"
)
ROWS = 300
MACHINE = '[machine]\nname = "orchard cart"\n'


def drive() -> tuple[Batch, Batch, Batch]:
    random = np.random.default_rng(3)
    t = START + np.arange(ROWS, dtype=np.int64) * 200_000
    amps = np.round(random.uniform(-20, 80, ROWS), 1)
    volts = np.round(52 - amps * 0.02, 2)
    pack = Batch(PACK, t, np.column_stack((volts, amps, np.full(ROWS, 24.0))))
    place = Batch(PLACE, t[::5], np.column_stack((48 + t[::5] * 0, 16 + np.arange(60) * 1e-5, np.full(60, 10.0))))
    power = volts * amps
    out, into = (np.cumsum(np.maximum(sign * power, 0)) / 18000 for sign in (1, -1))
    resistance, lowest = random.uniform(0.018, 0.024, ROWS), random.integers(1, 5, ROWS)
    return pack, place, Batch(POWER, t, np.column_stack((out, into, power, resistance, lowest)))


def record(path: Path, machine: str = "orchard cart", start: int = 0, alarms: int = 1) -> None:
    batches = [Batch(each.group, each.t + start, each.values) for each in drive()]
    t = START + start
    events = (
        Mark(t + 10 * S, "=1+1"),
        Mark(t + 20 * S, "not meant", taken_back=True),
        *(alarm(t + 30 * S, number, "raised") for number in range(alarms)),
        *(alarm(t + 40 * S, number, "cleared") for number in range(alarms)),
    )
    with StoreWriter.open(path) as writer:
        writer.begin_session(machine, MACHINE, "live", "absolute", t, t)
        writer.offer(Span(int(batches[0].t[-1]), tuple(batches), events))
        writer.end_session(t + 60 * S)


def alarm(t: int, number: int, state: Literal["raised", "cleared"]) -> AlarmChange:
    limit = ("cell-voltage-low", "pack-voltage-low")[number]
    stands: AlarmState = "unacknowledged" if state == "raised" else "normal"
    return AlarmChange(t, limit, "cell_min_voltage", "warn", state, 2.7, 2.8, stands=stands)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "store.sqlite3"
    monkeypatch.setenv("SHAKEDOWN_STORE", str(path))
    record(path)
    return path


def test_a_table_for_a_spreadsheet(store, tmp_path, capsys) -> None:
    out = tmp_path / "mow.csv"
    assert main(["export", "1", str(out), "--every", "1s"]) == 0
    assert "60 rows" in capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8-sig"))))
    pack, _, power = drive()
    first = datetime.datetime.fromisoformat(rows[0]["time"]).astimezone()
    assert first.timestamp() == START / S
    for place, row in enumerate(rows):
        five = slice(5 * place, 5 * place + 5)
        assert float(row["pack_voltage [V]"]) == pytest.approx(pack.values[five, 0].mean(), rel=1e-5)
        assert float(row["pack_power [W]"]) == pytest.approx(power.values[five, 2].mean(), rel=1e-5)
        assert row["alarms"] == ("cell-voltage-low" if 30 <= place < 40 else "")
        assert row["marks"] == ("'=1+1" if place == 10 else "")
    assert not any(cell.startswith(("=", "@", "+")) for row in rows for cell in row.values())


def test_imperial_units_only_in_a_table(store, tmp_path, capsys) -> None:
    out = tmp_path / "mow.csv"
    assert main(["export", "1", str(out), "--every", "1s", "--units", "imperial"]) == 0
    row = next(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8-sig"))))
    assert float(row["vehicle_speed [mph]"]) == pytest.approx(10 / 1.609344, rel=1e-5)
    assert float(row["pack_temperature_1 [°F]"]) == pytest.approx(24 * 1.8 + 32)
    assert main(["export", "1", str(tmp_path / "full.csv"), "--units", "imperial"]) == 2
    assert "--every" in capsys.readouterr().err


def test_a_workbook(store, tmp_path) -> None:
    out = tmp_path / "mow.xlsx"
    assert main(["export", "1", str(out)]) == 0
    sheet = openpyxl.load_workbook(out).active
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    assert (len(rows), rows[0][:2]) == (61, ["time", "pack_voltage [V]"])
    assert isinstance(rows[1][1], float)
    assert {type(cell) for row in rows[1:] for cell in row} <= {str, float, int, type(None)}


def test_parquet_has_units_and_what_is_known_besides(store, tmp_path) -> None:
    out = tmp_path / "mow.parquet"
    assert main(["export", "1", str(out)]) == 0
    schema = parquet.read_schema(out)
    assert schema.field("pack_voltage").metadata[b"unit"] == b"V"
    assert schema.metadata[b"machine_file"].decode() == MACHINE
    assert json.loads(schema.metadata[b"alarms"])[0]["limit"] == "cell-voltage-low"
    assert [mark["text"] for mark in json.loads(schema.metadata[b"marks"])] == ["=1+1"]
    assert open_recording(out).machine_text == MACHINE


@pytest.mark.parametrize("name", ["mow.jsonl", "mow.jsonl.gz"])
def test_json_lines_hold_the_same_bits(store, tmp_path, name) -> None:
    out = tmp_path / name
    assert main(["export", "1", str(out)]) == 0
    data = out.read_bytes()
    rows = [json.loads(line) for line in (gzip.decompress(data) if name.endswith(".gz") else data).splitlines()]
    assert len(rows) == ROWS
    assert [row["pack_voltage"] for row in rows] == drive()[0].values[:, 0].tolist()
    assert [row.get("latitude") for row in rows[:2]] == [48.0, None]
    assert rows[1]["time"] == "2026-05-28T20:26:40.200000Z"


@pytest.mark.parametrize("name", ["mow.jsonl", "mow.jsonl.gz", "mow.bdf.csv", "mow.bdf.parquet"])
def test_open_formats_come_back_whole(store, tmp_path, name) -> None:
    out = tmp_path / name
    assert main(["export", "1", str(out)]) == 0
    assert main(["import", str(out), "--yes"]) == 0
    batch = drive()[0]
    with StoreReader.open(store) as reader:
        read = reader.arrays(2, batch.group.signals[:2])
    for signal, column in zip(batch.group.signals, batch.values.T[:2], strict=False):
        assert np.array_equal(read[signal][0], batch.t)
        assert np.array_equal(read[signal][1], column)


@pytest.mark.parametrize("name", ["mow.bdf.csv", "mow.bdf.parquet"])
def test_the_battery_data_format(store, tmp_path, name, capsys) -> None:
    out = tmp_path / name
    assert main(["export", "1", str(out)]) == 0
    assert "left out" in capsys.readouterr().err
    read = f"read_csv('{out}')" if name.endswith("csv") else f"read_parquet('{out}')"
    with duckdb.connect() as db:
        columns = [row[0] for row in db.execute(f"DESCRIBE SELECT * FROM {read}").fetchall()]
        rows = db.execute(f'SELECT "Test Time / s", "Voltage / V", "Current / A" FROM {read} ORDER BY 1').fetchall()
    assert columns[:4] == ["Test Time / s", "Unix Time / s", "Voltage / V", "Current / A"]
    t, volts, amps = (np.array(column) for column in zip(*rows, strict=True))
    np.testing.assert_allclose(t, np.arange(ROWS) / 5, atol=1e-9)
    np.testing.assert_array_equal(volts, drive()[0].values[:, 0])
    np.testing.assert_array_equal(amps, -drive()[0].values[:, 1])  # positive while charging


def test_a_track(store, tmp_path, capsys) -> None:
    out = tmp_path / "mow.gpx"
    assert main(["export", "1", str(out)]) == 0
    points = out.read_text().count("<trkpt")
    assert f"{points} rows written" in capsys.readouterr().out
    assert points < ROWS
    root = ElementTree.parse(out).getroot()
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    points = root.findall("g:trk/g:trkseg/g:trkpt", space)
    assert (root.get("version"), len(points), points[1].get("lon")) == ("1.1", 60, "16.00001000")
    assert points[0].find("g:time", space).text == "2026-05-28T20:26:40.000000Z"
    assert [each.find("g:name", space).text for each in root.findall("g:wpt", space)] == ["=1+1"]


def test_a_session_as_a_store_of_its_own(store, tmp_path, capsys) -> None:
    out = tmp_path / "one.sqlite3"
    assert main(["export", "1", str(out)]) == 0
    with StoreReader.open(store) as ours, StoreReader.open(out) as theirs:
        assert repr(theirs.events(1)) == repr(ours.events(1))  # an unknown value, NaN, is equal to nothing
        np.testing.assert_array_equal(*(r.arrays(1, ["pack_power"])["pack_power"][1] for r in (ours, theirs)))
    capsys.readouterr()
    assert main(["sessions", "--store", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["machine"] == "orchard cart"
    csv_file = tmp_path / "mow.csv"
    assert main(["export", "1", str(csv_file)]) == 0
    assert main(["export", str(csv_file), str(tmp_path / "two.sqlite3")]) == 2


def test_a_part_by_signals_and_moments(store, tmp_path, capsys) -> None:
    out = tmp_path / "part.csv"
    arguments = ["export", "1", str(out), "--signals", "pack_*", "--from", "0:10", "--to", "0:12", "--derived"]
    assert main(arguments) == 0
    rows = list(csv.DictReader(io.StringIO(out.read_text())))
    assert len(rows) == 11
    assert list(rows[0]) == [
        "time",
        "pack_voltage",
        "pack_current",
        "pack_temperature_1",
        "pack_power",
        "pack_resistance",
    ]
    assert rows[0]["time"] == "2026-05-28T20:26:50.000000Z"
    assert main(["export", "1", str(tmp_path / "none.csv"), "--signals", "pack_voltge"]) == 2
    assert "did you mean pack_voltage" in capsys.readouterr().err


def leads_to(name: str, folder: Path) -> str:
    """Return the file of questions that the page leads to, the folder put in."""
    docs = Path(__file__).parents[2] / "docs"
    assert f"](questions/{name})" in (docs / "exporting.md").read_text(encoding="utf-8")
    return (docs / "questions" / name).read_text(encoding="utf-8").replace("FOLDER", str(folder))


def questions(folder: Path) -> list[str]:
    """Return the statements in SQL; those that the page shows come first."""
    page = (Path(__file__).parents[2] / "docs" / "exporting.md").read_text(encoding="utf-8")
    statements = leads_to("questions.sql", folder)
    assert statements.startswith(page.split("```sql\n")[1].split("```")[0].replace("FOLDER", str(folder)))
    return [each for each in statements.split(";\n") if each.strip()]


DRIVES = ((1, "orchard cart", 2), (12, "orchard cart", 0), (40, "cart / two", 1), (41, "kart", 0))
"""Days after the first, machine, alarms."""


def more_drives(store: Path, folder: Path) -> None:
    """Add drives of two more machines, one of them without an alarm, in several weeks and months."""
    for day, machine, alarms in (
        (1, "orchard cart", 2),
        (12, "orchard cart", 0),
        (40, "cart / two", 1),
        (41, "kart", 0),
    ):
        record(store, machine, 86_400 * day * S, alarms)
    assert main(["export", "--all", str(folder)]) == 0


OF_STORE = """
WITH own AS (
  SELECT replace(replace(machine, ' / ', '_'), ' ', '_') AS machine, session.id AS session, signal, value, t,
    strftime('%Y-%m', started / 1000000, 'unixepoch') AS month
  FROM session JOIN source ON source.session = session.id JOIN series ON series.source = source.id
    JOIN narrow ON series = series.id),
drive AS (
  SELECT machine, session, month, (max(t) - min(t)) / 3.6e9 AS hours,
    date(min(t) / 1000000, 'unixepoch', 'weekday 0', '-6 days') AS week,
    max(value) FILTER (WHERE signal = 'energy_out') AS gone, max(value) FILTER (WHERE signal = 'energy_in') AS come
  FROM own GROUP BY session),
ordered AS (
  SELECT machine, month, value, row_number() OVER (PARTITION BY machine, month ORDER BY value) AS place,
    count(*) OVER (PARTITION BY machine, month) AS many
  FROM own WHERE signal = 'pack_resistance'),
raised AS (SELECT session, count(*) AS alarms FROM alarm WHERE state = 'raised' GROUP BY session)
SELECT machine, week, sum(gone) / 1000 FROM drive GROUP BY 1, 2 ORDER BY 1, 2;
SELECT machine, month, round(1000 * avg(value), 1) FROM ordered WHERE place IN ((many + 1) / 2, (many + 2) / 2)
GROUP BY 1, 2 ORDER BY 1, 2;
SELECT machine, value, count(*) FROM own WHERE signal = 'cell_min_number' GROUP BY 1, 2 ORDER BY 1, 3 DESC;
SELECT machine, coalesce(sum(alarms), 0) / sum(hours) FROM drive LEFT JOIN raised USING (session)
GROUP BY 1 ORDER BY 1;
SELECT machine, month, sum(come) / 1000 / 0.88 * 0.30 FROM drive GROUP BY 1, 2 ORDER BY 1, 2
"""


def agrees(answers: list[list[tuple[Any, ...]]], store: Path) -> None:
    """Hold an engine's answers to the five questions of the page against those of the store's own SQL."""
    with closing(sqlite3.connect(store)) as db:
        tables, _, rest = OF_STORE.partition("\nSELECT")
        wanted = [db.execute(tables + each).fetchall() for each in f"\nSELECT{rest}".split(";")]
    assert [len(rows) for rows in wanted] == [4, 4, 12, 3, 4]
    assert {row[0]: row[1] > 0 for row in wanted[3]} == {"cart_two": True, "kart": False, "orchard_cart": True}
    for given, expected in zip(answers, wanted, strict=True):
        dated = [tuple(str(each)[:10] if isinstance(each, datetime.date) else each for each in row) for row in given]
        assert [row[:-1] for row in sorted(dated)] == [row[:-1] for row in sorted(expected)]
        assert [row[-1] for row in sorted(dated)] == pytest.approx([row[-1] for row in sorted(expected)], rel=1e-12)
        assert [row[0] for row in given] == [row[0] for row in expected]


def test_polars_answers_the_same(store, tmp_path) -> None:
    pytest.importorskip("polars", reason="needs pip install 'shakedown[engines]'")
    more_drives(store, tmp_path / "all")
    names: dict[str, Any] = {}
    exec(leads_to("questions_polars.py", tmp_path / "all"), names)
    agrees([answer.rows() for answer in names["answers"]], store)


def test_spark_answers_the_same(store, tmp_path) -> None:
    """Takes half a minute, so only where somebody installed the extra for it: no run of all tests does."""
    session = pytest.importorskip("pyspark.sql", reason="needs pip install 'shakedown[spark]', and Java").SparkSession
    more_drives(store, tmp_path / "all")
    spark = (
        session.builder.master("local[1]")
        .config("spark.ui.enabled", "false")
        .config("spark.sql.shuffle.partitions", "1")
        .config("spark.sql.warehouse.dir", str(tmp_path))
        .getOrCreate()
    )
    try:
        setup = leads_to("questions_spark.py", tmp_path / "all")
        exec(setup, {"spark": spark})
        hours = setup.split("about alarms: ")[1].strip()
        asked = [each.replace("epoch(max(time) - min(time)) / 3600 AS h", hours) for each in questions(tmp_path)[2:]]
        assert hours in asked[3]
        agrees([list(map(tuple, spark.sql(each).collect())) for each in asked], store)
    finally:
        spark.stop()


def test_every_session_as_a_data_set_that_only_grows(store, tmp_path, capsys) -> None:
    folder = tmp_path / "all"
    assert main(["export", "--all", str(folder)]) == 0
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*.parquet")}
    capsys.readouterr()
    more_drives(store, folder)
    assert "4 sessions written" in capsys.readouterr().out
    assert {path: path.stat().st_mtime_ns for path in before} == before
    with duckdb.connect() as db:
        agrees([db.execute(each).fetchall() for each in questions(folder)][2:], store)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["export"], "needs a session and a file"),
        (["export", "1", "mow.doc"], "must end in"),
        (["export", "1", "x.csv", "--every", "soon"], "no length of time|is not a length of time"),
        (["export", "1", "x.csv", "--from", "noon"], "is no moment"),
        (["export", "1", "x.csv", "--all", "y"], "not both"),
    ],
)
def test_what_export_refuses(store, tmp_path, capsys, monkeypatch, arguments, says) -> None:
    monkeypatch.chdir(tmp_path)
    try:
        status = main(arguments)
    except SystemExit as left:
        status = left.code
    assert status == 2
    said = capsys.readouterr().err
    assert any(each in said for each in says.split("|")), said
    assert "Traceback" not in said


def test_mdf_has_groups_units_and_events_and_comes_back_whole(store, tmp_path, capsys) -> None:
    asammdf = pytest.importorskip("asammdf", reason="needs pip install 'shakedown[mdf]'")
    out = tmp_path / "mow.mf4"
    assert main(["export", "1", str(out)]) == 0
    with asammdf.MDF(out) as mdf:
        assert mdf.version == "4.10"
        assert mdf.header.start_time == datetime.datetime.fromtimestamp(START / S, datetime.UTC)
        assert 'name = "orchard cart"' in html.unescape(mdf.header.comment)
        assert [(event.name, event.comment, event.value) for event in mdf.events] == [
            ("alarm", "cell-voltage-low", 30.0),
            ("mark", "=1+1", 10.0),
        ]
        names = [group.channel_group.acq_name for group in mdf.groups]
        assert sorted(names) == ["bms: pack", "gps: place"]
        assert mdf.get("pack_voltage").unit == "V"
        for batch in drive()[:2]:
            for name, column in zip(batch.group.signals, batch.values.T, strict=True):
                read = mdf.get(name)
                assert np.array_equal(read.samples, column), "to the last bit"
                assert np.array_equal(np.round(read.timestamps * S), batch.t - START)
    capsys.readouterr()
    assert main(["import", str(out), "--yes", "--json"]) == 0
    (imported,) = json.loads(capsys.readouterr().out)
    assert set(imported["columns"]) == {*PACK.signals, *PLACE.signals}
    with StoreReader.open(store) as reader:
        pieces = [batch for span in reader.recording(imported["session"]).spans() for batch in span.batches]
    for batch in drive()[:2]:
        for name, column in zip(batch.group.signals, batch.values.T, strict=True):
            known = [(piece, np.isfinite(piece.column(name))) for piece in pieces]
            assert np.array_equal(np.concatenate([piece.t[mask] for piece, mask in known]), batch.t)
            assert np.array_equal(np.concatenate([piece.column(name)[mask] for piece, mask in known]), column)


def test_a_library_that_dies_over_a_file_is_one_sentence(tmp_path, monkeypatch) -> None:
    """Damaged MDF 4 brings down the process that reads it; here that process finds nothing to import."""
    pytest.importorskip("asammdf", reason="needs pip install 'shakedown[mdf]'")
    (tmp_path / "drive.mf4").write_bytes(b"")
    monkeypatch.setattr("sys.path", [])
    with pytest.raises(RecordingError, match="is damaged, or no"):
        mdf_table(tmp_path / "drive.mf4", tmp_path / "drive.parquet")


def test_a_library_that_goes_in_a_circle_is_stopped(tmp_path, monkeypatch) -> None:
    (tmp_path / "asammdf.py").write_text("while True: pass\n")
    (tmp_path / "drive.mf4").write_bytes(b"")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr("telemetry.recordings.foreign.mdf_table._PATIENCE_S", 1)
    with pytest.raises(RecordingError, match="is damaged, or no"):
        mdf_table(tmp_path / "drive.mf4", tmp_path / "drive.parquet")
