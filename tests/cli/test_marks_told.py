"""The marks of a session in its export and in the list of sessions. Invented drive."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.model.events import Mark, MarkChange
from telemetry.store.later_marks import keep_mark
from telemetry.store.reader import StoreReader

SECOND = 1_000_000


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one session of a minute; three marks of the operator, one of them taken back."""
    path = tmp_path / "store.sqlite3"
    rows = ["time,pack_voltage,pack_current"]
    rows += [f"2026-05-09T10:30:{t:02d}.000000Z,52.0,40.0" for t in range(60)]
    (tmp_path / "drive.csv").write_text("\n".join(rows) + "\n")
    run = ["replay", str(tmp_path / "drive.csv"), "--record", "--no-screen", "--silent", "--speed", "max"]
    assert main([*run, "--store", str(path)]) == 0
    with StoreReader.open(path) as reader:
        start = reader.session(1).start
    for second, words in ((30, "=noise, rear left"), (5, "hill"), (40, "by mistake")):
        keep_mark(path, 1, Mark(start + second * SECOND, words))
    keep_mark(path, 1, MarkChange(start + 45 * SECOND, start + 40 * SECOND, "by mistake", taken_back=True))
    return path


@pytest.mark.parametrize("name", ["mow.csv", "mow.csv.gz", "mow.parquet"])
def test_an_export_has_the_marks_beside_it(store: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    out = store.with_name(name)
    assert main(["export", "1", str(out), "--store", str(store)]) == 0
    said = capsys.readouterr().out
    assert "60 rows written to" in said
    assert f"3 marks written to {store.with_name('mow.marks.csv')}" in said
    with store.with_name("mow.marks.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["time"], row["mark"], row["set_by"], row["taken_back"]) for row in rows] == [
        ("2026-05-09T10:30:05.000000Z", "hill", "operator", ""),
        ("2026-05-09T10:30:30.000000Z", "'=noise, rear left", "operator", ""),
        ("2026-05-09T10:30:40.000000Z", "by mistake", "operator", "yes"),
    ]


def test_an_older_file_of_marks_is_not_replaced_unasked(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store.with_name("mow.marks.csv").write_text("mine\n")
    assert main(["export", "1", str(store.with_name("mow.csv")), "--store", str(store)]) == 2
    assert "mow.marks.csv: the file exists already" in capsys.readouterr().err
    assert not store.with_name("mow.csv").exists(), "the one without the other would be half an export"
    assert store.with_name("mow.marks.csv").read_text() == "mine\n"
    assert main(["export", "1", str(store.with_name("mow.csv")), "--store", str(store), "--replace"]) == 0
    assert "hill" in store.with_name("mow.marks.csv").read_text()


def test_without_marks_there_is_no_second_file(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(store.with_name("drive.csv")), str(store.with_name("again.csv"))]) == 0
    assert "written to" in (said := capsys.readouterr().out)
    assert "marks.csv" not in said
    assert not store.with_name("again.marks.csv").exists()


def test_the_list_counts_what_was_not_taken_back(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["sessions", "--store", str(store), "--json"]) == 0
    (session,) = json.loads(capsys.readouterr().out)
    assert session["marks"] == 2
    assert main(["sessions", "--store", str(store)]) == 0
    head, row = capsys.readouterr().out.splitlines()
    end = head.index("marks") + len("marks")
    assert row[end - 2 : end] == " 2"
