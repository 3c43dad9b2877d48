"""The list of sessions as text and under its keys, from real stores. Invented machines and values.

The texts are in ``snapshots/sessions/``; ``python -m tests.screen.test_sessions_view`` writes them anew. Read them
before you commit them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from rich.cells import cell_len

from telemetry.model.clock import ManualClock
from telemetry.report.verdict_acts import _ACTS, act_after
from telemetry.runs.program import PROGRAM, program_version
from telemetry.screen.canvas import Canvas
from telemetry.screen.command_page import CommandPage
from telemetry.screen.session_keys import SessionKeys
from telemetry.screen.session_list import SessionList
from telemetry.screen.sessions_view import draw_sessions
from telemetry.screen.spark import resampled, round_up
from telemetry.screen.theme import Colours, Light, palette
from telemetry.store.outcomes import Outcome, keep_outcome
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S
from tests.screen.conftest import Rig
from tests.screen.session_store import DAY, NOW, ROWS, Row, make_store, power

SNAPSHOTS = Path(__file__).parent / "snapshots" / "sessions"
TAKEN: tuple[tuple[tuple[int, int], Colours], ...] = (
    *((size, "full") for size in ((60, 17), (80, 24), (120, 40), (160, 45))),  # type: ignore[misc]
    ((80, 24), "none"),
)


def listed(store: Path | None) -> SessionList:
    found = SessionList(store, program_version())
    found.look(NOW)
    return found


def drawn(
    sessions: SessionList, size: tuple[int, int], light: Light = "sun", colours: Colours = "full", run: str = ""
) -> str:
    canvas = Canvas(*size, palette(light, colours))
    draw_sessions(canvas, sessions, NOW, run)
    lines = canvas.lines()
    assert all(sum(cell_len(text) for text, _ in line) == size[0] for line in lines)
    return "".join(f"{''.join(text for text, _ in line).rstrip()}\n" for line in lines)


def name_of(size: tuple[int, int], colours: str) -> Path:
    return SNAPSHOTS / f"{size[0]}x{size[1]}{'' if colours == 'full' else '-no-colour'}.txt"


def wait_for(holds: Callable[[], Any], what: str) -> None:
    begun = time.monotonic()
    while not holds():
        assert time.monotonic() < begun + BUSY_S, f"waited in vain for {what}"
        time.sleep(0.05)


@pytest.mark.parametrize(("size", "colours"), TAKEN)
def test_the_list_looks_as_it_did(session_store: Path, size: tuple[int, int], colours: Colours) -> None:
    assert drawn(listed(session_store), size, "sun", colours) == name_of(size, colours).read_text("utf-8")


@pytest.mark.parametrize("size", [(44, 8), (60, 17), (79, 23), (100, 30), (133, 34), (220, 70)])
def test_every_size_and_light_can_be_drawn(session_store: Path, size: tuple[int, int]) -> None:
    for light in ("sun", "dusk"):
        for colours in ("full", "sixteen", "none"):
            text = drawn(listed(session_store), size, light, colours, run="recording 0:21:40")  # type: ignore[arg-type]
            assert "PARK" in text


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (160, 45)])
def test_verdict_and_next_act_are_never_cut(tmp_path: Path, size: tuple[int, int]) -> None:
    """Every act that a report can give, below the longest reason of a row."""
    for key, _ in _ACTS:
        act = act_after(key.replace("*", "pack"), parked=True)
        reason = "Highest cell: likely 3.712 V at 0:15:12, 0.062 V past its limit of 3.650 V; 12 more below."
        row: Row = ("PARK", "highest cell 3.71 V", reason, act, 1850.0, 42, "orchard mower", DAY)
        store = make_store(tmp_path / f"{abs(hash(key))}.sqlite3", (row,))
        said = " ".join(drawn(listed(store), size).split())
        assert act in said, key
        assert reason in said


def test_words_find_machine_date_verdict_name_mark_and_number(session_store: Path) -> None:
    sessions = listed(session_store)
    for text, found in {
        "": [5, 4, 3, 2, 1],
        "gently": [4],
        "orch drive": [4, 3],
        "26 nov": [3, 2],
        "2026-11-27": [5, 4],
        "first hay": [3],
        "gate": [5],
        "charged": [2],
        "nothing has this": [],
        "5": [5],
    }.items():
        sessions.text = text
        assert [entry.record.id for entry in sessions.shown(NOW)] == found, text
    sessions.text = "nothing has this"
    assert "No session has these words" in drawn(sessions, (80, 24))


def test_no_store_an_empty_one_and_a_damaged_one_are_said_in_a_sentence(tmp_path: Path) -> None:
    assert "No session has been recorded yet" in drawn(listed(tmp_path / "none.sqlite3"), (80, 24))
    assert "No session has been recorded yet" in drawn(listed(None), (80, 24))
    damaged = tmp_path / "damaged.sqlite3"
    damaged.write_bytes(b"SQLite format 3\0" + b"\x07" * 5000)
    assert str(damaged) in drawn(listed(damaged), (200, 24))


def test_what_has_no_verdict_says_so(tmp_path: Path, session_store: Path) -> None:
    store = make_store(tmp_path / "unjudged.sqlite3", judged=False)
    with StoreWriter.open(store) as writer:
        start = NOW - DAY
        number = writer.begin_session(
            machine="cart", machine_text=None, origin="live", time_basis="absolute", started=start, start=start
        )
        text = drawn(listed(store), (80, 24))
        assert text.count("not judged yet") == len(ROWS)
        assert f"session {number}" in text
        assert (
            "Being recorded: enter shows it, as shakedown watch --follow does, and leaves the run alone."
            in " ".join(text.split())
        )
        writer.end_session(start)


def test_five_hundred_sessions_are_listed_in_under_half_a_second(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    with StoreWriter.open(store) as writer:
        for n in range(500):
            start = NOW - (501 - n) * DAY
            writer.begin_session(
                machine="cart", machine_text=None, origin="live", time_basis="absolute", started=start, start=start
            )
            writer.end_session(start + DAY // 24)
    from telemetry.store.connection import connect_for_writing
    from telemetry.store.schema import transaction

    db = connect_for_writing(store)
    from telemetry.store.outcomes import outcome_text

    with transaction(db):
        for number in range(1, 501):
            told = outcome_text(Outcome(number, "DRIVE ON", energy_wh=1000.0 + number, power=power(4000.0)))
            db.execute("INSERT INTO outcome VALUES (?, ?, ?, ?)", [number, program_version(), None, told])
    db.close()
    listed(make_store(tmp_path / "small.sqlite3", ROWS[:1]))  # what is imported late is imported now
    begun = time.process_time()
    sessions = listed(store)
    text = drawn(sessions, (120, 40))
    took = time.process_time() - begun
    assert "DRIVE ON" in text
    assert len(sessions.all) == 500
    assert took < 0.5
    begun = time.process_time()
    for _ in range(20):
        sessions.move(1, NOW)
        drawn(sessions, (120, 40))
    assert (time.process_time() - begun) / 20 < 0.05


def test_the_chosen_row_stays_on_view(session_store: Path) -> None:
    sessions = listed(session_store)
    for step, number in ((1, 4), (5, 1), (-9, 5)):
        sessions.move(step, NOW)
        assert sessions.chosen == number
        text = drawn(sessions, (60, 8))
        row = next(line for line in text.splitlines() if line.startswith("►"))
        assert row.split()[1] == str(number)


def test_one_column_of_a_dip_stays_in_view_at_every_width() -> None:
    flat = [(100.0, 110.0)] * 240
    flat[137] = (-5000.0, 100.0)
    for width in range(8, 241):
        low, high = resampled(flat, width)
        assert min(low) == -5000.0
        assert max(high) == 110.0
    assert [round_up(each) for each in (0.0, 999.0, 1001.0, 10_700.0, 61_000.0)] == [1e3, 1e3, 1.5e3, 15e3, 8e4]


# Under the keys


async def test_a_name_and_a_note_are_typed_and_kept(make_rig: Callable[..., Rig], session_store: Path) -> None:
    rig = make_rig(store=session_store)
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await pilot.press("6", "down", "n", *"hill", "enter")
        await pilot.press("o", *"new", "space", *"tyres", "enter")
        await pilot.press("n", *"xyz", "escape")
        assert "hill" in rig.text()
        assert "new tyres" in rig.text()
    with StoreReader.open(session_store) as reader:
        assert (reader.session(4).name, reader.session(4).note) == ("hill", "new tyres")
        assert reader.session(5).name == ""


async def test_typing_finds_and_escape_shows_all(make_rig: Callable[..., Rig], session_store: Path) -> None:
    rig = make_rig(store=session_store)
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await pilot.press("6", "f", *"cart")
        assert " 1 of 5 " in rig.rows()[0]
        await pilot.press("enter")
        assert "with cart" in rig.rows()[0]
        assert "NOT ENOUGH SEEN" in rig.rows()[3]
        await pilot.press("escape")
        assert " 5 " in rig.rows()[0]
        await pilot.press("f", *"gently", "escape")
        assert " 5 " in rig.rows()[0]


async def test_only_the_command_list_deletes_and_only_after_y(
    make_rig: Callable[..., Rig], session_store: Path
) -> None:
    rig = make_rig(store=session_store)
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await pilot.press("6", "down", "c", *"delete", "enter")
        assert "DELETE session 4, orchard mower, for good?" in rig.rows()[-1]
        await pilot.press("n")
        with StoreReader.open(session_store) as reader:
            assert len(reader.sessions()) == 5
        await pilot.press("c", *"delete", "enter", "y")
        assert "session 4 is deleted" in rig.rows()[-1]
        assert [entry.record.id for entry in rig.dashboard._actions.sessions.sessions.all] == [5, 3, 2, 1]


async def test_a_waiting_alarm_is_acknowledged_before_a_session_is_opened(
    make_rig: Callable[..., Rig], session_store: Path
) -> None:
    rig = make_rig(store=session_store)
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(4, lowest=2.4, pack_voltage=25.4)
        await pilot.press("6", "enter")
        rig.close()
        assert [alarm.acknowledged for alarm in rig.snapshot.alarms.in_order()] == [True]


async def test_no_alarm_of_a_replay_keeps_a_session_from_being_opened(
    make_rig: Callable[..., Rig], session_store: Path
) -> None:
    opened: list[int] = []
    rig = make_rig(
        store=session_store, replay=True, open_session=lambda session, _is_recorded: str(opened.append(session) or "")
    )
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(4, lowest=2.4, pack_voltage=25.4)
        assert any(not alarm.acknowledged for alarm in rig.snapshot.alarms.in_order())
        await pilot.press("6", "down", "enter")
        assert opened == [4]


def keys_on(store: Path) -> tuple[SessionKeys, list[str], list[Any]]:
    said: list[str] = []
    shown: list[Any] = []
    review = lambda session, is_recorded: f"opened {session} {is_recorded}"  # noqa: E731
    keys = SessionKeys(listed(store), ManualClock(NOW), said.append, shown.append, PROGRAM, review)
    return keys, said, shown


def test_the_real_report_is_shown_as_a_page(session_store: Path) -> None:
    keys, _, shown = keys_on(session_store)
    keys.report_session()
    page: CommandPage = shown[0]
    wait_for(lambda: page.command.status is not None, "the report")
    assert page.command.status == 0
    canvas = Canvas(80, 60, palette("sun", "full"))
    page.draw(canvas)
    text = "\n".join("".join(text for text, _ in line) for line in canvas.lines())
    assert "NOT ENOUGH SEEN" in text
    assert page.press("q", "q")


def test_two_sessions_are_compared_whichever_comes_first(session_store: Path) -> None:
    keys, said, shown = keys_on(session_store)
    keys.compare_session()
    assert "x" in said[-1]
    assert any(row.startswith(("x   5", "►")) for row in drawn(keys.sessions, (80, 24)).splitlines())
    keys.session_below()
    keys.compare_session()
    page: CommandPage = shown[0]
    assert page.title == "sessions 4 and 5"
    wait_for(lambda: page.command.status is not None, "the comparison")
    assert "session 4" in page.command.out, page.command.err


def test_a_session_is_written_to_a_file_and_no_file_is_overwritten(session_store: Path, tmp_path: Path) -> None:
    keys, said, shown = keys_on(session_store)
    out = tmp_path / "five.csv"
    for ends_with in ("2 rows written to", "exists"):
        keys.export_session()
        entry = shown.pop()
        entry.text = str(out)
        entry.press("enter", None)
        entry.close()
        command = keys._exporting
        assert command is not None
        wait_for(lambda command=command: command.status is not None, "the file")
        keys.tick()
        assert ends_with in said[-1]
    assert out.read_text("utf-8").startswith("t")
    assert "exists" in said[-1]


def test_a_page_that_is_closed_stops_its_command(session_store: Path) -> None:
    keys, _, shown = keys_on(session_store)
    keys.report_session()
    page: CommandPage = shown[0]
    assert page.press("escape", None)
    page.close()
    wait_for(lambda: page.command.status is not None, "its end")
    assert page.command.status != 0


def test_an_outcome_of_another_program_or_machine_file_does_not_count(session_store: Path) -> None:
    keep_outcome(session_store, Outcome(5, "DRIVE ON"), "0.0.1", None)
    keep_outcome(session_store, Outcome(4, "DRIVE ON"), program_version(), "another digest")
    found = listed(session_store)
    assert [entry.record.id for entry in found.all if entry.outcome is None] == [5, 4]


if __name__ == "__main__":
    import os

    os.environ["TZ"] = "UTC"
    time.tzset()
    SNAPSHOTS.mkdir(parents=True, exist_ok=True)
    for each in SNAPSHOTS.glob("*.txt"):
        each.unlink()
    with TemporaryDirectory() as folder:
        made = make_store(Path(folder) / "store.sqlite3")
        for window, count in TAKEN:
            name_of(window, count).write_text(drawn(listed(made), window, "sun", count), "utf-8")
