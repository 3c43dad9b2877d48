"""What a terminal program kept of a board or a receiver becomes a recording, by the sources of a machine file."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.device_clock import OwnTime
from drivers.decode.log_stamps import LogStamps
from drivers.satellite_position import timed
from telemetry.cli import main
from telemetry.machine.machine_file import load_machine
from telemetry.model.batch import Batch, merged
from telemetry.model.errors import InputError, NothingReadable
from telemetry.model.recording import Recording
from telemetry.runs.subjects import open_subject

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
BOARD = PACK + (
    '[[source]]\ndriver = "serial-text"\nname = "board"\nport = "/dev/ttyUSB0"\nsign_of_current = "charge-positive"\n'
    'time_column = "ms"\n[source.columns]\nu = "pack_voltage"\ni = "pack_current"\n'
)
RECEIVER = PACK + '[[source]]\ndriver = "satellite-position"\nname = "receiver"\nport = "/dev/ttyUSB0"\n'


def opened(tmp_path: Path, machine: str, name: str, text: str) -> Recording:
    (tmp_path / "m.toml").write_text(machine)
    path = tmp_path / name
    path.write_bytes(gzip.compress(text.encode()) if name.endswith(".gz") else text.encode())
    return open_subject(str(path), tmp_path / "store.sqlite3", load_machine(tmp_path / "m.toml"))


def rows_of(recording: Recording, rows: int = 8192) -> Batch:
    return merged([batch for span in recording.spans(rows) for batch in span.batches])


LINES = [f"ms={1000 + 20 * n} u={52 + n / 100:.2f} i={-n}" for n in range(100)]


@pytest.mark.parametrize("name", ["drive.txt", "drive.log", "drive.txt.gz", "drive"])
def test_lines_of_a_board_are_timed_by_its_own_count(tmp_path: Path, name: str) -> None:
    recording = opened(tmp_path, BOARD, name, "\r\n".join(LINES) + "\r\n")
    assert isinstance(recording, Recording)
    assert (recording.time_basis, recording.start) == ("relative", 0)
    batch = rows_of(recording, 7)
    assert batch.t.tolist() == [20_000 * n for n in range(99)], "the first line may lack its beginning, as live"
    assert batch.column("pack_voltage") == pytest.approx(52 + np.arange(1, 100) / 100)
    assert batch.column("pack_current") == pytest.approx(np.arange(1, 100)), "turned round, as live"


@pytest.mark.parametrize(
    ("stamp", "start"),
    [
        (lambda t: f"{t:%Y-%m-%d %H:%M:%S.%f} ", datetime(2026, 5, 1, 4, 14, 59, 900_000, UTC)),  # the tests' zone
        (lambda t: f"[{t:%Y-%m-%dT%H:%M:%S.%f}Z] ", datetime(2026, 5, 1, 9, 59, 59, 900_000, UTC)),
        (lambda t: f"{t:%Y-%m-%d %H:%M:%S.%f}+0200;", datetime(2026, 5, 1, 7, 59, 59, 900_000, UTC)),
        (lambda t: f"({t.replace(tzinfo=UTC).timestamp():.6f}) ", datetime(2026, 5, 1, 9, 59, 59, 900_000, UTC)),
    ],
)
def test_times_in_front_of_the_lines_are_taken(tmp_path: Path, stamp: object, start: datetime) -> None:
    began = datetime(2026, 5, 1, 9, 59, 59, 900_000)
    text = "".join(f"{stamp(began + timedelta(milliseconds=20 * n))}{line}\n" for n, line in enumerate(LINES))  # type: ignore[operator]
    recording = opened(tmp_path, BOARD.replace('time_column = "ms"\n', ""), "drive.log", text)
    assert recording.time_basis == "absolute"
    assert recording.start == pytest.approx(start.timestamp() * 1e6 + 20_000, abs=1), "the first may lack a part"
    batch = rows_of(recording)
    assert np.diff(batch.t) == pytest.approx(20_000, abs=1)
    assert batch.column("pack_voltage") == pytest.approx(52 + np.arange(1, 100) / 100)


def test_a_time_of_day_counts_from_the_first_line_and_over_midnight(tmp_path: Path) -> None:
    text = "[23:59:58.500] u=52\n[23:59:59.500] u=52.1\n[00:00:00.500] u=52.2\n  more of it\n[00:00:01.500] u=52.3\n"
    recording = opened(tmp_path, BOARD.replace('time_column = "ms"\n', ""), "drive.txt", text)
    assert recording.time_basis == "relative"
    assert rows_of(recording).t.tolist() == [1_000_000, 2_000_000, 3_000_000]


def test_lines_without_any_time_follow_at_the_interval_that_is_stated(tmp_path: Path) -> None:
    """Those that are no reading, such as what a board prints as it begins, take no time."""
    board = BOARD.replace('time_column = "ms"', "interval_s = 0.25")
    recording = opened(tmp_path, board, "drive.txt", "booting\n" + "".join(f"u={52 + n}\n" for n in range(9)))
    batch = rows_of(recording)
    assert np.diff(batch.t).tolist() == [250_000] * (len(batch) - 1)
    assert batch.column("pack_voltage") == pytest.approx(np.arange(len(batch)) + 61 - len(batch))
    assert "each row is 0.25 s after the last" in " ".join(recording.warnings)


def test_lines_without_any_time_say_what_to_state(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no time in front of its lines, and the source states no time_column"):
        opened(tmp_path, BOARD.replace('time_column = "ms"\n', ""), "drive.txt", "u=52.1\nu=52.2\n")


def test_import_says_what_the_lines_of_a_board_need(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "m.toml").write_text(BOARD.replace('time_column = "ms"\n', ""))
    (tmp_path / "drive.txt").write_text("booting\n" + "u=52.1 i=3\n" * 5)
    command = ["import", f"{tmp_path}/drive.txt", "--yes", "--store", f"{tmp_path}/s.sqlite3"]
    assert main(command) == 2
    assert "if a device sent its lines, give --machine FILE" in capsys.readouterr().err
    assert main([*command, "--machine", f"{tmp_path}/m.toml"]) == 2
    assert "or else interval_s, the seconds between its rows" in capsys.readouterr().err


def test_lines_of_which_nothing_is_of_use_say_what_was_seen(tmp_path: Path) -> None:
    with pytest.raises(NothingReadable, match=r"drive.txt: none of 2 lines \(18 bytes\) could be read \(.+\); check"):
        opened(tmp_path, BOARD, "drive.txt", "booting\nready now\n")


def test_a_log_without_a_source_for_it_says_which_are_needed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "m.toml").write_text(BOARD)
    (tmp_path / "walk.nmea").write_text("".join(sentences(datetime(2026, 5, 1, 10, tzinfo=UTC), 3)))
    assert main(["report", f"{tmp_path}/walk.nmea", "--machine", f"{tmp_path}/m.toml"]) == 2
    assert "give --machine FILE with a [[source]] whose driver is satellite-position" in capsys.readouterr().err


@given(
    st.lists(st.integers(0, 60_000), min_size=1, max_size=30),
    st.lists(st.integers(0, 60_000), min_size=1, max_size=30),
    st.one_of(st.none(), st.just(65536.0)),
)
def test_own_time_steps_as_the_device_counts(first: list[int], second: list[int], wraps: float | None) -> None:
    """The sum of all steps, over a wrap of 16 bits too; a restart's first row takes the time of the row before."""
    raw = np.cumsum([5_000, *first])
    shown = raw if wraps is None else raw % int(wraps)
    assert np.diff(OwnTime("ms", wraps).map(shown.tolist(), 0)).tolist() == [1000 * step for step in first]
    if wraps is None:
        again = np.cumsum([0, *second])
        clock = OwnTime("ms")
        t = clock.map([*(raw + 10_000_000).tolist(), *again.tolist()], 0)
        assert np.diff(t).tolist() == [*(1000 * step for step in first), 0, *(1000 * step for step in second)]
        assert clock.restarts == 1


def test_one_mangled_time_of_the_device_moves_nothing() -> None:
    assert OwnTime("ms").map([1000, 1020, 91_040_000, 1060, 1080], 0) == [0, 20_000, 20_000, 60_000, 80_000]


def sentences(began: datetime, count: int, dated: bool = True) -> list[str]:
    """What a receiver prints once a second, through pynmea2's own writer."""
    found = []
    for n in range(count):
        t = began + timedelta(seconds=n)
        place = ("4812.3456", "N", f"01134.{5000 + n:04d}", "E")
        clock = f"{t:%H%M%S}.00"
        if dated:
            found.append(
                str(pynmea2.RMC("GP", "RMC", (clock, "A", *place, "10.0", "90.0", f"{t:%d%m%y}", "", "", "A")))
            )
        found.append(
            str(pynmea2.GGA("GP", "GGA", (clock, *place, "1", "08", "0.9", "500.0", "M", "46.9", "M", "", "")))
        )
    return [f"{each}\r\n" for each in found]


def test_sentences_are_timed_by_what_they_say(tmp_path: Path) -> None:
    began = datetime(2026, 4, 30, 23, 59, 55, tzinfo=UTC)
    said = sentences(began, 10)
    text = "".join([said[1], *said, "$GPGGA,broken\r\n"])  # begins with a sentence that states no date
    recording = opened(tmp_path, RECEIVER, "walk.nmea", text)
    assert recording.time_basis == "absolute"
    batch = rows_of(recording)
    assert (batch.t - began.timestamp() * 1e6)[-9:] == pytest.approx(1e6 * np.arange(1, 10), abs=200_000)
    assert batch.column("longitude")[-1] == pytest.approx(11 + 34.5009 / 60)
    assert batch.column("vehicle_speed")[-1] == pytest.approx(18.52)


def test_sentences_without_a_date_count_from_the_first(tmp_path: Path) -> None:
    recording = opened(
        tmp_path, RECEIVER, "walk.log.gz", "".join(sentences(datetime(2026, 1, 1, 23, 59, 58), 4, dated=False))
    )
    assert recording.time_basis == "relative"
    assert np.diff(rows_of(recording).t).tolist() == [1_000_000] * 3


def test_the_new_day_may_come_before_its_date() -> None:
    began = datetime(2026, 4, 30, 23, 59, 59, tzinfo=UTC)
    said = [each.encode() for each in sentences(began, 2)]
    late = [said[0], said[1], said[3], said[2]]
    seconds = [(t - round(began.timestamp() * 1e6)) / 1e6 for t, _ in timed(late, began.date())]
    assert seconds == [0, 0, 1, 1]


@given(st.lists(st.binary(max_size=40), max_size=30))
def test_any_line_has_a_time_or_that_of_the_one_before(lines: list[bytes]) -> None:
    stamps = LogStamps(lines)
    for line in lines:
        t, rest = stamps.taken_off(line)
        assert isinstance(t, int)
        assert line.endswith(rest)


def test_lines_without_their_header_say_so_and_what_to_state(tmp_path: Path) -> None:
    lines = "".join(f"[{1_777_622_400 + n}.000] 52.4,20.0\n" for n in range(20))
    with pytest.raises(NothingReadable, match=r"no header line came yet; .* state columns_in_order"):
        opened(tmp_path, BOARD, "drive.txt", lines)


def test_a_logger_switched_on_twice_with_a_clock_that_is_not_set_yet_keeps_every_second() -> None:
    day = 1_777_622_400
    unset, later = range(4, 34), range(4, 44)
    times = [*unset, *range(day, day + 300), *later, *range(day + 7200, day + 7500)]
    lines = [f"[{t}.000] 52.4,20.0\n".encode() for t in times]
    stamps = LogStamps(lines[:200])
    read = [stamps.taken_off(line) for line in lines]
    assert {rest for _, rest in read} == {b"52.4,20.0\n"}
    seconds = [t / 1e6 for t, _ in read]
    assert seconds[:330] == times[:330]
    assert seconds[330:370] == [day + 299 + n for n in range(40)]
    assert seconds[370:] == times[370:]
    assert stamps.told == ("once the logger's clock began again; what followed is kept right after what was before",)


def test_a_table_of_another_logger_is_still_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "drive.txt"
    path.write_text("Time;Voltage [V];Current [A]\n" + "".join(f"{n};52.{n};1{n}\n" for n in range(9)))
    assert main(["report", str(path), "--store", f"{tmp_path}/s.sqlite3"]) == 2
    assert "make a session of it first: shakedown import" in capsys.readouterr().err


def test_a_log_becomes_a_session_and_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    machine, store, log = tmp_path / "m.toml", tmp_path / "s.sqlite3", tmp_path / "drive.txt"
    machine.write_text(BOARD)
    log.write_text("\n".join([*LINES, "ms=9 u=5"]))  # the last line is cut off
    given = ["--store", str(store), "--machine", str(machine)]
    assert main(["import", str(log), *given]) == 0
    assert "drive.txt is session 1, 99 rows" in capsys.readouterr().out
    assert main(["export", str(log), f"{tmp_path}/direct.csv", *given]) == 0
    assert main(["export", "1", f"{tmp_path}/stored.csv", "--store", str(store)]) == 0
    direct, stored = (
        np.genfromtxt(tmp_path / f"{name}.csv", delimiter=",", names=True) for name in ("direct", "stored")
    )
    assert np.array_equal(direct["pack_current"], stored["pack_current"])
    assert main(["import", str(log), "--store", str(store), "--yes"]) == 2, "without the machine file it is no table"


def test_a_source_whose_time_is_in_no_line_is_told(tmp_path: Path) -> None:
    with pytest.raises(NothingReadable, match="no line has a time under ms"):
        opened(tmp_path, BOARD, "drive.txt", "".join(f"u={n}\n" for n in range(9)))
