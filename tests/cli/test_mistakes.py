"""What a person does wrong, and exactly what the program says to it: the command, the exit status, standard error.

Each sentence names the file, key, line or option, and what to do. A row with two lines is a machine file's: its
problems are listed, one a line.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import pytest

from telemetry.cli import main
from tests.faults.program import BUSY_S

ROOT = Path(__file__).parents[2]
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
SERIAL = '[[source]]\ndriver = "serial-text"\n'
DRIVE = "t,pack_voltage,pack_current\n" + "".join(f"{t},{52 - 0.1 * t:.1f},{10 + t}\n" for t in range(5))
TEXTS = {
    "drive.csv": DRIVE,
    "empty.csv": "",
    "empty.mf4": "",
    "commas.csv": 't,pack_voltage\n0,"52,1"\n',
    "semicolons.csv": "t;pack_voltage\n0,0;52,1\n",
    "words.csv": "t,pack_voltage\n0,52.0\n1,n/a\n",
    "mower.toml": PACK,
    "comma.toml": PACK + "[machine]\nmaximum_voltage_v = 230,5\n",
    "unit.toml": PACK + "[limits.cell-spread]\nwarn = 50 mV\n",
    "switch.toml": PACK + "[machine]\nregenerates = yes\n",
    "gauge.toml": PACK + "[wiring]\nconductor_awg = 1/0\n",
    "curly.toml": PACK + "name = “spare pack”\n",
    "bare.toml": PACK + "name = spare pack\n",
    "tab.toml": PACK + 'name = "spare\tpack"\n',
    "volts.toml": PACK + "[limits.cell-spread]\nwarn = 50\n",
    "meaning.toml": PACK + "[limits.overcurrent]\nwarn = 90\n",
    "hours.toml": PACK.replace("100", '"230 Ah"'),
    "key.toml": PACK + "[machine]\nmaximum_volts_v = 63\n",
    "limit.toml": PACK + "[limits.cell-voltage-lo]\nwarn = 3\n",
    "button.toml": PACK + '[machine]\nmark_keys = ["space"]\n',
    "driver.toml": PACK + SERIAL.replace("text", "txt"),
    "portless.toml": PACK + SERIAL,
    "unplugged.toml": PACK + SERIAL + 'port = "/dev/none"\n',
    "noport.toml": PACK + SERIAL + 'port = "mower.toml"\n',
    "other.sqlite": "not a database, but long enough to look like one\n" * 20,
}
BYTES = {
    "photo.csv": b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "photo.png": b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "table.csv": b"PK\x03\x04" + bytes(200),
    "table.xlsx": b"PK\x03\x04" + bytes(200),
}
"""Only how these begin is that of a PNG file (ISO/IEC 15948) or a ZIP archive (ISO/IEC 21320-1)."""


class Mistake(NamedTuple):
    command: str
    status: int
    says: str


def in_file(name: str, problem: str) -> str:
    return f"{name} has 1 problem:\n  {problem}"


NO_SUCH = "a session's number, last, or a file ending in .csv, .csv.gz or .parquet"
MISTAKES = [
    # Slips of the keyboard
    Mistake("wach --demo", 2, "there is no command wach; did you mean watch? see shakedown --help"),
    Mistake("report --bogus", 2, "report has no option --bogus; see shakedown report --help"),
    Mistake("--bogus", 2, "shakedown has no option --bogus; see shakedown --help"),
    Mistake("report last --jsn", 2, "report has no option --jsn; did you mean --json? see shakedown report --help"),
    Mistake("report", 2, "SESSION is missing; see shakedown report --help"),
    Mistake("report 1 2", 2, "'2' is one word too many for report; see shakedown report --help"),
    Mistake(
        "replay 1 --speed fast",
        2,
        "--speed: 'fast' is neither 'max' nor a number above 0, such as 1 or 8; see shakedown replay --help",
    ),
    Mistake(
        "watch --demo --for 10s",
        2,
        "--for: '10s' is not a number of seconds above 0, such as 60; see shakedown watch --help",
    ),
    Mistake("watch --demo --for", 2, "--for needs a value after it; see shakedown watch --help"),
    Mistake(
        "watch --demo --seed one", 2, "--seed: 'one' is not a whole number, such as 7; see shakedown watch --help"
    ),
    Mistake(
        "watch --demo --bench pedal", 2, "--bench takes throttle or enabled, not pedal; see shakedown watch --help"
    ),
    Mistake(
        "watch --demo --scenario orchad",
        2,
        'scenario: is "orchad", which is not known; did you mean orchard, orchard-charge?; write one of '
        '"orchard", "market", "orchard-charge", "varied"',
    ),
    Mistake(
        "watch",
        2,
        "watch needs a machine file (shakedown new-machine writes one), or --demo for a simulation",
    ),
    Mistake("watch --demo mower.toml", 2, "watch takes a machine file or --demo, not both; leave one out"),
    # Sessions that are not there
    Mistake("report 99", 2, "there is no session 99 in the store kept.sqlite; the latest is 1"),
    Mistake(
        "report lst",
        2,
        f"there is no session or recording lst; give {NO_SUCH}; shakedown sessions lists the sessions",
    ),
    Mistake("compare 1", 2, "compare needs two sessions or more, such as: shakedown compare 3 7"),
    Mistake(
        "report last --store nowhere.sqlite",
        2,
        "there is no session last: nothing has been recorded in nowhere.sqlite yet; record a drive with shakedown"
        " watch, or name the store with --store",
    ),
    # Files that are something else
    Mistake("replay photo.png", 2, f"photo.png is not a recording this program reads; give {NO_SUCH}"),
    Mistake(
        "replay photo.csv", 2, "photo.csv: this is a picture, not CSV; save the table as CSV, then name that file"
    ),
    Mistake(
        "replay table.xlsx",
        2,
        "table.xlsx cannot be played directly; make a session of it first: shakedown import table.xlsx",
    ),
    Mistake(
        "replay table.csv",
        2,
        "table.csv: this is a spreadsheet or an archive, not CSV; save the table as CSV, then name that file",
    ),
    Mistake("replay folder", 2, "folder: it is a folder; name the file in it"),
    Mistake("replay empty.csv", 2, "empty.csv: the file is empty; record or export it again"),
    Mistake("import empty.mf4", 2, "empty.mf4: the file is empty; record or export it again"),
    Mistake("replay gone.csv", 2, "gone.csv: there is no such file; check the name and the folder"),
    Mistake(
        "replay mower.toml",
        2,
        "mower.toml is a machine file, not a recording; give it as --machine mower.toml, after a session or a"
        " recording",
    ),
    Mistake(
        "watch drive.csv",
        2,
        in_file(
            "drive.csv",
            "drive.csv: is a recording, not a machine file; name the machine file, which ends in .toml",
        ),
    ),
    Mistake(
        "fit photo.png",
        2,
        in_file("photo.png", "photo.png: is not a text file; name the machine file, which ends in .toml"),
    ),
    # Numbers as people write them
    Mistake(
        "replay commas.csv",
        2,
        "commas.csv is a table that another logger wrote; make a session of it first: shakedown import commas.csv",
    ),
    Mistake(
        "replay semicolons.csv",
        2,
        "semicolons.csv is a table that another logger wrote; make a session of it first: shakedown import"
        " semicolons.csv",
    ),
    Mistake(
        "replay words.csv --speed max --no-screen",
        2,
        "words.csv, line 3, column pack_voltage: 'n/a' is not a number; leave the cell empty where the value is"
        " unknown",
    ),
    Mistake(
        "fit comma.toml",
        2,
        in_file(
            "comma.toml",
            'comma.toml, line 6, column 24: is not TOML in "maximum_voltage_v = 230,5": expected newline or end of'
            " document after a statement; write maximum_voltage_v = 230.5 (a decimal point, not a comma)",
        ),
    ),
    Mistake(
        "limits unit.toml",
        2,
        in_file(
            "unit.toml",
            'unit.toml, line 6, column 11: is not TOML in "warn = 50 mV": expected newline or end of document after a'
            " statement; write warn = 0.05, in V",
        ),
    ),
    Mistake(
        "limits switch.toml",
        2,
        in_file(
            "switch.toml",
            'switch.toml, line 6, column 15: is not TOML in "regenerates = yes": invalid value; write'
            " regenerates = true",
        ),
    ),
    Mistake(
        "limits gauge.toml",
        2,
        in_file(
            "gauge.toml",
            'gauge.toml, line 6, column 18: is not TOML in "conductor_awg = 1/0": expected newline or end of document'
            ' after a statement; write conductor_awg = "1/0"',
        ),
    ),
    Mistake(
        "limits curly.toml",
        2,
        in_file(
            "curly.toml",
            'curly.toml, line 5, column 8: is not TOML in "name = “spare pack”": invalid value; write name ='
            ' "spare pack" (straight quotes)',
        ),
    ),
    Mistake(
        "limits bare.toml",
        2,
        in_file(
            "bare.toml",
            'bare.toml, line 5, column 8: is not TOML in "name = spare pack": invalid value; write name ='
            ' "spare pack"',
        ),
    ),
    Mistake(
        "limits tab.toml",
        2,
        in_file("tab.toml", 'tab.toml, line 5, [pack] name: holds a tab or a line end; write name = "spare pack"'),
    ),
    Mistake(
        "limits volts.toml",
        2,
        in_file(
            "volts.toml",
            "volts.toml, line 6, [limits.cell-spread] warn: is 50 V, more than is plausible; write a number from"
            " 0.001 to 2, in V; did you mean 0.05 (50 mV)?",
        ),
    ),
    Mistake(
        "limits meaning.toml",
        2,
        in_file(
            "meaning.toml",
            "meaning.toml, line 5, [limits.overcurrent]: is an unknown limit; did you mean [limits.discharge-current]"
            " or [limits.discharge-peak]?",
        ),
    ),
    Mistake(
        "limits mower.toml --set soc-low.warn=50mV",
        2,
        '--set soc-low.warn: "50mV" is not a number in %; write a number from 1 to 100, in %',
    ),
    Mistake(
        "limits mower.toml --unset soc-low",
        2,
        "[limits.soc-low] is not stated in the file, so there is nothing to take out",
    ),
    Mistake(
        "machine-schema --out mower.toml",
        2,
        "mower.toml: the file exists already; choose another name, or add --replace",
    ),
    Mistake(
        "limits hours.toml",
        2,
        in_file(
            "hours.toml",
            'hours.toml, line 4, [pack] capacity_ah: is "230 Ah" where a number belongs; write capacity_ah ='
            " 230 without quotes, in Ah",
        ),
    ),
    # Machine files
    Mistake(
        "limits key.toml",
        2,
        in_file(
            "key.toml",
            "key.toml, line 6, [machine] maximum_volts_v: is an unknown key; did you mean maximum_voltage_v?",
        ),
    ),
    Mistake(
        "limits limit.toml",
        2,
        in_file(
            "limit.toml",
            "limit.toml, line 5, [limits.cell-voltage-lo]: is an unknown limit; did you mean"
            " [limits.cell-voltage-low]?",
        ),
    ),
    Mistake(
        "limits button.toml",
        2,
        in_file(
            "button.toml",
            'button.toml, line 6, [machine] mark_keys: names "space", which already sets a mark;'
            " choose a key that does nothing else",
        ),
    ),
    Mistake(
        "watch mover.toml",
        2,
        in_file("mover.toml", "mover.toml: there is no such file; did you mean mower.toml?"),
    ),
    Mistake(
        "watch mower.toml",
        2,
        in_file(
            "mower.toml",
            "mower.toml, [[source]]: there is none, so there is nothing to watch; shakedown sources prints one to"
            " paste into the file, for each device in reach",
        ),
    ),
    Mistake(
        "watch driver.toml",
        2,
        in_file(
            "driver.toml",
            "driver.toml, line 6, [[source]] number 1, driver: is 'serial-txt', which is not a driver; did you mean"
            " serial-text?",
        ),
    ),
    Mistake(
        "watch portless.toml",
        2,
        in_file(
            "portless.toml",
            "portless.toml, line 5, [[source]] number 1, port: is missing; "
            'write port = "/dev/ttyUSB0", say: a device, or socket://HOST:PORT, rfc2217://HOST:PORT, loop://; '
            "find it: `shakedown sources` lists those in reach",
        ),
    ),
    Mistake(
        "new-machine mower.toml", 2, "mower.toml: the file exists already; choose another name, or add --replace"
    ),
    Mistake("alarms drive.csv", 2, "drive.csv has no machine file, so it has no limits; add --machine FILE"),
    # Places to write to
    Mistake("export 1 drive.csv", 2, "drive.csv: the file exists already; choose another name, or add --replace"),
    Mistake(
        "export 1 mow.doc",
        2,
        "mow.doc: the name must end in .csv, .csv.gz, .parquet, .jsonl, .jsonl.gz, .bdf.csv, .bdf.parquet, .gpx,"
        " .mf4, .xlsx or .sqlite3",
    ),
    Mistake("export 1 gone/mow.csv", 2, "gone/mow.csv: there is no folder gone; make it first"),
    Mistake("sessions --store other.sqlite", 3, "other.sqlite is not a database; name another file for the store"),
    Mistake(
        "replay drive.csv --record --store mower.toml/s.sqlite",
        3,
        "the folder of the store mower.toml/s.sqlite does not exist; make it first, or name another file",
    ),
    Mistake("replay drive.csv --record --store folder", 3, "folder is a folder, not a store; name a file in it"),
]
ON_THE_DISK = [
    Mistake(
        "replay drive.csv --record --store /dev/full",
        3,
        "the disk is full, so the store /dev/full cannot grow; free some space",
    ),
    Mistake(
        "new-machine /dev/full --replace --yes",
        2,
        "/dev/full: it cannot be written: No space left on device; choose another folder or make room",
    ),
]


@pytest.fixture(scope="module")
def kitchen_table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with what people name by mistake, and a store with one session."""
    folder = tmp_path_factory.mktemp("table")
    for name, text in TEXTS.items():
        (folder / name).write_text(text)
    for name, content in BYTES.items():
        (folder / name).write_bytes(content)
    (folder / "folder").mkdir()
    run = ["replay", str(folder / "drive.csv"), "--record", "--speed", "max", "--no-screen"]
    assert main([*run, "--store", str(folder / "kept.sqlite")]) == 0
    return folder


@pytest.fixture
def table(kitchen_table: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(kitchen_table)
    monkeypatch.setenv("SHAKEDOWN_STORE", "kept.sqlite")
    return kitchen_table


def run(command: str) -> int:
    """Return the exit status, as the process would have it."""
    try:
        return main(shlex.split(command))
    except SystemExit as end:
        return int(end.code or 0)


def files(folder: Path) -> list[str]:
    """Return what lies in ``folder``, less what SQLite keeps beside a store."""
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("kept.sqlite-"))


def without_notes(error: str) -> str:
    """Return what was said, less the notes, warnings and cautions that a run begins with."""
    told = ("note: ", "warning: ", "caution: ")
    return "".join(line for line in error.splitlines(keepends=True) if not line.lower().startswith(told))


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.command)
def test_it_gets_one_sentence_with_the_remedy(
    mistake: Mistake, table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = files(table)
    capsys.readouterr()
    status = run(mistake.command)
    said = capsys.readouterr()
    assert without_notes(said.err) == f"shakedown: {mistake.says}\n"
    assert status == mistake.status
    assert files(table) == before, "a mistake leaves no file behind"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("mistake", ON_THE_DISK, ids=lambda mistake: mistake.command)
def test_a_full_disk(mistake: Mistake, table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(mistake.command) == mistake.status
    assert without_notes(capsys.readouterr().err) == f"shakedown: {mistake.says}\n"


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="ports have other names here")
@pytest.mark.parametrize(
    ("file", "why"),
    [("unplugged.toml", "there is no port /dev/none"), ("noport.toml", "mower.toml is not a serial device")],
)
def test_a_live_run_in_which_nothing_arrived(
    file: str, why: str, table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "s.sqlite"
    assert run(f"watch {file} --for 1 --no-screen --silent --store {store}") == 3
    said = capsys.readouterr()
    error = without_notes(said.err)
    assert error.startswith("shakedown: no value arrived from serial-text")
    assert (why in error) == (why in said.out), "a busy computer may not have tried the port within a second"
    assert error.endswith(
        "; check power, cable and the settings under [[source]]; shakedown sources --try listens and says"
        " what speaks where\n"
    )
    assert said.out.splitlines()[-1] == f"kept as session 1 in {store}"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_is_read_only(table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tmp_path.chmod(0o555)
    try:
        assert run(f"replay drive.csv --record --store {tmp_path}/s.sqlite") == 3
        assert "writable" in capsys.readouterr().err
        assert run(f"export 1 {tmp_path}/mow.csv") == 2
        assert "it cannot be written: Permission denied" in capsys.readouterr().err
    finally:
        tmp_path.chmod(0o755)


# As processes of their own: the same sentences and statuses come from the command itself.


@pytest.fixture
def process() -> Iterator[list[subprocess.Popen[str]]]:
    started: list[subprocess.Popen[str]] = []
    yield started
    for each in started:
        each.kill()
        each.communicate()


def start(command: str, **options: object) -> subprocess.Popen[str]:
    settings: dict[str, object] = {
        "stdin": subprocess.DEVNULL,
        "stdout": subprocess.PIPE,
        "stderr": subprocess.PIPE,
        "env": os.environ | {"PYTHONPATH": str(ROOT)},
    }
    words = [sys.executable, "-W", "error", "-m", "telemetry.cli", *shlex.split(command)]
    return subprocess.Popen(words, text=True, **(settings | options))  # type: ignore[call-overload]


@pytest.mark.parametrize("command", ["wach --demo", "report 99", "limits unit.toml", "sessions --store other.sqlite"])
def test_the_command_itself_says_the_same(command: str, table: Path) -> None:
    (mistake,) = [each for each in MISTAKES if each.command == command]
    done = start(command)
    out, error = done.communicate(timeout=BUSY_S)
    assert (out, error, done.returncode) == ("", f"shakedown: {mistake.says}\n", mistake.status)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_output_to_a_full_disk(table: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = start("sessions", stdout=full)
        _, error = done.communicate(timeout=BUSY_S)
    assert error == (
        "shakedown: the disk is full, so the output cannot be written; free some space, or send it elsewhere\n"
    )
    assert done.returncode == 3


def interrupted(process: subprocess.Popen[str]) -> None:
    """Press Ctrl-C until it ends: one that comes just before it waits for a line is seen only after the line."""
    while process.poll() is None:
        process.send_signal(signal.SIGINT)
        with suppress(subprocess.TimeoutExpired):
            process.wait(0.5)


@pytest.mark.skipif(os.name == "nt", reason="Windows sends Ctrl-C to the whole console")
def test_ctrl_c_in_the_questions_keeps_the_answers(tmp_path: Path, process: list[subprocess.Popen[str]]) -> None:
    path = tmp_path / "cart.toml"
    asked = start(f"new-machine {path}", stdin=subprocess.PIPE)
    process.append(asked)
    assert asked.stdin is not None
    assert asked.stdout is not None
    asked.stdin.write("lfp\n16\n105 Ah\n")
    asked.stdin.flush()
    heard = ""
    while "At what low battery" not in heard:
        heard += asked.stdout.read(1)
    interrupted(asked)
    out, error = asked.communicate(timeout=BUSY_S)
    assert out.endswith(
        f"\n3 answers are kept in {path}; go on in a text editor: fill in the lines that end in = ?\n"
    )
    assert (error, asked.returncode) == ("", 130)
    text = path.read_text()
    assert "\ncapacity_ah = 105.0\n" in text
    assert "\ncells_in_series = 16\n" in text
    assert "\n# minimum_voltage_v = ?\n" in text, "what nobody said must not look like an answer"
