"""``drive``: recordings judged as a guided drive."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.simulated.machine_files import machine_file
from telemetry.cli import main
from tests.analysis.frozen_recordings import flat, write_csv
from tests.guided.course import machine, task
from tests.guided.scripted import driven

SEED = 20_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a machine file, one of a weaker pack, and a recording of three full launches."""
    place = tmp_path_factory.mktemp("drive")
    text = machine_file("varied", SEED)
    (place / "machine.toml").write_text(text, encoding="utf-8")
    weak = [line if not line.startswith("peak_discharge_a") else "peak_discharge_a = 9" for line in text.split("\n")]
    weak = [line if not line.startswith("continuous_discharge_a") else "continuous_discharge_a = 8" for line in weak]
    (place / "weak.toml").write_text("\n".join(weak), encoding="utf-8")
    one = task("launches", "well", SEED)
    assert one is not None
    recording = driven(machine(SEED, "launches"), SEED, one.acts).recording
    write_csv(flat(list(recording.batches)), place / "launches.csv")
    return place


def told(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    status = main([str(word) for word in words])
    out = capsys.readouterr()
    return status, out.out + out.err


def test_the_step_that_was_driven_is_judged_and_the_page_is_written(folder, capsys) -> None:
    page = folder / "out.html"
    words = [
        "drive",
        folder / "machine.toml",
        "--judge",
        folder / "launches.csv",
        "--store",
        folder / "store.sqlite3",
    ]
    status, out = told(capsys, *words, "--json", "--result", page)
    shown = json.loads(out)
    launches = next(each for each in shown["steps"] if each["step"] == "launches")
    assert (status, shown["verdict"]) == (0, "INCOMPLETE")
    assert launches["word"] in ("pass", "remark")
    assert [each["accepted"] for each in launches["attempts"]] == [True] * 3
    assert len(shown["sessions"][0]["rows_sha256"]) == 64
    assert "INCOMPLETE" in page.read_text(encoding="utf-8")
    assert told(capsys, *words, "--result", page) == (
        2,
        f"shakedown: {page} exists; choose another name or add --replace\n",
    )


def test_a_failed_step_is_exit_status_1(folder, capsys) -> None:
    words = ["drive", folder / "weak.toml", "--judge", folder / "launches.csv", "--store", folder / "store.sqlite3"]
    status, out = told(capsys, *words)
    assert status == 1
    assert "Full launches" in out.split("\n\n")[0]


def test_the_same_rows_have_the_same_hash_and_two_recordings_are_one_result(folder, capsys) -> None:
    words = ["drive", folder / "machine.toml", "--store", folder / "store.sqlite3", "--json", "--judge"]
    _, out = told(capsys, *words, folder / "launches.csv", folder / "launches.csv")
    shown = json.loads(out)
    first, second = shown["sessions"]
    assert first["rows_sha256"] == second["rows_sha256"]
    assert [each["step"] for each in shown["repeated"]] == ["launches"]
