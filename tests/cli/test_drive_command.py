"""``drive``: recordings judged as a guided drive."""

from __future__ import annotations

import json
import random
import re
from argparse import Namespace
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.simulated.machine_files import machine_file
from telemetry.cli import main
from telemetry.commands.drive import _steps_to_do
from telemetry.machine.machine_file import load_machine
from telemetry.model.batch import Batch, Span
from telemetry.model.events import Event, Mark
from telemetry.runs.guided import guided_sessions
from telemetry.store.writer import StoreWriter
from tests.analysis.frozen_recordings import flat, write_csv
from tests.guided.course import machine
from tests.guided.scripted import driven
from tests.guided.ways import WAYS, task

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
        f"shakedown: {page}: the file exists already; choose another name, or add --replace\n",
    )


def test_a_failed_step_is_exit_status_1(folder, capsys) -> None:
    words = ["drive", folder / "weak.toml", "--judge", folder / "launches.csv", "--store", folder / "store.sqlite3"]
    status, out = told(capsys, *words)
    assert status == 1
    assert "Full launches" in out.split("\n\n")[0]


def test_what_was_led_is_found_by_the_machines_id(folder, capsys) -> None:
    """A machine that has another name by now, another machine, and a drive that nobody led."""
    store, text = folder / "led.sqlite3", (folder / "machine.toml").read_text(encoding="utf-8")
    ours, other = (text.replace("[machine]", f'[machine]\nid = "{name}"') for name in ("cart-1", "cart-2"))
    one = task("launches", "well", SEED)
    assert one is not None
    batches = driven(machine(SEED, "launches"), SEED, one.acts).recording.batches
    for machine_text, mark in ((ours, "guided drive: launches"), (other, "guided drive: pulls"), (ours, "gate")):
        _stored(store, machine_text, batches, mark)
    (folder / "led.toml").write_text(ours.replace('name = "machine', 'name = "renamed machine'), encoding="utf-8")
    status, out = told(capsys, "drive", folder / "led.toml", "--store", store, "--json")
    shown = json.loads(out[: out.rindex("}") + 1])
    assert (status, [each["name"] for each in shown["sessions"]]) == (0, ["session 1"])
    assert "session 1 was recorded with a different version of the machine file" in out
    assert guided_sessions(store, "cart-2") == [2]
    again = Namespace(step=[], store=store)
    left = [each.name for each, _ in _steps_to_do(again, load_machine(folder / "led.toml"), ["1"])]
    assert "launches" not in left
    assert {"zero", "pulls", "climb"} <= set(left)
    fit = ("fit", folder / "led.toml", "--store", store)
    measured, stated = told(capsys, *fit)[1], told(capsys, *fit, "--stated")[1]
    assert measured.startswith("Measured figures are those of its guided drive, session 1;")
    assert "Measured resistance of the pack" in " ".join(measured.split())
    assert "session 1" not in stated
    assert told(capsys, *fit, "--stated", "--drive", "1")[0] == 2


def test_a_drive_that_was_killed_in_mid_step_goes_on_with_what_it_had(folder, capsys) -> None:
    """Two launches, then a kill; another machine in the same store; the clock set back; another machine file."""
    store, text = folder / "killed.sqlite3", (folder / "machine.toml").read_text(encoding="utf-8")
    ours, other = (text.replace("[machine]", f'[machine]\nid = "{name}"') for name in ("cart-4", "cart-5"))
    (folder / "killed.toml").write_text(ours, encoding="utf-8")
    what = machine(SEED, "launches")
    two, one = (
        driven(what, SEED, WAYS["launches"]["well"][0](what, random.Random(7), count=count)).recording.batches
        for count in (2, 1)
    )
    mark = "guided drive: launches"
    _stored(store, ours, two, mark, ends=False)
    _stored(store, other, one, mark, days=1)
    steps = _steps_to_do(Namespace(step=[], store=store), load_machine(folder / "killed.toml"), ["1"])
    assert {step.name: counted for step, counted in steps}["launches"] == {"": 2}
    _stored(store, ours, one, mark, days=2)
    words = ("drive", folder / "killed.toml", "--store", store, "--json")
    out = told(capsys, *words)[1]
    shown = json.loads(out[: out.rindex("}") + 1])
    found = next(each for each in shown["steps"] if each["step"] == "launches")
    assert (found["word"] in ("pass", "remark"), found["session"]) == (True, "session 1 + session 3")
    _stored(store, ours.replace("1.0", "1.00"), one, mark, days=-3)
    out = " ".join(told(capsys, *words)[1].split())
    assert "session 4 has an earlier date than session 3: the clock was set; numbers count" in out
    assert '"session": "session 1 + session 3"' in out


def test_limits_offers_what_the_guided_drive_measured_and_never_a_softer_limit(folder, capsys) -> None:
    store, text = folder / "offers.sqlite3", (folder / "machine.toml").read_text(encoding="utf-8")
    text = text.replace("[machine]", '[machine]\nid = "cart-3"')
    text = re.sub(r"peak_discharge_a = .*", "peak_discharge_a = 900", text)
    (folder / "offers.toml").write_text(text, encoding="utf-8")
    what, chance = machine(SEED, "pulls"), random.Random(1)
    acts = [act for step in ("pulls", "launches") for act in WAYS[step]["well"][0](what, chance)]
    recording = driven(what, SEED, acts).recording
    _stored(store, text, recording.batches, "guided drive: launches", recording.events)
    words = ("limits", folder / "offers.toml", "--store", store)
    _, out = told(capsys, *words)
    assert "From its guided drives (session 1), for you to decide; none of it is in force:" in out
    _, out = told(capsys, *words, "--json")
    rows = {each["name"]: each for each in json.loads(out)}
    offered = {name: row["offered"] for name, row in rows.items() if "offered" in row}
    assert {"pack-voltage-low", "discharge-peak"} <= set(offered)
    for name, each in offered.items():
        if each["warn"] is not None:
            sign = 1 if rows[name]["side"] == "high" else -1
            assert sign * each["warn"] < sign * rows[name]["warn"], name
    assert offered["discharge-peak"]["warn"] < 300
    assert "From its guided drives" not in told(capsys, *words, "--stated")[1]
    settings = [f"{name}.warn={each['warn']}" for name, each in offered.items() if each["warn"] is not None]
    assert told(capsys, *words, *(word for each in settings for word in ("--set", each)))[0] == 0


ID = '[machine]\nid = "cart-1"'


@pytest.mark.parametrize(
    ("file", "section", "words", "said"),
    [
        ("machine.toml", "[machine]", (), "add id = "),
        ("machine.toml", ID, ("--step", "pull"), "there is no step 'pull'; did you mean pulls?"),
        ("machine.toml", ID, (), "first power is not finished"),
        ("machine.toml", ID, ("--first-power-done",), "drive needs a terminal"),
        ("machine.toml", ID, ("--speed", "20"), "--speed is for --rehearse"),
        ("machine.toml", ID, ("--rehearse", "1", "--json"), "--rehearse only leads"),
        ("machine.toml", ID, ("--rehearse", "1"), "drive needs a terminal"),
        ("machine.toml", ID, ("--json",), "no guided drive of machine"),
        ("weak.toml", ID, ("--first-power-done",), "fit says stop"),
    ],
)
def test_what_is_not_ready_says_why(folder, capsys, file: str, section: str, words: list[str], said: str) -> None:
    text = (folder / file).read_text(encoding="utf-8").replace("[machine]", section)
    (folder / "ready.toml").write_text(text, encoding="utf-8")
    status, out = told(capsys, "drive", folder / "ready.toml", "--store", folder / "none.sqlite3", *words)
    assert status == 2
    assert said in out


def _stored(
    store: Path,
    machine_text: str,
    batches,
    mark: str,
    events: Sequence[Event] = (),
    days: int = 0,
    ends: bool = True,
) -> None:
    """Record a drive with one mark and others, as a run does; one that does not end was killed."""
    start = 1_780_000_000_000_000 + days * 86_400_000_000
    rows = [Batch(each.group, each.t + start, each.values) for each in batches]
    end = int(max(each.t[-1] for each in rows))
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="a cart",
            machine_text=machine_text,
            origin="live",
            time_basis="absolute",
            started=start,
            start=start,
            replayed_from=None,
            drivers={"machine": "simulated-machine"},
        )
        marks = (Mark(start + 1_000_000, mark), *(replace(event, t=event.t + start) for event in events))
        assert writer.offer(Span(end, tuple(rows), marks)) == 0
        if ends:
            writer.end_session(end, 15.0)


def test_the_same_rows_have_the_same_hash_and_two_recordings_are_one_result(folder, capsys) -> None:
    words = ["drive", folder / "machine.toml", "--store", folder / "store.sqlite3", "--json", "--judge"]
    _, out = told(capsys, *words, folder / "launches.csv", folder / "launches.csv")
    shown = json.loads(out)
    first, second = shown["sessions"]
    assert first["rows_sha256"] == second["rows_sha256"]
    assert "launches" in [each["step"] for each in shown["repeated"]]
