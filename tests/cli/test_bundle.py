"""A bundle to ask for help: nothing of the owner's names and places is in any byte of it, unless asked for."""

from __future__ import annotations

import io
import sqlite3
import struct
import zipfile
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.events import AlarmChange, LinkChange, Mark
from telemetry.model.raw_bytes import RawBytes, packed
from telemetry.runs.anonymous_text import GONE, AnonymousText
from telemetry.runs.bundle import _may_hold_position
from telemetry.runs.log_file import log_path
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
NAME = "Wendelgard"
NAMES = (NAME, "Quellhof", "wquellhof", "B7X99120417", "AA:BB:CC:12:34:56", "usb-Zorb", "192.168.77.41")
HOME = "/".join(("", "home", "wquellhof"))
LATITUDE, LONGITUDE = 47.271653, 8.449127
MACHINE = f"""# {NAME}s mower, Quellhof 3, parked at 47.271653, 8.449127
[machine]
name = "{NAME}s mower"   # serial B7X99120417
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 105
[limits.cell-voltage-low]
warn = 2.9
[[source]]
driver = "serial-frames"
name = "{NAME} BMS"
port = "/dev/serial/by-id/usb-Zorb_B7X99120417-if00"
map = "{HOME}/pack.toml"
[[source]]
driver = "satellite-position"
name = "roof"
port = "/dev/ttyUSB7"
"""


def raw(source: str, *reads: bytes) -> RawBytes:
    data = b"".join(packed(CapturedPiece(START + n, source, "in", read)) for n, read in enumerate(reads))
    return RawBytes(START, source, START, START + len(reads) - 1, len(reads), data)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "sessions.sqlite3"
    t = START + 1_000_000 * np.arange(50)
    pack = Group(f"{NAME} BMS", "pack", ("pack_voltage", "pack_current", f"extra_{NAME.lower()}_level"))
    roof = Group("roof", "position", ("latitude", "longitude", "vehicle_speed"))
    where = np.column_stack((np.full(50, LATITUDE), np.full(50, LONGITUDE), np.full(50, 5.0)))
    events = (
        Mark(START, f"at {NAME}'s gate, Quellhof"),
        LinkChange(
            START, f"{NAME} BMS", "lost", "/dev/serial/by-id/usb-Zorb_B7X99120417-if00 is gone; plug it in again"
        ),
        AlarmChange(
            START, "cell-voltage-low", "cell_min_voltage", "trip", "raised", 2.4, 2.5, f"{MACHINE[:40]}: trip"
        ),
    )
    kept = (
        raw(f"{NAME} BMS", b"\xa5\x5a\x01\x02 52.1 volt", b"\x00Wendel", b"gard-B7X99120417\x00\x03"),
        raw("roof", b"$GPRMC,101010,A,4716.29918,N,00826.94762,E"),
        raw("spare", b"...$GNGGA,1", b"01010,4716.29918,N,00826.94762,E"),
    )
    with StoreWriter.open(path) as writer:
        for machine in (f"{NAME}s mower", f"other {NAME}"):
            writer.begin_session(
                machine, MACHINE, "replay", "absolute", START, START, f"{HOME}/{NAME}.csv",
                drivers={f"{NAME} BMS": "serial-frames", "roof": "satellite-position"},
            )  # fmt: skip
            values = np.column_stack((np.full(50, 52.0), np.full(50, 20.0), np.full(50, 1.0)))
            writer.offer(Span(int(t[-1]), (Batch(pack, t, values), Batch(roof, t, where)), events))
            writer.offer(Span(int(t[-1]), raw=kept))
            writer.end_session(START + 50_000_000)
    log_path().parent.mkdir(parents=True, exist_ok=True)
    log_path().write_text(
        f"source {NAME} BMS: none of the first 2000 bytes from 192.168.77.41 could be decoded\n"
        f'  File "{HOME}/.venv/telemetry/runs/join.py", line 5, in _go\nOSError: {NAME} 4716.29918 47.271653\n'
        "device AA:BB:CC:12:34:56 closed the connection\n"
    )
    return path


def every_byte(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as packed_file:
        return {name: packed_file.read(name) for name in packed_file.namelist()}


def places() -> list[bytes]:
    numbers = [struct.pack(order + "d", number) for number in (LATITUDE, LONGITUDE) for order in "<>"]
    return [*numbers, b"47.27", b"8.449", b"4716.2", b"0826.9"]


def test_no_name_and_no_position_is_in_any_byte(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "help.zip"
    assert main(["bundle", "1", str(out), "--store", str(store)]) == 0
    said = capsys.readouterr().out
    assert out.stat().st_mode & 0o077 == 0
    found = every_byte(out)
    for name, content in {**found, "the file itself": out.read_bytes()}.items():
        for planted in (*(each.encode() for each in NAMES), *(each.encode("utf-16-le") for each in NAMES), *places()):
            assert planted.lower() not in content.lower(), (name, planted)
    for name in found:
        assert name in said or name == "contents.txt"
    assert "positions" in said
    # what helps is still there
    (tmp_path / "asked").mkdir()
    inside = tmp_path / "asked" / "session.sqlite3"
    inside.write_bytes(found["session.sqlite3"])
    with StoreReader.open(inside) as reader:
        [session] = reader.sessions()
        assert session.duration_s == 50
        series = reader.arrays(1, ["pack_voltage", "vehicle_speed", "latitude"])
        assert {name: len(values[0]) for name, values in series.items()} == {"pack_voltage": 50, "vehicle_speed": 50}
        assert [event.t for event in reader.events(1)] == [START] * 3
        links, _ = reader.raw_links(1)
        assert [each.source for each in links] == ["source-1"]
        data = b"".join(piece.data for piece in reader.raw_pieces(1, ["source-1"]))
        assert data.startswith(b"\xa5\x5a\x01\x02 52.1 volt\x00xxx")
        assert data.endswith(b"x\x00\x03")
    machine, problems = parse_machine(found["machine.toml"].decode(), "machine.toml")
    assert problems == []
    assert machine is not None
    assert (machine.pack.capacity_ah, machine.pack.cells_in_series) == (105, 16)
    assert [source.name for source in machine.sources] == ["source-1", "source-2"]
    assert [source.driver for source in machine.sources] == ["serial-frames", "satellite-position"]
    assert b"none of the first 2000 bytes from _ could be decoded" in found["log.txt"]
    assert b"line 5, in _go" in found["log.txt"]
    assert b"Python 3." in found["versions.txt"]
    assert b"numpy" in found["versions.txt"]
    assert main(["report", "1", "--store", str(inside)]) == 0


def test_names_and_positions_stay_where_they_are_asked_for(store: Path, tmp_path: Path) -> None:
    out = tmp_path / "help.zip"
    assert main(["bundle", "2", str(out), "--with-names", "--with-positions", "--store", str(store)]) == 0
    found = every_byte(out)
    assert found["machine.toml"].decode() == MACHINE
    assert NAME.encode() in found["log.txt"]
    with closing(sqlite3.connect(":memory:")) as db:
        db.deserialize(found["session.sqlite3"])
        assert db.execute("SELECT latitude FROM group_position LIMIT 1").fetchone() == (LATITUDE,)
        assert db.execute("SELECT machine FROM session").fetchall() == [(f"other {NAME}",)]
        assert db.execute("SELECT count(*) FROM raw_bytes").fetchone() == (3,)


def test_a_bundle_in_the_way_is_not_replaced(store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "help.zip"
    out.write_bytes(b"mine")
    assert main(["bundle", "last", str(out), "--store", str(store)]) == 2
    assert "--replace" in capsys.readouterr().err
    assert out.read_bytes() == b"mine"
    assert main(["bundle", "last", str(out), "--replace", "--store", str(store)]) == 0
    assert zipfile.is_zipfile(out)
    assert main(["bundle", "drive.csv", str(out), "--store", str(store)]) == 2


def test_words_of_the_program_and_names_of_signals_stay_and_others_do_not() -> None:
    plain = AnonymousText({}, ())
    assert plain("pack_voltage fell at Quellhof") == f"pack_voltage fell at {GONE}"
    assert AnonymousText({"roof": "source 2"}, (NAME,))(f"{NAME} mended roof") == f"{GONE} mended source 2"


# NMEA 2000: parameter group 129025 is the position, 127508 the battery's status.
@pytest.mark.parametrize(("identifier", "holds"), [(0x89F80123, True), (0x99F21423, False), (0x123, False)])
def test_frames_that_may_hold_a_position_are_told_from_others(identifier: int, holds: bool) -> None:
    piece = CapturedPiece(START, "bus", "in", identifier.to_bytes(4, "big") + bytes(8))
    assert _may_hold_position(piece.data, [[piece]]) is holds
