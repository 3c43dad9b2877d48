"""``fit`` with a drive, with a tried change, and sizes for a duty, as their user meets them."""

from __future__ import annotations

import gzip
import json
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from telemetry.cli import main
from telemetry.machine.fit import fit
from telemetry.machine.machine_file import load_machine

REPLAY = Path(__file__).parents[2] / "replay_data"
MACHINE, DRIVE = str(REPLAY / "orchard.toml"), str(REPLAY / "orchard-mow.csv.gz")


def told(capsys: pytest.CaptureFixture[str], *words: str, status: int) -> dict[str, Any]:
    assert main(["fit", *words, "--json"]) == status
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_drive_beside_the_file(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, MACHINE, "--drive", DRIVE, status=0)
    assert list(found) == ["verdict", "findings", "drive"]
    assert "of the weakest rating" in found["drive"]["loaded"]
    assert [each["check"] for each in found["findings"]] == [each.check for each in fit(load_machine(Path(MACHINE)))]
    assert found["drive"]["lacking"] == ""
    by_label = {each["label"]: each for each in found["drive"]["measured"]}
    assert by_label["steady current, fuse"]["stated"] == 45
    assert by_label["steady current, fuse"]["measured"] == pytest.approx(64, abs=1)
    assert by_label["resistance of the pack"]["measured"] == pytest.approx(26.7, abs=0.2)  # as its report states
    by_check = {each["check"]: each for each in found["findings"]}
    assert "stated 45 A" in by_check["connector"]["why"]
    assert "controller, lowest V" in by_check["sag"]["why"]


@pytest.mark.parametrize(("lines", "verdict"), [(100_000, "ok"), (3000, "unknown")])
def test_a_drive_settles_what_is_not_stated_only_where_it_loaded_the_machine(
    lines: int, verdict: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, recording = tmp_path / "mower.toml", tmp_path / "drive.csv"
    unstated = ("continuous_current_a", "controller_current_a")
    kept = [line for line in Path(MACHINE).read_text("utf-8").splitlines() if not line.startswith(unstated)]
    file.write_text("\n".join(kept), encoding="utf-8")
    with gzip.open(DRIVE, "rt", encoding="utf-8") as stream:
        recording.write_text("".join(islice(stream, lines)), encoding="utf-8")
    findings = told(capsys, str(file), "--drive", str(recording), status=0)["findings"]
    connector = next(each for each in findings if each["check"] == "connector")
    assert connector["verdict"] == verdict
    assert ("under load" in connector["why"]) == (verdict == "unknown")


def test_the_measured_path_answers_for_a_cable_whose_length_is_not_stated(tmp_path: Path, capsys) -> None:
    file = tmp_path / "mower.toml"
    lines = Path(MACHINE).read_text("utf-8").splitlines()
    file.write_text("\n".join(line for line in lines if not line.startswith("one_way_length_m")), encoding="utf-8")
    findings = told(capsys, str(file), "--drive", DRIVE, status=0)["findings"]
    drop = next(each for each in findings if each["check"] == "voltage-drop")
    assert drop["verdict"] == "ok"
    # 1.55 mΩ of 2.8 m of 35 mm² at 20 °C (IEC 60228: 0.554 Ω/km) and 1.9 mΩ of joints, fuse and switch
    assert drop["value"] == pytest.approx(42.3 * 0.00348, rel=0.05)


def test_the_drive_of_another_machine_is_not_used(capsys: pytest.CaptureFixture[str], part_of_mow: Path) -> None:
    other = str(Path(__file__).parents[2] / "docs" / "machines" / "half-stated.toml")
    found = told(capsys, other, "--drive", str(part_of_mow), status=0)
    assert "24 cell voltages" in found["drive"]["lacking"]
    assert found["drive"]["measured"] == []
    without = told(capsys, other, status=0)
    assert found["findings"] == without["findings"]


def test_a_tried_change_prints_before_and_after_and_writes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    before = Path(MACHINE).read_bytes()
    found = told(capsys, MACHINE, "--try", "fuse_a=200 A", status=1)
    assert found["tried"] == {"wiring.fuse_a": 200}
    assert (found["verdict_before"], found["verdict"]) == ("caution", "stop")
    change = next(each for each in found["changes"] if each["check"] == "fuse-size")
    assert (change["before"]["verdict"], change["after"]["verdict"]) == ("ok", "stop")
    assert [each["check"] for each in found["findings"]] == [each.check for each in fit(load_machine(Path(MACHINE)))]
    assert Path(MACHINE).read_bytes() == before


def test_trying_what_is_stated_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", MACHINE, "--try", "fuse_a=150"]) == 0
    assert "No finding changes." in capsys.readouterr().out


def test_a_tried_change_with_a_drive(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, MACHINE, "--drive", DRIVE, "--try", "fuse_a=70", status=0)
    fuse = next(each for each in found["findings"] if each["check"] == "fuse-size")
    assert fuse["verdict"] == "caution"
    assert "Measured steady current, fuse: 64." in fuse["why"]


def test_sizes_with_and_without_a_machine_file(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "--size", "--drive", DRIVE, status=0)
    assert list(found) == ["drive", "lacking", "duty", "sizes", "caution"]
    assert "heaviest duty must be in it" in found["caution"]
    kinds = [each["kind"] for each in found["sizes"]]
    assert kinds == ["fuse", *["conductor"] * 10, "connector", "pack-continuous", "pack-peak", "pack-charge"]
    stated = told(capsys, MACHINE, "--size", "--drive", DRIVE, status=0)
    fuse = stated["sizes"][0]
    assert fuse["least"] < fuse["most"] <= 163.8  # 180 A of 2 AWG in free air (33 CFR 183.425) times 0.91 at 40 °C


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "needs a machine file"),
        ([MACHINE, "--size"], "--size takes a drive"),
        ([MACHINE, "--drive", MACHINE], "is a machine file, not a recording"),
        (["--drive", DRIVE], "no machine file was recorded"),
        ([MACHINE, "--try", "fuse_a"], "gives no value"),
        ([MACHINE, "--try", "fuse_a=5 V"], "--try, [wiring] fuse_a"),
    ],
)
def test_wrong_use_gets_one_sentence(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", *words]) == 2
    assert said in capsys.readouterr().err
