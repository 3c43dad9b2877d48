"""Seeded, spoilt files of every kind that a stranger may send: never a traceback, no second, no 200 MB.

Each kind is tried in a child process, so that the time and memory measured are its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="measures a child by POSIX means")

ROOT = Path(__file__).parents[2]
CHILD = r"""
import json, random, resource, sys, time
from pathlib import Path
from telemetry.model.errors import ShakedownError

kind, folder = sys.argv[1], Path(sys.argv[2])
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[machine]\nmass_kg = 430\n'
MAP = (ROOT / "tests/drivers/count_frames.toml").read_text()
DBC = (ROOT / "drivers/decode/catalogues/rv_c.dbc").read_text()
CSV = "t,pack_voltage,pack_current\n" + "".join(f"{t},{52 - t / 100:.2f},{20 + t % 7}\n" for t in range(200))
BITS = ["\x1b[2J", "\x00", "9" * 400, "[" * 300, "a." * 200, "-1e999", "nan", "4294967296", "\u202e", '"', "'", "\n",
        "=", "|", "{", "}", "1_0", "0x", ",", ";", "\ufeff", "\ud7ff", "inf", "--", "[[source]]\n"]

def machine(path):
    from telemetry.runs.subjects import machine_for_watch
    machine_for_watch(path)

def frame_map(path):
    from drivers.decode.frame_map import load_frame_map
    load_frame_map(path)

def catalogue(path):
    from drivers.decode.message_catalogue import read_catalogue
    read_catalogue(path)

def recording(path):
    from telemetry.analysis.series import read_series
    from telemetry.recordings.reading import open_recording
    read_series(open_recording(path))

def parquet_bytes():
    import pyarrow as pa
    from pyarrow import parquet
    from io import BytesIO
    out = BytesIO()
    parquet.write_table(pa.table({"t": [float(t) for t in range(200)], "pack_voltage": [52.0] * 200}), out)
    return out.getvalue()

KINDS = {
    "machine": (".toml", lambda: PACK.encode(), machine, 150),
    "frame-map": (".toml", lambda: MAP.encode(), frame_map, 150),
    "dbc": (".dbc", lambda: DBC.encode(), catalogue, 60),
    "csv": (".csv", lambda: CSV.encode(), recording, 100),
    "parquet": (".parquet", parquet_bytes, recording, 100),
}
suffix, make, look, count = KINDS[kind]
sound = make()
path = folder / f"spoilt{suffix}"
path.write_bytes(sound)
try:
    look(path)  # loads what is loaded once; the machine file has no source, so it may be refused
except ShakedownError:
    pass
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
chance, slowest, refused = random.Random(11), 0.0, 0
for number in range(count):
    content = bytearray(sound)
    for _ in range(chance.randint(1, 6)):
        place = chance.randrange(len(content))
        how = chance.randrange(4)
        if how == 0:
            content[place] ^= 1 << chance.randrange(8)
        elif how == 1:
            content[place:place] = chance.choice(BITS).encode()
        elif how == 2:
            del content[place : place + chance.randint(1, 40)]
        else:
            content[place:place] = content[place : place + 200] * chance.randint(1, 20)
        content = content or bytearray(b" ")
    path.write_bytes(content)
    began = time.process_time()
    try:
        look(path)
    except ShakedownError as error:
        refused += 1
        assert str(error).replace("\n", "").isprintable(), ascii(str(error))
    slowest = max(slowest, time.process_time() - began)
grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
print(json.dumps({"slowest_s": slowest, "grown_mb": grown, "refused": refused}))
"""


@pytest.mark.parametrize("kind", ["machine", "frame-map", "dbc", "csv", "parquet"])
def test_spoilt_files_are_one_sentence_and_cheap(kind: str, tmp_path: Path) -> None:
    code = f"from pathlib import Path\nROOT = Path({str(ROOT)!r})\n{CHILD}"
    done = subprocess.run(
        [sys.executable, "-c", code, kind, str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["refused"] > 5
    assert found["slowest_s"] < 1.0, found
    if sys.platform == "linux":  # elsewhere the figure is in other units
        assert found["grown_mb"] < 200, found


def test_one_wild_value_does_not_take_all_memory_in_a_chart(tmp_path: Path) -> None:
    paths = []
    for wild in ("1e300", "-1e300", "1e12"):
        rows = [f"{t},{wild if t == 60 else 52},{20 + t % 7}\n" for t in range(120)]
        paths.append(tmp_path / f"{wild}.csv")
        paths[-1].write_text("t,pack_voltage,pack_current\n" + "".join(rows), "utf-8")
    limit = "import resource; resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))\n"
    run = "import sys\nfrom telemetry.cli import main\n"
    run += "sys.exit(bool({main(['report', each]) for each in sys.argv[1:]} - {0, 2}))"
    done = subprocess.run(
        [sys.executable, "-c", limit + run, *map(str, paths)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr[-2000:]
