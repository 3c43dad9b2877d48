"""A store damaged by the disk or changed by a stranger: one sentence, and nothing that steers a terminal."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.events import AlarmChange, Loss, Mark
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
ROWS = 400
STEERS = ("\x1b", "\x07", "\x9b", "\u202e")
EVIL = "\x1b]0;owned\x07\x9b2J\u202e<script>alert(1)</script>"


@pytest.fixture
def recorded(store: Path, begin: Callable[..., int]) -> Path:
    """A store with one short drive."""
    group = Group("pack", "pack", ("pack_voltage", "pack_current"))
    with StoreWriter.open(store) as writer:
        begin(writer, machine_text=PACK)
        for second in range(0, ROWS, 50):
            t = START + 1_000_000 * np.arange(second, second + 50)
            values = np.column_stack((np.full(50, 52.0), 20.0 + np.arange(50)))
            events = [
                Mark(int(t[-1]), "gate"),
                Loss(int(t[-1]), "store", 3, "full"),
                AlarmChange(int(t[-1]), "pack-voltage-low", "pack_voltage", "warn", "raised", 40.0, 41.0, "why"),
            ]
            writer.offer(Span(int(t[-1]), (Batch(group, t, values),), tuple(events)))
        writer.end_session(START + ROWS * 1_000_000)
    db = sqlite3.connect(store)
    db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    return store


COMMANDS = ("sessions", "report last", "alarms last", "replay last --speed max --no-screen --silent", "isolate last")


def run(command: str, store: Path) -> int:
    name, *rest = command.split()
    try:
        return main([name, *rest, "--store", str(store)])
    except SystemExit as ended:
        return int(ended.code or 0)


def test_a_sound_store_is_read(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert [run(command, recorded) for command in COMMANDS] == [0, 0, 0, 0, 0], capsys.readouterr().err


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE series SET table_name = 'sqlite_master'",
        "UPDATE series SET table_name = 'x\"; DROP TABLE session; --'",
        "UPDATE series SET table_name = 'session'",
        "UPDATE series SET signals = '[1, 2]'",
        "UPDATE series SET signals = '{'",
        "UPDATE series SET group_name = '\x1b[2J'",
        "UPDATE session SET started = 'soon'",
        "UPDATE session SET started = 9223372036854775807",
        "UPDATE session SET time_basis = 'sideways'",
        "UPDATE session SET machine_text = x'fffe'",
        "UPDATE session SET machine_text = 'capacity_ah = " + 400 * "9" + "'",
        "UPDATE alarm SET stands = 'upright'",
        "UPDATE alarm SET level = 7",
        "UPDATE loss SET lost_values = 'many'",
        "UPDATE mark SET t = 'never'",
        "UPDATE group_pack SET pack_voltage = 'high'",
        "UPDATE group_pack SET t = 'late'",
    ],
)
def test_a_wrong_value_is_one_sentence(change: str, recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sqlite3.connect(recorded) as db:
        db.execute(change)
    db.close()
    for command in COMMANDS:
        assert run(command, recorded) in (0, 1, 2, 3), command
        said = capsys.readouterr()
        assert "internal error" not in said.err
        assert "Traceback" not in said.err


@pytest.mark.parametrize("name", ["''", "'\x1b[2J'", "x'ff00'", "7"])
def test_a_group_that_no_table_can_be_named_after_is_damage(name: str, recorded: Path) -> None:
    with closing(sqlite3.connect(recorded)) as db, db:
        db.execute(f"UPDATE series SET group_name = {name}")
    with StoreReader.open(recorded) as reader, pytest.raises(StoreError, match="is damaged"):
        reader.recording("last")


def test_names_in_a_doctored_store_cannot_steer_the_terminal_or_the_page(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with sqlite3.connect(recorded) as db:
        db.execute("UPDATE alarm SET limit_name = ?, signal = ?, why = ?", [EVIL] * 3)
        db.execute("UPDATE loss SET listener = ?, why = ?", [EVIL] * 2)
        db.execute("UPDATE mark SET text = ?", [EVIL])
        db.execute("UPDATE session SET machine = ?", [EVIL])
        db.execute("UPDATE source SET name = ?, driver = ?", [EVIL] * 2)
    db.close()
    page = tmp_path / "page.html"
    for command in (*COMMANDS, f"report last --html {page}"):
        assert run(command, recorded) in (0, 1, 2, 3), command
        said = capsys.readouterr()
        assert not [sign for sign in STEERS if sign in said.out + said.err], command
    if page.exists():
        text = page.read_text("utf-8")
        assert "<script>" not in text
        assert not [sign for sign in STEERS if sign in text]


@pytest.mark.parametrize("seed", range(6))
def test_flipped_bits_are_one_sentence(seed: int, recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chance = random.Random(seed)
    content = bytearray(recorded.read_bytes())
    for _ in range(50):
        content[chance.randrange(100, len(content))] ^= 1 << chance.randrange(8)
    recorded.write_bytes(content)
    for command in COMMANDS[:4]:
        assert run(command, recorded) in (0, 1, 2, 3), command
        assert "internal error" not in capsys.readouterr().err, command


def test_watch_does_not_record_into_a_damaged_store(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content = bytearray(recorded.read_bytes())
    with sqlite3.connect(recorded) as db:
        page = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'group_pack'").fetchone()[0]
        size = db.execute("PRAGMA page_size").fetchone()[0]
    db.close()
    content[(page - 1) * size + 1 : page * size] = bytes([0x5A]) * (size - 1)
    recorded.write_bytes(content)
    assert run("watch --demo --no-screen --silent --for 1", recorded) == 3
    said = capsys.readouterr().err
    assert "is damaged" in said
    assert "name a new file with --store" in said
    assert recorded.read_bytes()[100:] == bytes(content)[100:]  # the header counts who opened it


def test_a_time_that_no_clock_gives_is_damage(recorded: Path) -> None:
    with closing(sqlite3.connect(recorded)) as db:
        db.execute("UPDATE group_pack SET t = ? WHERE t = (SELECT max(t) FROM group_pack)", [2**62 + 1])
        db.commit()
    with pytest.raises(StoreError, match="is damaged"), StoreReader.open(recorded) as reader:
        for _ in reader.recording(1).spans():
            pass


def test_rows_out_of_order_are_damage(recorded: Path) -> None:
    """A time changed in an index moves no entry, so a read in order of time goes back."""
    content = recorded.read_bytes()
    middle = (START + 70_000_000).to_bytes(8, "big")
    assert middle in content
    recorded.write_bytes(content.replace(middle, (START + 20_000_000).to_bytes(8, "big")))
    with pytest.raises(StoreError, match=r"is damaged .*out of order"), StoreReader.open(recorded) as reader:
        for _ in reader.recording(1).spans():
            pass
