"""Tables by other loggers, in every form that is imported, and their column maps."""

from __future__ import annotations

import datetime
import io
import json
import os
import random
import signal
import time
import zipfile
from functools import partial
from importlib.util import find_spec
from typing import Literal

import numpy as np

from telemetry.model.errors import RecordingError
from telemetry.recordings.foreign.column_map import load_map, map_text
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.mdf_table import write_table
from telemetry.recordings.foreign.other_tables import plain_table
from telemetry.recordings.foreign.propose import proposed

from .changes import damaged
from .files import compressed, packed, put, read_whole, scratch
from .target import Target


def table(suffix: str, data: bytes) -> None:
    """Read a table of that kind as it is proposed."""
    path = put(f"table{suffix}", data)
    plain = plain_table(path, scratch())
    read_whole(MappedTable(plain, proposed(plain, path).column_map, path))


def table_examples() -> list[bytes]:
    """Return tables as other loggers lay them out."""
    rows = [(n, 52 + n / 100, 14.2 - n, f"10:00:{n:02d}", n * 1000) for n in range(30)]
    german = "Logger 3\n\nDatum;Uhrzeit;Spannung [V];Strom [A]\n" + "".join(
        f"04.05.2026;{clock};{v:.2f};{a:.1f}\n".replace(".", ",").replace("04,05,", "04.05.")
        for _, v, a, clock, _ in rows
    )
    tabs = "ms\tVolts\tAmps\n" + "".join(f"{ms}\t{v:.2f}\t{a:.1f}\n" for _, v, a, _, ms in rows)
    blanks = "# t_s volts amps\n" + "".join(f"  {t}   {v:.2f} {a:.1f} A\n" for t, v, a, _, _ in rows)
    return [german.encode(), german.encode("utf-16"), tabs.encode("utf-8-sig"), blanks.encode("cp1252")]


def column_map(data: bytes) -> None:
    """Read a column map and write it again."""
    text = map_text(load_map(put("map.toml", data)), "drive")
    assert load_map(put("again.toml", text.encode())) == load_map(put("map.toml", data))


def column_map_examples() -> list[bytes]:
    """Return column maps of several kinds."""
    names = 'header = ["Date", "Time", "U", "I"]\ndelimiter = ";"\ndecimal = ","\nencoding = "utf-16"\n'
    time = 'time = ["Date", "Time"]\ntime_is = "day first"\nzone = "+02:00"\n'
    columns = (
        '[columns]\nU = "pack_voltage"\nI = { signal = "pack_current", scale = -0.1, offset = 1, unknown = [999] }\n'
    )
    return [(names + time + columns).encode(), (names + 'time_is = "rows"\ninterval_s = 0.5\n' + columns).encode()]


ROWS = [(n / 5, 52 + n / 100, 14.25 - n, 3.2 + n / 1000, n % 2 == 0) for n in range(40)]
NAMES = ("t [s]", "Volts", "Amps", "cell 1", "deck on")


def workbook_examples() -> list[bytes]:
    """Return workbooks: times as numbers, as dates and as times of day."""
    from openpyxl import Workbook

    found = []
    begin = datetime.datetime(2026, 5, 4, 10)
    for kind in range(3):
        book = Workbook()
        assert book.active is not None
        book.active.append(("Logger 3",))
        book.active.append(NAMES)
        for t, *row in ROWS:
            moment = begin + datetime.timedelta(seconds=t)
            book.active.append(((t, moment, moment.time())[kind], *row))
        out = io.BytesIO()
        book.save(out)
        found.append(out.getvalue())
    return found


def unpacked_zip(rng: random.Random, examples: list[bytes]) -> bytes:
    """Damage a file within the archive, or the archive."""
    if rng.random() < 0.3:
        return in_place(rng, examples)
    with zipfile.ZipFile(io.BytesIO(rng.choice(examples))) as packed_in:
        inner = {each.filename: packed_in.read(each) for each in packed_in.infolist()}
    name = rng.choice([*inner, "xl/worksheets/sheet1.xml"])
    inner[name] = damaged(rng, [inner[name]])
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed_again:
        for name, data in inner.items():
            packed_again.writestr(name, data)
    return out.getvalue()


def in_place(rng: random.Random, examples: list[bytes]) -> bytes:
    """Change bytes of a file that is full of addresses, so that most of them still hold; sometimes cut it off."""
    if rng.random() < 0.3:
        return damaged(rng, examples)
    data = bytearray(rng.choice(examples))
    for _ in range(rng.choice((1, 1, 2, 8))):
        used = [place for place, byte in enumerate(data) if byte]
        place, size = rng.choice(used or [0]), rng.choice((1, 1, 2, 4, 8))
        odd = rng.choice(
            (0, 1, -1, 0x7F, 0x7FFF, 2**31 - 1, 2**31, 2**63, rng.getrandbits(64), data[place] ^ 1, data[place] + 1)
        )
        data[place : place + size] = (odd % 256**size).to_bytes(size, "little")
    return bytes(data)


def json_examples() -> list[bytes]:
    """Return flat objects and nested ones."""
    flat = "".join(json.dumps(dict(zip(NAMES, row, strict=True))) + "\n" for row in ROWS)
    nested = "".join(
        json.dumps({"ms": int(1000 * t), "pack": {"volts": v, "cells": [c, c]}}) + "\n" for t, v, _, c, _ in ROWS
    )
    return [flat.encode(), nested.encode()]


def track_examples() -> list[bytes]:
    """Return a track with speed and one without."""
    found = []
    for speed in ("<speed>2.5</speed>", ""):
        moments = [f"<time>2026-05-04T10:00:{n:02d}Z</time>{speed}" for n in range(30)]
        points = "".join(f'<trkpt lat="48.{n:04d}" lon="16.5">{each}</trkpt>' for n, each in enumerate(moments))
        track = f"<trk><trkseg>{points}</trkseg></trk>"
        found.append(f'<gpx xmlns="http://www.topografix.com/GPX/1/1">{track}</gpx>'.encode())
    return found


def parquet_examples() -> list[bytes]:
    """Return the Battery Data Format, and a table with times, days and words in columns of their own."""
    import pyarrow as pa
    from pyarrow import parquet

    t, volts, amps, _, deck = zip(*ROWS, strict=True)
    moments = pa.array([1_777_888_800_000_000_000 + int(each * 1e9) for each in t], pa.timestamp("ns"))
    tables = [
        pa.table({"Test Time / s": t, "Voltage / V": volts, "Current / A": [-each for each in amps]}),
        pa.table(
            {
                "Date": moments,
                "U [V]": volts,
                "I [A]": pa.array(amps, pa.float32()),
                "deck": deck,
                "note": ["ok"] * 40,
            }
        ),
    ]
    found = []
    for each in tables:
        out = io.BytesIO()
        parquet.write_table(each, out, compression="none")
        found.append(out.getvalue())
    return found


MDF_S, MDF_BYTES = 10.0, 600_000_000
"""What the process that reads an MDF 4 file may take; one that dies is told of in a sentence."""


def mdf(data: bytes) -> None:
    """Read MDF 4 as ``mdf_table`` does, in a fork in place of a new process, which takes a second to begin."""
    path, out = put("drive.mf4", data), put("mdf.parquet", b"")
    pid = os.fork()
    if not pid:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        signal.setitimer(signal.ITIMER_PROF, 0)
        try:
            write_table(str(path), str(out))
        except BaseException:
            os._exit(1)
        os._exit(0)
    ended, until = 0, time.monotonic() + MDF_S
    while not ended and time.monotonic() < until:
        time.sleep(0.001)
        ended, status, used = os.wait4(pid, os.WNOHANG)
    if not ended:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        return  # mdf_table stops it
    assert used.ru_maxrss * 1024 < MDF_BYTES, f"{used.ru_maxrss / 1e3:.0f} MB"
    if status:
        raise RecordingError("it cannot be read")
    read_whole(MappedTable(out, proposed(out, path).column_map, path))


def mdf_examples() -> list[bytes]:
    """Return two groups, plain and compressed, with a conversion to numbers and one to words."""
    from asammdf import MDF, Signal

    found, t = [], np.arange(60) / 5
    packings: tuple[tuple[str, Literal[0, 1, 2]], ...] = (("4.00", 0), ("4.10", 0), ("4.10", 2), ("4.20", 1))
    for version, packing in packings:
        path = put("example.mf4", b"")
        with MDF(version=version) as made:
            volts = Signal(50 + t, t, unit="V", name="pack_voltage")
            amps = Signal((t * 10).astype("u2"), t, unit="A", name="pack_current", conversion={"a": 0.1, "b": -5.0})
            words = {"val_0": 0, "text_0": "off", "val_1": 1, "text_1": "on"}
            deck = Signal((t > 5).astype("i1"), t + 0.1, name="deck", conversion=words)
            made.append([volts, amps], common_timebase=True)
            made.append([deck], common_timebase=True)
            made.save(path, overwrite=True, compression=packing)
        found.append(path.read_bytes())
    return found


_MDF = Target("mf4", "MDF 4", 1, mdf, mdf_examples, in_place, may_refuse=True)
TARGETS = (
    Target("table", "tables by other loggers", 4, partial(table, ".txt"), table_examples, may_refuse=True),
    Target("column-map", "column maps", 2, column_map, column_map_examples, may_refuse=True),
    Target("xlsx", "workbooks", 1, partial(table, ".xlsx"), workbook_examples, unpacked_zip, may_refuse=True),
    Target("jsonl", "JSON lines", 2, partial(table, ".jsonl"), json_examples, may_refuse=True),
    Target(
        "jsonl.gz",
        "JSON lines, compressed",
        1,
        partial(table, ".jsonl.gz"),
        compressed(json_examples),
        packed,
        may_refuse=True,
    ),
    Target("gpx", "GPX tracks", 2, partial(table, ".gpx"), track_examples, may_refuse=True),
    Target(
        "other-parquet",
        "Parquet by other tools",
        2,
        partial(table, ".parquet"),
        parquet_examples,
        in_place,
        may_refuse=True,
    ),
    *([_MDF] if find_spec("asammdf") else []),  # an extra
)
