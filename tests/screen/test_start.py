"""The first screen: as text, under its keys, from real folders, stores and links, and in a real terminal.

Invented machines and values. The texts are in ``snapshots/start/``; ``python -m tests.screen.test_start`` writes them
anew. Read them before you commit them.
"""

from __future__ import annotations

import math
import os
import pty
import select
import shutil
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from rich.cells import cell_len
from textual.pilot import Pilot

from telemetry.machine.first_power_steps import STEPS
from telemetry.machine.machine_file import load_machine
from telemetry.model.clock import ManualClock
from telemetry.runs.first_power_progress import PREFIX, progress
from telemetry.runs.judging import JudgingProcess
from telemetry.runs.outcomes import missing
from telemetry.runs.program import PROGRAM, program_version
from telemetry.runs.survey import Survey
from telemetry.screen.canvas import Canvas
from telemetry.screen.session_list import SessionList
from telemetry.screen.start_face import FOOTERS, START_KEYS, StartFace
from telemetry.screen.start_facts import StartFacts, StartLine
from telemetry.screen.start_page import KEY_COLUMN, draw_start
from telemetry.screen.terminal import TerminalScreen
from telemetry.screen.theme import Colours, palette
from telemetry.store.ledger import Ledger, LedgerEntry
from tests.faults.program import ROOT, shakedown
from tests.screen.session_store import DAY, NOW, ROWS, make_store
from tests.screen.test_real_terminal import Terminal

SNAPSHOTS = Path(__file__).parent / "snapshots" / "start"
TAKEN: tuple[tuple[tuple[int, int], Colours], ...] = (
    *((size, "full") for size in ((60, 17), (80, 24), (120, 40), (160, 45))),  # type: ignore[misc]
    ((80, 24), "none"),
)
FACTS = StartFacts(
    "go on with first power, step 8: the pre-charge resistor",
    "e",
    ("first-power", "mower.toml"),
    (
        StartLine("normal", "mower.toml", "", "mower: both its links answer", "w", "watch", ("watch", "mower.toml")),
        StartLine("act", "/dev/ttyUSB1", "", "a port that no machine file names", "a", "set it up", ("sources",)),
        StartLine("act", "Bluetooth", "", "a device heard, in no machine file"),
    ),
    (
        StartLine("normal", "done", "fit", "nothing stops it, 2 cautions", "f", "read", ("fit", "mower.toml")),
        StartLine(
            "caution", "open", "first power", "7 of 11 steps done", "e", "go on", ("first-power", "mower.toml")
        ),
        StartLine(None, "open", "first drive", "not yet"),
    ),
    False,
)
SPARE = """
[pack]
chemistry = "lfp"
cells_in_series = 8
capacity_ah = 100
"""


class Known:
    """Facts that are known from the beginning."""

    def __init__(self, facts: StartFacts = FACTS) -> None:
        self.facts = facts

    def start(self) -> None:
        pass


def drawn(sessions: SessionList, size: tuple[int, int], colours: Colours = "full", facts: StartFacts = FACTS) -> str:
    canvas = Canvas(*size, palette("sun", colours))
    sessions.look(NOW)
    draw_start(canvas, facts, sessions, NOW)
    lines = canvas.lines()
    assert all(sum(cell_len(text) for text, _ in line) == size[0] for line in lines)
    return "".join(f"{''.join(text for text, _ in line).rstrip()}\n" for line in lines)


def app_on(store: Path | None, facts: StartFacts = FACTS) -> TerminalScreen:
    sessions = SessionList(store, program_version())
    return TerminalScreen(StartFace(Known(facts), sessions, PROGRAM, colours="full", wall=ManualClock(NOW)), "full")


async def first_read(app: TerminalScreen, pilot: Pilot[Any]) -> None:
    """Wait until the store has been read, which comes after the first picture."""
    while not app._face._is_store_read:
        await pilot.pause()


def rows_of(app: TerminalScreen) -> list[str]:
    app.paint()
    return ["".join(text for text, _ in line) for line in app._panel.drawn]


def name_of(size: tuple[int, int], colours: str) -> Path:
    return SNAPSHOTS / f"{size[0]}x{size[1]}{'' if colours == 'full' else '-no-colour'}.txt"


@pytest.mark.parametrize(("size", "colours"), TAKEN)
def test_the_first_screen_looks_as_it_did(session_store: Path, size: tuple[int, int], colours: Colours) -> None:
    sessions = SessionList(session_store, program_version())
    assert drawn(sessions, size, colours) == name_of(size, colours).read_text("utf-8")


def test_each_lines_key_is_at_column_64(session_store: Path) -> None:
    rows = drawn(SessionList(session_store, program_version()), (80, 24)).splitlines()
    keys = {row[KEY_COLUMN] for row in rows[4:] if len(row) > KEY_COLUMN + 1 and row[KEY_COLUMN + 1] == " "}
    assert {"w", "a", "f", "e", "1", "2", "3"} <= keys


def test_an_empty_place_leads_to_a_new_machine_and_the_demo() -> None:
    text = drawn(SessionList(None), (80, 24), facts=StartFacts("describe your machine", "n", ("new-machine",)))
    assert "next: describe your machine" in text
    assert "none recorded yet" in text
    assert "d shows one that drives" in text


WORDS = {
    "demo": ("watch", "--demo"),
    "new_machine": ("new-machine",),
    "line_w": ("watch", "mower.toml"),
    "line_f": ("fit", "mower.toml"),
    "line_e": ("first-power", "mower.toml"),
    "line_a": ("sources",),
    "line_1": ("review", "5"),
    "line_2": ("review", "4"),
    "line_3": ("review", "3"),
    "line_4": ("review", "2"),
    "line_5": ("review", "1"),
    "enter": ("first-power", "mower.toml"),
    "leave": None,
}


@pytest.mark.parametrize("action", sorted(WORDS))
async def test_keys_that_leave_give_the_words_of_a_command(session_store: Path, action: str) -> None:
    app = app_on(session_store)
    async with app.run_test(size=(80, 24)) as pilot:
        await first_read(app, pilot)
        await pilot.press(next(row.key for row in START_KEYS if row.action == action))
    assert app.return_value == WORDS[action]


async def test_the_other_keys_stay(session_store: Path) -> None:
    app = app_on(session_store)
    async with app.run_test(size=(80, 24)) as pilot:
        await first_read(app, pilot)
        await pilot.press("down", "down", "up", "down")
        assert next(row for row in rows_of(app) if row.startswith("►"))[1] == "4"
        await pilot.press("t")
        assert app._face.light == "dusk"
        await pilot.press("h")
        assert "keys of this page" in rows_of(app)[0]
        said = " ".join(" ".join(row[:39] for row in rows_of(app)).split())
        assert "up down choose the session above, choose the session below" in said
        await pilot.press("escape", "c", *"all", "space", *"ses", "enter")
        assert rows_of(app)[0].startswith(" sessions")
        await pilot.press("f", *"cart", "enter")
        assert " 1 of 5 " in rows_of(app)[0]
        await pilot.press("escape")
        assert rows_of(app)[0].startswith(" sessions")
        await pilot.press("escape")
        assert "within reach" in rows_of(app)[4]
        await pilot.press("6", "down", "enter")
    assert app.return_value is not None
    assert app.return_value[0] == "review"


async def test_every_key_is_known_and_no_other_does_anything(session_store: Path) -> None:
    known = {*WORDS, "session_above", "session_below", "all_sessions", "change_light", "help", "commands", "back"}
    known |= {f"{name}_session" for name in ("review", "report", "compare", "export", "name", "note")}
    assert {row.action for row in START_KEYS} == known | {"find_sessions"}
    for page, offered in FOOTERS.items():
        assert set(offered) <= {row.key for row in START_KEYS if page in row.views.split()}
    app = app_on(session_store)
    async with app.run_test(size=(80, 24)) as pilot:
        await first_read(app, pilot)
        before = rows_of(app)
        await pilot.press(*"bgijklmopruvxyz", "0", "7", "space", "backspace", "tab", "escape", "f1", "left")
        assert rows_of(app) == before


async def test_a_click_does_what_the_key_beside_it_does(session_store: Path) -> None:
    app = app_on(session_store)
    async with app.run_test(size=(80, 24)) as pilot:
        await first_read(app, pilot)
        place = next(y for y, row in enumerate(rows_of(app)) if "first power  7 of 11" in row)
        await pilot.click(offset=(30, place))
    assert app.return_value == ("first-power", "mower.toml")


async def test_it_survives_a_window_of_any_size(session_store: Path) -> None:
    for size in ((20, 5), (44, 8), (60, 17), (200, 60)):
        app = app_on(session_store)
        async with app.run_test(size=size) as pilot:
            await first_read(app, pilot)
            rows_of(app)
            await pilot.press("6", "h", "escape", "c", "escape")


# What there is, found out for real


def survey(folder: Path, store: Path) -> StartFacts:
    found = Survey(folder, store)
    found.run()
    assert not found.facts.is_looking
    return found.facts


@pytest.fixture(autouse=True)
def _no_radio(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out what drivers look for by radio and on a bus, which takes seconds and is not here."""
    monkeypatch.setattr("telemetry.pipeline.registry.driver_names", lambda: ["serial-text"])
    monkeypatch.setattr("telemetry.runs.survey.LISTEN_S", 1.0)


def test_without_a_machine_file_the_next_step_is_to_write_one(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text('[[frame]]\nname = "x"\n', "utf-8")
    facts = survey(tmp_path, tmp_path / "none.sqlite3")
    assert (facts.next_key, facts.next_words) == ("n", ("new-machine",))
    assert "no machine file in this folder" in facts.reach[-1].text or facts.reach[0].badge != "nothing"


def test_a_machine_file_that_is_wrong_is_said_and_is_the_next_step(tmp_path: Path) -> None:
    (tmp_path / "cart.toml").write_text('[pack]\nchemistry = "lead"\n', "utf-8")
    facts = survey(tmp_path, tmp_path / "none.sqlite3")
    assert "correct cart.toml" in facts.next
    assert facts.reach[0].meaning == "danger"


def test_the_steps_lead_from_fit_over_first_power_to_the_first_drive(tmp_path: Path) -> None:
    file, store = tmp_path / "mower.toml", tmp_path / "store.sqlite3"
    shutil.copy(ROOT / "docs" / "machines" / "good-retrofit.toml", file)
    machine = load_machine(file)
    facts = survey(tmp_path, store)
    assert facts.next.startswith("begin first power, step ")
    assert [line.badge for line in facts.steps] == ["done", "open", "open"]
    assert not store.exists(), "looking makes no store"
    with Ledger.open(store) as ledger:
        session = ledger.begin(machine.name, machine.text, NOW)
        while (number := progress(machine, store).number) and len(ledger.entries(session)) < len(STEPS):
            if ledger.entries(session) and not progress(machine, store).is_ready:
                facts = survey(tmp_path, store)
                assert facts.next.startswith(f"go on with first power, step {number}: ")
                assert facts.words_for("e") == ("first-power", str(file))
            step = STEPS[number - 1]
            ledger.add(session, LedgerEntry(NOW, PREFIX + step.name, math.nan, step.unit, "skipped"))
    facts = survey(tmp_path, store)
    assert (facts.steps[1].badge, facts.steps[1].meaning) == ("done", "caution")
    assert "skipped" in facts.steps[1].text
    assert facts.next == "add a [[source]] to mower.toml; a lists what is in reach"


def test_a_drive_that_ended_in_park_comes_first(tmp_path: Path) -> None:
    (tmp_path / "mower.toml").write_text('[machine]\nname = "orchard mower"\n' + SPARE, "utf-8")
    store = make_store(tmp_path / "store.sqlite3")
    facts = survey(tmp_path, store)
    assert facts.next == "session 5 says PARK: lowest cell 2.44 V"
    assert facts.next_words == ("review", "5")
    assert facts.steps[2].text == "4 recorded"
    later = ((*ROWS[2][:7], 0), *ROWS)
    assert "PARK" not in survey(tmp_path, make_store(tmp_path / "later.sqlite3", later)).next


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: its far side, and the name under which a driver opens the near one."""
    far, near = pty.openpty()
    tty.setraw(near)
    yield far, os.ttyname(near)
    os.close(far)
    os.close(near)


def machine_on(folder: Path, name: str) -> None:
    source = f'driver = "serial-text"\nname = "meter"\nport = "{name}"\ncolumns_in_order = ["pack_voltage"]\n'
    text = f"\n[[source]]\n{source}"
    (folder / "cart.toml").write_text('[machine]\nname = "cart"\n' + SPARE + text, "utf-8")


@pytest.mark.parametrize("speaks", [True, False])
def test_whether_a_link_answers_is_found_without_sending_anything(
    tmp_path: Path, port: tuple[int, str], speaks: bool
) -> None:
    far, name = port
    machine_on(tmp_path, name)
    done = threading.Event()

    def speak() -> None:
        while speaks and not done.wait(0.05):
            os.write(far, b"26.41\r\n")

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        facts = survey(tmp_path, tmp_path / "none.sqlite3")
    finally:
        done.set()
        speaker.join()
    line = facts.reach[0]
    assert line.text == ("cart: its link answers" if speaks else "cart: meter is there, but sends nothing"), line.text
    assert not select.select([far], [], [], 0.2)[0], "something was sent"


def test_a_port_that_is_gone_is_the_next_step(tmp_path: Path) -> None:
    machine_on(tmp_path, "/dev/ttyUSB77")
    make_store(tmp_path / "store.sqlite3", ((*ROWS[2][:6], "cart", DAY),))
    facts = survey(tmp_path, tmp_path / "store.sqlite3")
    assert facts.next == "connect meter: /dev/ttyUSB77 is not in reach"
    assert facts.reach[0].meaning == "caution"


async def test_verdicts_that_are_missing_come_while_it_is_open(tmp_path: Path) -> None:
    store = make_store(tmp_path / "store.sqlite3", judged=False)
    assert len(missing(store)) == 5
    sessions = SessionList(store, program_version(), JudgingProcess)
    face = StartFace(Known(), sessions, PROGRAM, page="6", colours="full", wall=ManualClock(NOW))
    app = TerminalScreen(face, "full")
    async with app.run_test(size=(120, 40)) as pilot:
        await first_read(app, pilot)
        begun = time.monotonic()
        while any(entry.outcome is None for entry in sessions.all) or not sessions.all:
            assert time.monotonic() < begun + 120
            await pilot.pause(0.1)
        assert sum("NOT ENOUGH SEEN" in row for row in rows_of(app)[3:9]) == 5
    sessions.close()
    assert not missing(store)


def test_closing_ends_the_process_that_judges(tmp_path: Path) -> None:
    judging = JudgingProcess(make_store(tmp_path / "store.sqlite3", judged=False))
    judging.close()
    assert judging.is_done


# In a real terminal, and without one


def test_without_a_terminal_it_says_that_a_command_is_missing() -> None:
    done = shakedown()
    assert done.returncode == 2
    assert "COMMAND is missing; see shakedown --help" in done.stderr


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux, a terminal that a test can read")
def test_a_round_in_a_real_terminal(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    store = make_store(tmp_path / "store.sqlite3")
    os.environ["SHAKEDOWN_STORE"] = str(store)
    try:
        terminal.start((80, 24))
        terminal.wait_until(lambda rows: any("PARK" in row for row in rows), "the last sessions")
        terminal.press("6")
        terminal.wait_until(lambda rows: rows[0].startswith(" sessions"), "the list")
        terminal.press("w")
        terminal.wait_until(lambda rows: "report of session 5" in rows[0] and "NOT ENOUGH" in "".join(rows), "it")
        terminal.press("q")
        terminal.press("Escape")
        terminal.wait_until(lambda rows: any("within reach" in row for row in rows), "the first screen")
        terminal.press("n")
        terminal.wait_until(lambda rows: any(row.startswith("$ shakedown new-machine") for row in rows), "a command")
    finally:
        del os.environ["SHAKEDOWN_STORE"]
        terminal.close()


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux, a terminal that a test can read")
def test_from_one_session_in_review_to_another_by_the_list(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    store = make_store(tmp_path / "store.sqlite3")
    try:
        terminal.start((120, 40), "review", "5", "--store", str(store))
        terminal.wait_until(lambda rows: "session 5" in rows[0], "the review")
        terminal.press("6")
        terminal.wait_until(lambda rows: rows[0].startswith(" sessions") and "PARK" in rows[3], "the list")
        terminal.press("Down")
        terminal.wait_until(lambda rows: rows[4].startswith("►"), "the second")
        terminal.press("Enter")
        terminal.wait_until(lambda rows: "session 4" in rows[0], "the other review")
    finally:
        terminal.close()


if __name__ == "__main__":
    os.environ["TZ"] = "UTC"
    time.tzset()
    SNAPSHOTS.mkdir(parents=True, exist_ok=True)
    for each in SNAPSHOTS.glob("*.txt"):
        each.unlink()
    with TemporaryDirectory() as folder:
        made = make_store(Path(folder) / "store.sqlite3")
        for window, count in TAKEN:
            name_of(window, count).write_text(drawn(SessionList(made, program_version()), window, count), "utf-8")
