"""Readers of files: recordings, logs, captures, machine files, maps, catalogues. They may refuse, in a sentence."""

from __future__ import annotations

import gzip
import io
import os
import random
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache, partial
from pathlib import Path
from zlib import crc32

from drivers.can_log import open_log
from drivers.decode.can_batches import CanBatches
from drivers.decode.can_frames import CanFrame
from drivers.decode.can_standards import FOLDER, DecodingSettings, owners_messages
from drivers.decode.capture_check import check_capture
from drivers.decode.frame_map import load_frame_map
from drivers.decode.message_catalogue import CatalogueSettings, read_catalogue, wanted_of
from drivers.satellite_position import SatellitePositionDriver
from drivers.serial_text import SerialTextDriver
from telemetry.analysis.series import read_series
from telemetry.driver import DriverContext
from telemetry.machine.first_power_steps import STEPS
from telemetry.machine.fit import fit
from telemetry.machine.limits import limits_for, unjudged
from telemetry.machine.machine_file import Machine, load_machine
from telemetry.model.capture import CapturedPiece, CaptureWriter, read_capture
from telemetry.model.clock import SystemClock
from telemetry.model.errors import NothingReadable
from telemetry.model.recording import Recording
from telemetry.model.tables import read_table
from telemetry.pipeline.registry import check_settings
from telemetry.recordings.reading import open_recording
from telemetry.runs.link_recording import capture_recording

from .changes import damaged
from .streams import BEGIN, ROOT, decode, frame_examples, frame_maps
from .target import Target, check_batches


@cache
def scratch() -> Path:
    """Return a folder of this process, in memory where the system has such a place."""
    memory = Path("/dev/shm")  # a fixed place of Linux
    folder = tempfile.TemporaryDirectory(prefix="fuzz-", dir=memory if memory.is_dir() else None)
    _FOLDERS.append(folder)
    return Path(folder.name)


_FOLDERS: list[tempfile.TemporaryDirectory[str]] = []


def put(name: str, data: bytes) -> Path:
    """Write ``data`` to a file of that name."""
    path = scratch() / f"{os.getpid()}-{name}"
    path.write_bytes(data)
    return path


def read_whole(recording: Recording) -> None:
    """Read a recording to its end, both ways: as a replay plays it, and as a report reads it."""
    for span in recording.spans(64):
        check_batches(span.batches)
    assert all(text.strip() for text in recording.warnings)
    read_series(recording)


def recording(name: str) -> Callable[[bytes], None]:
    """Return what reads a recording of that kind."""
    return lambda data: read_whole(open_recording(put(name, data)))


def csv_examples() -> list[bytes]:
    """Return recordings with relative and absolute times."""
    head = "{},pack_voltage,pack_current,cell_01_voltage,discharge_allowed,speed of mower\n"
    rows = "".join(f"{{}}{n},{52 + n / 100:.2f},{14.2 - n:.1f},3.31{n % 10},1,{n}\n" for n in range(20))
    relative = head.format("t") + rows.replace("{}", "")
    absolute = head.format("time") + "".join(
        row.format(f"2026-05-04T10:00:{number:02d}Z")[:20] + row[2 + len(str(number)) :] + "\n"
        for number, row in enumerate(rows.splitlines())
    )
    quoted = relative.replace(",3.31", ',"3.31').replace(",1,", '",1,')
    return [
        relative.encode(),
        absolute.encode(),
        quoted.encode(),
        b"\xef\xbb\xbf" + relative.replace("\n", "\r\n").encode(),
    ]


def packed(rng: random.Random, examples: list[bytes]) -> bytes:
    """Damage what is inside of a compressed file, or the compressed bytes, or make it expand without end."""
    kind = rng.random()
    if kind >= 0.6:
        return damaged(rng, examples)
    examples = [gzip.decompress(each) for each in examples]
    if kind < 0.001:
        return _bomb(examples[0], rng.choice((b"1," * 64, b"0\n", b" ")))
    return gzip.compress(damaged(rng, examples), 1, mtime=0)


def _bomb(begin: bytes, filler: bytes) -> bytes:
    """Return what expands to two million fillers, made in pieces: this process's own memory is what is measured."""
    made = io.BytesIO()
    with gzip.GzipFile("", "wb", 9, made, mtime=0) as packing:
        packing.write(begin)
        for _ in range(32):
            packing.write(filler * 2**16)
    return made.getvalue()


def compressed(examples: Callable[[], list[bytes]]) -> Callable[[], list[bytes]]:
    """Return what makes the same examples, compressed."""
    return lambda: [gzip.compress(each, 1, mtime=0) for each in examples()]


def parquet_examples() -> list[bytes]:
    """Return the table of the CSV example in several layouts."""
    import pyarrow as pa
    from pyarrow import parquet

    columns = {
        "t": [n / 5 for n in range(60)],
        "pack_voltage": [52.0 + n % 7 for n in range(60)],
        "pack_current": [None if n % 9 == 0 else float(n) for n in range(60)],
        "soc_reported": [80] * 60,
    }
    times = pa.array([BEGIN + 200_000 * n for n in range(60)], pa.timestamp("us", tz="UTC"))
    tables = [
        pa.table(columns),
        pa.table({"time": times} | {k: v for k, v in columns.items() if k != "t"}),
        pa.table(
            {"time": times.cast(pa.timestamp("ns", tz="UTC")), "soc_reported": pa.array([1.5] * 60, pa.float32())}
        ),
    ]
    found = []
    for number, table in enumerate(tables):
        out = io.BytesIO()
        parquet.write_table(table, out, compression=("none", "snappy", "zstd")[number], row_group_size=25)
        found.append(out.getvalue())
    return found


def can_log(suffix: str) -> Callable[[bytes], None]:
    """Return what reads a log of CAN frames of that kind."""
    return lambda data: read_whole(
        open_log(put(f"drive{suffix}", data), DecodingSettings(standard=("rv-c", "nmea-2000")))
    )


def can_log_examples(suffix: str) -> list[bytes]:
    """Return logs as python-can writes them: frames of 11 and 29 bits, errors, a remote frame, FD."""
    import can

    found = []
    for fd in (False, True):
        path = scratch() / f"example{fd}{suffix}"
        plain = {"compression_level": 0} if suffix == ".blf" else {}  # so that damage reaches what is in containers
        with can.Logger(path, **plain) as log:
            for n in range(24):
                t = 1_764_000_000.0 + n / 50
                data = bytes((1, 120)) + (1000 + n).to_bytes(2, "little") + (2 * 10**9 + n).to_bytes(4, "little")
                log.on_message_received(can.Message(t, 0x19FFFD46, True, data=data, channel=n % 2))
                log.on_message_received(can.Message(t, 0x99, False, data=data[:3], channel=0, is_rx=n % 3 > 0))
                if n % 8 == 0:
                    log.on_message_received(can.Message(t, 0x120, False, is_remote_frame=True, dlc=2, channel=0))
                    log.on_message_received(can.Message(t, is_error_frame=True, channel=0))
                if fd:
                    log.on_message_received(can.Message(t, 0x77, False, is_fd=True, data=bytes(24), channel=0))
        found.append(path.read_bytes())
    return found


def device_log(driver: type[SerialTextDriver | SatellitePositionDriver]) -> Callable[[bytes], None]:
    """Return what reads a log of a device's lines, or of sentences."""
    own = {"time_column": "ms"} if driver is SerialTextDriver else {}
    context = DriverContext("board", {"port": "loop://"} | own, SystemClock())
    return lambda data: read_whole(driver.recording(put("drive.txt", data), context))


def text_log_examples() -> list[bytes]:
    """Return lines of a board with and without times before them."""
    lines = [f"ms={20 * n} pack_voltage={52 + n / 100} pack_current={n}\n" for n in range(40)]
    stamped = [f"2026-05-01 10:00:{n:02d}.250 {line}" for n, line in enumerate(lines)]
    return ["".join(each).encode() for each in (lines, stamped)]


def nmea_log_examples() -> list[bytes]:
    """Return sentences: the standard's own example and one common in receivers' manuals."""
    said = (
        b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    )
    return [20 * said, b"".join(b"[12:00:%02d] %s" % (n, said) for n in range(20))]


def capture(data: bytes) -> None:
    """Read a capture and run a frame map over it, as the command that checks maps does."""
    path = put("drive.capture", data)
    for line in check_capture(frame_maps()[crc32(data) % len(frame_maps())], read_capture(path)):
        assert line.isprintable(), "a line that steers the terminal"
    with suppress(NothingReadable):  # bytes of another map
        read_whole(capture_recording(path, listening()))


@cache
def listening() -> Machine:
    """Return a machine with the source that the captures are of."""
    frames = put("pack.toml", (ROOT / "drivers/simulated/plain_pack.toml").read_bytes())
    pack = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
    source = f'[[source]]\ndriver = "serial-frames"\nname = "pack 1"\nport = "loop://"\nmap = "{frames}"\n'
    return load_machine(put("captured.toml", (pack + source).encode()))


def capture_examples() -> list[bytes]:
    """Return a capture of each map's frames."""
    found = []
    for data in frame_examples():
        out = io.StringIO()
        writer = CaptureWriter(out, BEGIN)
        for number, start in enumerate(range(1, len(data), 20)):
            writer.write(CapturedPiece(BEGIN + number * 10_000, "pack 1", "in", data[start : start + 20]))
            writer.write(CapturedPiece(BEGIN + number * 10_000 + 5, "pack 1", "out", b"\xa5\x5a\x01"))
        found.append(out.getvalue().encode())
    return found


def machine(data: bytes) -> None:
    """Read a machine file; where it is accepted, build its limits and judge how its parts fit."""
    read = load_machine(put("machine.toml", data), partial(check_settings, folder=scratch()))
    limits_for(read)
    unjudged(read)
    fit(read)
    for step in STEPS:
        step.is_withheld(read)


def machine_examples() -> list[bytes]:
    """Return the machine files of the documentation and of the simulator."""
    files = [*(ROOT / "docs/machines").glob("*.toml"), *(ROOT / "replay_data").glob("*.toml")]
    sources = """
[[source]]
driver = "serial-text"
port = "/dev/ttyUSB0"
columns = { u_bat = { signal = "pack_voltage", scale = 0.001, unknown = [65535] } }
[[source]]
driver = "modbus"
host = "192.0.2.7"
[[source.register]]
address = 12
type = "s16"
signal = "pack_current"
[[source]]
driver = "can-messages"
interface = "socketcan"
channel = "can0"
standard = ["rv-c"]
"""
    pack = 'chemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
    return [*(path.read_bytes() for path in sorted(files)), f"[pack]\n{pack}{sources}".encode()]


def frame_map(data: bytes) -> None:
    """Read a frame map; where it is accepted, decode bytes by it."""
    read = load_frame_map(put("pack.toml", data))
    for each in frame_examples()[::2]:
        decode(read, each)


def frame_map_examples() -> list[bytes]:
    """Return the maps of the simulator and of the page on frame maps."""
    page = (ROOT / "docs/frame-map.md").read_text(encoding="utf-8")
    texts = [part.partition("```")[0] for part in page.split("```toml\n")[1:]]
    pack = (ROOT / "drivers/simulated/plain_pack.toml").read_text(encoding="utf-8")
    return [pack.encode(), *(text.encode() for text in texts if "[frame]" in text and "[message" in text)]


def catalogue(suffix: str) -> Callable[[bytes], None]:
    """Return what reads a message catalogue of that kind, and frames by it."""

    def run(data: bytes) -> None:
        path = put(f"device{suffix}", data)
        layouts = read_catalogue(path)
        names = {
            f"{each.name}.{field}": f"extra_{n}"
            for n, each in enumerate(layouts[:4])
            for field in list(each.fields)[:1]
        }
        settings, problems = read_table(CatalogueSettings, {"catalogue": str(path), "signals": names})
        if settings is None:
            assert problems
            return
        messages = owners_messages(wanted_of(settings))
        if not messages:
            return
        batches = CanBatches("bus", messages, 250_000)
        rng = random.Random(1)
        for number, layout in enumerate(layouts[:8] * 4):
            batches.feed([CanFrame(BEGIN + number * 1000, layout.key, rng.randbytes(rng.choice((0, 1, 8, 8, 8))))])
        batches.close_due(BEGIN + 10**9)
        check_batches(batches.taken())

    return run


_KCD = """<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/><Bus name="b">
<Message id="0x1" name="M" length="8"><Signal name="S" offset="0" length="8"/>
<Signal name="T" offset="8" length="16" endianess="big"><Value type="signed" slope="0.1" intercept="-3"/></Signal>
</Message></Bus></NetworkDefinition>
"""
_SYM = """FormatVersion=6.0 // a note
Title="pack"
{ENUMS}
Enum=State(0="off", 1="on", 255="not available")
{SIGNALS}
Sig=Voltage unsigned 16 /u:V /f:0.1 /max:100
Sig=State unsigned 8 /e:State
{RECEIVE}
[Pack]
ID=100h
Len=8
Sig=Voltage 0
Sig=State 16
"""


def dbc_examples() -> list[bytes]:
    """Return the catalogues of the open standards, and one with multiplexed and extended signals."""
    own = (
        'VERSION ""\nBS_:\nBU_: A\nBO_ 512 Pack: 8 A\n SG_ Mux M : 0|8@1+ (1,0) [0|3] "" A\n'
        ' SG_ Volt m0 : 8|16@1- (0.1,-10) [0|0] "V" A\n SG_ Amp m1 : 8|32@0- (0.01,0) [-500|500] "A" A\n'
        'BO_ 2566844672 Far: 8 A\n SG_ State : 7|2@0+ (1,0) [0|3] "" A\n'
        'VAL_ 2566844672 State 0 "off" 1 "on" 3 "not available" ;\n'
        "SIG_VALTYPE_ 512 Amp : 1;\nSG_MUL_VAL_ 512 Volt Mux 0-0, 2-3;\n"
    )
    return [own.encode(), *(path.read_bytes()[:4000] for path in sorted(FOLDER.glob("*.dbc")))]


def _log(suffix: str, share: int) -> Target:
    examples: Callable[[], list[bytes]] = partial(can_log_examples, suffix.removesuffix(".gz"))
    make: Callable[[random.Random, list[bytes]], bytes] = damaged
    if suffix.endswith(".gz"):
        examples, make = compressed(examples), packed
    return Target(f"log{suffix}", f"CAN logs, {suffix}", share, can_log(suffix), examples, make, may_refuse=True)


TARGETS = (
    Target("csv", "recordings, .csv", 6, recording("drive.csv"), csv_examples, may_refuse=True),
    Target(
        "csv.gz",
        "recordings, .csv.gz",
        3,
        recording("drive.csv.gz"),
        compressed(csv_examples),
        packed,
        may_refuse=True,
    ),
    Target("parquet", "recordings, .parquet", 4, recording("drive.parquet"), parquet_examples, may_refuse=True),
    *(_log(suffix, 2) for suffix in (".asc", ".blf", ".csv", ".log", ".trc", ".asc.gz", ".blf.gz")),
    Target("text-log", "logs of lines", 4, device_log(SerialTextDriver), text_log_examples, may_refuse=True),
    Target(
        "nmea-log", "logs of sentences", 3, device_log(SatellitePositionDriver), nmea_log_examples, may_refuse=True
    ),
    Target("capture", "captures of raw bytes", 4, capture, capture_examples, may_refuse=True),
    Target("machine", "machine files", 4, machine, machine_examples, may_refuse=True),
    Target("frame-map", "frame maps", 4, frame_map, frame_map_examples, may_refuse=True),
    Target("dbc", "message catalogues, .dbc", 3, catalogue(".dbc"), dbc_examples, may_refuse=True),
    Target("kcd", "message catalogues, .kcd", 2, catalogue(".kcd"), lambda: [_KCD.encode()], may_refuse=True),
    Target("sym", "message catalogues, .sym", 2, catalogue(".sym"), lambda: [_SYM.encode()], may_refuse=True),
)
