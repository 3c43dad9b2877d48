"""What sessions came to, made beside the screen: it says what the report says, and is kept. Invented values."""

from __future__ import annotations

import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.recordings.reading import open_recording
from telemetry.report.numbers import figure
from telemetry.runs.judged import judged
from telemetry.runs.outcomes import COLUMNS, missing, outcome_of
from telemetry.runs.program import program_version
from telemetry.store.connection import connect_for_writing
from telemetry.store.outcomes import kept_outcomes, outcome_from, outcome_text
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S, ROOT, environment

START = 1_700_000_000_000_000
SECOND = 1_000_000
PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))
RECORDINGS = ROOT / "replay_data"


def store_of(path: Path, *batches: Batch, machine_text: str | None = None, origin: str = "live") -> int:
    """Add a session with these rows to the store at ``path``; return its number."""
    with StoreWriter.open(path) as writer:
        number = writer.begin_session(
            machine="cart",
            machine_text=machine_text,
            origin=origin,  # type: ignore[arg-type]
            time_basis="absolute",
            started=START,
            start=START,
        )
        for batch in batches:
            writer.offer(Span(int(batch.t[-1])).adding([batch], ()))
        writer.end_session(START + 600 * SECOND)
    return number


def drive(rows: int = 6000, dip: int | None = None) -> Batch:
    """Ten minutes at 40 A, ten rows a second; one sample of 300 A at row ``dip``."""
    current = np.full(rows, 40.0)
    if dip is not None:
        current[dip] = 300.0
    t = START + np.arange(rows) * (SECOND // 10)
    return Batch(PACK, t, np.column_stack((np.full(rows, 26.0), current)))


@pytest.fixture(scope="module")
def round_in_market(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the shipped round of the market cart as session 1."""
    store = tmp_path_factory.mktemp("market") / "store.sqlite3"
    recording = open_recording(RECORDINGS / "market-round.csv.gz")
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="market cart",
            machine_text=(RECORDINGS / "market.toml").read_text("utf-8"),
            origin="live",
            time_basis="absolute",
            started=recording.start,
            start=recording.start,
        )
        end = recording.start
        for span in recording.spans():
            writer.offer(span)
            end = span.end
        writer.end_session(end)
    return store


def test_an_outcome_says_what_the_report_says(round_in_market: Path) -> None:
    outcome, report = outcome_of(1, round_in_market), judged("1", round_in_market).report
    assert (outcome.word, outcome.reason, outcome.next) == (report.verdict_word, report.verdict_reason, report.next)
    assert outcome.word == "DRIVE GENTLY"
    assert outcome.why.split()[0] in report.verdict_reason.lower()
    totals = report.totals
    assert totals.energy_out_wh is not None
    assert totals.energy_in_wh is not None
    assert outcome.energy_wh == totals.energy_out_wh - totals.energy_in_wh
    shown = dict(outcome.figures)
    assert shown["out"] == figure(totals.energy_out_wh, "Wh")
    assert shown["peak"] == figure(totals.peak_power_w, "W")
    assert outcome.peak_w == pytest.approx(totals.peak_power_w, abs=0.1)
    assert outcome_from(outcome_text(outcome)) == outcome


@pytest.mark.parametrize("dip", [0, 1234, 5999])
def test_one_sample_of_a_dip_is_in_the_power(tmp_path: Path, dip: int) -> None:
    store = tmp_path / "store.sqlite3"
    outcome = outcome_of(store_of(store, drive(dip=dip)), store)
    assert len(outcome.power) == COLUMNS
    highest = [column[1] for column in outcome.power if column is not None]
    assert max(highest) == pytest.approx(26.0 * 300.0, rel=0.01)
    assert sum(each > 2000 for each in highest) in (1, 2)


def test_rare_samples_are_joined_and_a_gap_is_not(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    t = START + np.concatenate((np.arange(0, 200, 5), np.arange(400, 605, 5))) * SECOND
    batch = Batch(PACK, t, np.column_stack((np.full(len(t), 26.0), np.full(len(t), 40.0))))
    power = outcome_of(store_of(store, batch), store).power
    assert all(column is not None for column in power[:78])
    assert all(column is None for column in power[82:158])
    assert all(column is not None for column in power[162:])


def test_an_empty_session_and_one_that_cannot_be_read_say_so(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    empty, torn = store_of(store), store_of(store, drive())
    with closing(connect_for_writing(store)) as db:
        table = db.execute("SELECT table_name FROM series").fetchone()[0]
        db.conn.execute(f"UPDATE {table} SET t = t + 1000000000000 WHERE t = ?", [START])
        db.conn.execute(f"UPDATE {table} SET pack_voltage = 'x' WHERE t > ?", [START + SECOND])
    assert outcome_of(empty, store).word == "NO VALUES"
    found = outcome_of(torn, store)
    assert found.word == "NOT READABLE"
    assert str(store) in found.reason


def test_what_is_missing_is_made_once_by_a_process_of_its_own(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    numbers = [store_of(store), store_of(store, drive()), store_of(store, origin="bench")]
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="cart", machine_text=None, origin="live", time_basis="absolute", started=START, start=START
        )
        said = worker(store).stdout.splitlines()
        assert [outcome_from(line).session for line in said] == [numbers[1], numbers[0]]
        kept = kept_outcomes(store, program_version())
        assert [kept[number] for number in (numbers[1], numbers[0])] == [outcome_from(line) for line in said]
        assert worker(store).stdout == ""
        assert not missing(store)
        writer.end_session(START)
    assert len(missing(store)) == 1
    with StoreReader.open(store) as reader:
        assert len(reader.sessions()) == 4


def worker(store: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "telemetry.runs.outcomes", str(store)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment(), timeout=BUSY_S, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return done


def test_it_ends_once_nobody_reads_and_says_nothing_of_a_damaged_store(tmp_path: Path) -> None:
    damaged = tmp_path / "damaged.sqlite3"
    damaged.write_bytes(b"SQLite format 3\0" + b"\x07" * 5000)
    assert worker(damaged).stdout == ""
    store = tmp_path / "store.sqlite3"
    for _ in range(3):
        store_of(store, drive(rows=600))
    command = [sys.executable, "-m", "telemetry.runs.outcomes", str(store)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait(BUSY_S)
    assert len(missing(store)) >= 1
