"""What `report`, `compare`, `isolate` and a replay say of a recording whose pack froze. Simulated data."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from telemetry.cli import main
from tests.analysis.frozen_recordings import drive, flat, frozen, is_of_pack, signals_of, thinned, write_csv


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The frozen drive and the same one whole, each as one flat table."""
    folder = tmp_path_factory.mktemp("frozen")
    whole = thinned(drive("market", 305, 900, 10.0), 2)
    of_pack = [signal for signal in signals_of(whole, "pack", "cells") if is_of_pack(signal)]
    write_csv(flat(frozen(whole, of_pack, 300.0, 900.0), held=True), folder / "frozen.csv")
    write_csv(flat(whole, held=True), folder / "whole.csv")
    return folder / "frozen.csv", folder / "whole.csv"


SENTENCE = "(source recording) repeat the same values from 0:05:00 to 0:15:00"


@pytest.mark.timeout(300)
def test_report_and_compare_say_so(
    files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad, whole = map(str, files)
    store = ["--store", str(tmp_path)]
    assert main(["report", bad, "--json", *store]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [SENTENCE in finding["what"] for finding in report["findings"] if finding["name"] == "frozen"] == [True]
    assert report["totals"]["gaps_s"] == pytest.approx(600, abs=2)
    assert main(["report", bad, *store]) == 0
    assert "repeat the same values" in " ".join(capsys.readouterr().out.split())
    assert main(["report", whole, "--json", *store]) == 0
    sound = json.loads(capsys.readouterr().out)
    assert [finding for finding in sound["findings"] if finding["name"] == "frozen"] == []
    assert report["totals"]["charge_out_ah"] < 0.6 * sound["totals"]["charge_out_ah"]
    assert main(["compare", whole, bad, *store]) == 0
    assert "B  Pack voltage, pack current" in capsys.readouterr().out


@pytest.mark.timeout(300)
def test_isolate_says_so(files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["isolate", str(files[0]), "--store", str(tmp_path)])
    assert SENTENCE.split(")")[1].strip() in " ".join(capsys.readouterr().out.split())


@pytest.mark.timeout(300)
def test_a_replay_raises_the_alarm(files: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(files[0]), "--no-screen", "--speed", "max"]) in (0, 1)
    told = capsys.readouterr()
    assert "has sent the same values for" in " ".join((told.out + told.err).split())
