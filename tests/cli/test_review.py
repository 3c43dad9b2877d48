"""``review``: a stored session and a file under the cursor, with every key; odd machines, damage. Invented values."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import InputError, StoreError
from telemetry.model.events import AlarmChange, Event, Gap, LinkChange, Mark
from telemetry.runs import stored_past
from telemetry.runs.review import open_review
from telemetry.screen.panel import Panel
from telemetry.screen.review import Review
from telemetry.store.reader import Origin, StoreReader
from telemetry.store.writer import StoreWriter
from tests.screen.quiet_loop import keys_until_quiet

START = 1_700_000_000_000_000
SECOND = 1_000_000
LASTS_S = 600
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 24
capacity_ah = 105
continuous_discharge_a = 140
continuous_charge_a = 60
"""
PACK = Group("pack", "pack", ("pack_voltage", "pack_current", "vehicle_speed"))
POWER = Group("derived", "power", ("pack_power",), "derived")
LOWEST = Group("pack", "pack_cells", ("cell_min_voltage",), "derived")
BUSY_S = 60.0


def batches(
    step_s: float = 0.1, lasts_s: float = LASTS_S, holes: tuple[tuple[float, float], ...] = ()
) -> list[Batch]:
    """Return a drive whose load steps every 20 s, with one row 8 V below the rest at 400 s."""
    second = np.arange(0, lasts_s, step_s)
    for first, end in holes:
        second = second[(second < first) | (second > end)]
    amperes = np.where(second % 40 < 20, 5.0, 85.0) + np.sin(second)
    volts = 80.0 - 0.028 * amperes
    volts[np.flatnonzero(second > 400.0 - 1e-6)[:1]] = 58.0
    t = START + np.round(second * SECOND).astype(np.int64)
    speed = np.where(second < 60, 0.0, 6.0)
    return [
        Batch(PACK, t, np.column_stack((volts, amperes, speed))),
        Batch(POWER, t, (volts * amperes)[:, None]),
        Batch(LOWEST, t, (volts / 24)[:, None]),
    ]


EVENTS: tuple[Event, ...] = (
    LinkChange(START, "pack", "live"),
    Mark(START + 100 * SECOND, "hill"),
    AlarmChange(START + 400 * SECOND, "pack-voltage-low", "pack_voltage", "trip", "raised", 58.0, 60.0),
    AlarmChange(
        START + 412 * SECOND, "pack-voltage-low", "pack_voltage", "trip", "cleared", 79.0, 60.0, stands="normal"
    ),
    Gap(START + 520 * SECOND, "pack", "pack_current", START + 500 * SECOND),
)


def record(
    store: Path,
    made: list[Batch],
    events: tuple[Event, ...] = EVENTS,
    machine: str | None = MACHINE,
    end: bool = True,
    origin: Origin = "live",
) -> None:
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="orchard mower",
            machine_text=machine,
            origin=origin,
            time_basis="absolute",
            started=START,
            start=START,
            replayed_from=None,
            drivers={"pack": "serial-text"},
        )
        last = max([int(batch.t[-1]) for batch in made if len(batch)] + [event.t for event in events], default=START)
        writer.offer(Span(last, tuple(made), events))
        if end:
            writer.end_session(last)


@pytest.fixture(autouse=True)
def _quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    keys_until_quiet(monkeypatch)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "sessions.sqlite3"
    record(path, batches(holes=((500.0, 520.0),)))
    return path


@pytest.fixture
def opened() -> Iterator[Callable[..., Review]]:
    """Open reviews, and close them."""
    made: list[Review] = []

    def run(name: str, store: Path, **more: object) -> Review:
        made.append(open_review(name, store, **more))  # type: ignore[arg-type]
        return made[-1]

    yield run
    for review in made:
        review.past.close()


def ready(review: Review) -> None:
    """Wait until nothing is being fetched."""
    give_up = time.monotonic() + BUSY_S
    review.past.poll()
    review.dashboard.drawn_lines(120, 40, 0)
    while review.past.doing:
        assert time.monotonic() < give_up, review.past.doing
        time.sleep(0.01)
        review.past.poll()


def rows(review: Review) -> list[str]:
    review.screen.paint()
    return ["".join(text for text, _ in line) for line in review.screen.query_one(Panel).drawn]


def text(review: Review) -> str:
    return "\n".join(rows(review))


async def test_a_session_is_under_the_cursor_with_every_key(
    store: Path, opened: Callable[..., Review], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    review = opened("last", store)
    window = review.traces.window
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        shown = rows(review)
        began = datetime.fromtimestamp(START / SECOND)
        assert shown[0].startswith(f" review  session 1, orchard mower, {began:%d %b %H:%M}  ▐ ● 0:09:59 long")
        assert shown[0].rstrip().endswith("PAUSED")
        assert window.width is None
        assert "drive" in shown[5]
        await pilot.press("a")
        assert window.cursor == 400 * SECOND
        await pilot.press("up", "up")
        assert "■ low pack voltage" in text(review)
        assert "58.0 to " in text(review), "the dip is in the cursor's column"
        await pilot.press("n")
        assert window.cursor == 500 * SECOND
        assert "no data: pack current" in text(review)
        assert "░" in text(review)
        await pilot.press("k")
        assert window.cursor == 100 * SECOND
        assert "◆ hill" in text(review)
        await pilot.press("b")
        assert window.cursor == 100 * SECOND
        assert "nothing happened before this" in rows(review)[-1]
        await pilot.press("g", *"330", "enter")
        assert window.cursor == 210 * SECOND
        await pilot.press("s", "g", *"630", "enter", "s")
        rows(review)
        review.traces.figures.wait()
        said = text(review)
        assert "span  0:03:30 to 0:06:30, 0:03:00" in said
        assert "lowest pack 77.6 V" in said
        assert "10 s resistance 28 ± " in said, "28 mΩ is what the made-up pack has"
        await pilot.press("i")
        review.traces.figures.wait()
        assert "1801 rows written to session-1_0-03-30_0-06-30.csv" in rows(review)[-1]
        lines = (tmp_path / "session-1_0-03-30_0-06-30.csv").read_text("utf-8").splitlines()
        assert lines[0] == "time,pack_voltage,pack_current,vehicle_speed"
        assert len(lines) == 1802
        assert lines[1].startswith("2023-11-14T22:16:50.000000Z,")
        await pilot.press("x")
        assert window.span is None
        place = review.past.signals.index("pack_current")
        await pilot.press("l", *["down"] * place, "space", "enter")
        assert "CURRENT" not in text(review)
        await pilot.press("f", "home", "q")
    assert review.screen.return_code == 0


async def test_a_mark_at_the_cursor_belongs_to_the_session(store: Path, opened: Callable[..., Review]) -> None:
    review = opened("1", store)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        await pilot.press("g", *"200", "enter", "space", "3")
        assert "mark set at 0:02:00: load on" in rows(review)[-1]
        await pilot.press("home", "k")
        assert review.traces.window.cursor == 100 * SECOND
        await pilot.press("k")
        assert review.traces.window.cursor == 120 * SECOND
        await pilot.press("up", "up")
        assert "◆ load on" in text(review)
        await pilot.press("4")
        assert "mark: load on" in text(review)
        await pilot.press("3", "space", "escape", "backspace")
        assert "taken back" in rows(review)[-1]
    with StoreReader.open(store) as reader:
        marks = [event for event in reader.events(1) if isinstance(event, Mark)]
        assert [(mark.t - START, mark.text, mark.taken_back) for mark in marks] == [
            (100 * SECOND, "hill", False),
            (120 * SECOND, "load on", False),
            (120 * SECOND, "mark", True),
        ]
        assert reader.session(1).marks == 2


async def test_the_other_views_show_what_was_known_at_the_cursor(store: Path, opened: Callable[..., Review]) -> None:
    review = opened("1", store)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        await pilot.press("g", *"330", "enter", "1")
        rows(review)
        reading = review.snapshot.readings["pack_voltage"]
        assert reading.t == START + 210 * SECOND
        assert reading.value == pytest.approx(79.9, abs=0.1)
        assert review.snapshot.extremes["pack_voltage"] == pytest.approx((77.6, 79.9), abs=0.1)
        assert not review.snapshot.alarms
        await pilot.press("right", "left", "left")
        assert review.traces.window.cursor == 200 * SECOND
        await pilot.press("3", "a", "4")
        assert "low pack voltage" in text(review)
        assert review.snapshot.alarms
        await pilot.press("3", "home", "4")
        rows(review)
        assert not review.snapshot.alarms
        await pilot.press("3", "g", *"800", "enter", "4", "v")
        assert review.traces.window.cursor in (400 * SECOND, 412 * SECOND, 480 * SECOND)
        assert "PAUSED" in rows(review)[0]


async def test_the_cursor_plays_and_stops_at_the_end(store: Path, opened: Callable[..., Review]) -> None:
    review = opened("1", store)
    async with review.screen.run_test(size=(80, 24)) as pilot:
        ready(review)
        await pilot.press("p")
        assert review.cursor.goes
        assert "X1" in rows(review)[0]
        await pilot.press("full_stop", "full_stop", "comma")
        assert review.cursor.speed == 2.0
        await pilot.press("p")
        assert not review.cursor.goes
        await pilot.press("end", "p")
        assert not review.cursor.goes
        assert "this is the end" in rows(review)[-1]
        await pilot.press("b", "p", "full_stop")
        review.cursor.set_speed(1e12)
        review.cursor._since = (0, review.traces.window.cursor)
        review.cursor.tick()
        assert not review.cursor.goes
        assert review.traces.window.cursor == review.traces.window.length


async def test_another_session_is_opened_from_the_list(store: Path, opened: Callable[..., Review]) -> None:
    record(store, batches(1.0))
    review = opened("2", store)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        await pilot.press("6")
        assert "orchard mower" in text(review)
        await pilot.press("down", "enter")
    assert review.next == 1


def csv(path: Path, made: list[Batch], names: tuple[str, ...] = PACK.signals) -> Path:
    lines = [",".join(["t", *names])]
    for t, row in zip(made[0].t.tolist(), made[0].values.tolist(), strict=True):
        lines.append(",".join([f"{(t - START) / SECOND:.3f}", *(f"{value:.4f}" for value in row[: len(names)])]))
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


async def test_a_file_grows_while_it_is_read_and_is_judged_by_the_machine_file(
    tmp_path: Path, opened: Callable[..., Review]
) -> None:
    low = batches()
    low[0].values[4000:4200, 0] = 57.0  # 400 s to 420 s below the cut-off
    file, machine = csv(tmp_path / "drive.csv", low), tmp_path / "mower.toml"
    machine.write_text(MACHINE, "utf-8")
    review = opened(str(file), tmp_path / "none.sqlite3", machine=machine)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        assert "review  drive.csv" in rows(review)[0]
        ready(review)
        shown = text(review)
        assert "POWER kW" in shown or "power, kW" in shown
        assert "drive" in shown
        await pilot.press("a")
        assert 400 * SECOND <= review.traces.window.cursor <= 420 * SECOND
        await pilot.press("up", "up", "up")
        assert "■ low pack voltage" in text(review)
        await pilot.press("space")
        assert "a file keeps none" in rows(review)[-1]
        await pilot.press("1")
        assert "VOLTAGE" in text(review)
        assert review.snapshot.alarms


async def test_an_import_is_judged_as_the_report_judges_it(
    tmp_path: Path, opened: Callable[..., Review], capsys: pytest.CaptureFixture[str]
) -> None:
    store, machine = tmp_path / "sessions.sqlite3", tmp_path / "mower.toml"
    machine.write_text(MACHINE.replace("[pack]", "[machine]\nname = 'mower'\n[pack]"))
    low = [deeper(batch) for batch in batches(1.0, holes=((450.0, 500.0),)) if batch.group is PACK]
    t = low[0].t
    cells = Group("pack", "cells", ("cell_01_voltage", "cell_02_voltage", "cell_03_voltage"))
    low.append(Batch(cells, t, np.linspace(3.3, 3.2, 3 * len(t)).reshape(-1, 3)))
    record(store, low, (Mark(START + 100 * SECOND, "hill"),), machine.read_text(), origin="import")
    assert main(["alarms", "1", "--store", str(store), "--json"]) == 0
    listed = {alarm["limit"] for alarm in json.loads(capsys.readouterr().out)["alarms"]}
    assert "pack-voltage-low" in listed
    review = opened("last", store)
    async with review.screen.run_test(size=(120, 40)):
        ready(review)
        assert {event.limit for event in review.past.all_events if isinstance(event, AlarmChange)} == listed
        assert any(isinstance(event, Gap) for event in review.past.all_events)
        lane = next(row for row in rows(review) if "LOWEST CELL" in row)
        assert lane.count("░") <= 12, "derived as in a run, to the end; the gap is 50 s of 10 min"
        assert review.past.extremes("cell_min_voltage") == (pytest.approx(3.2), pytest.approx(3.3, abs=1e-3))
        assert "■" in rows(review)[1], "drawn over the whole drive"


def deeper(batch: Batch) -> Batch:
    """Return the drive with its voltage below every cut-off for half a minute from 300 s."""
    values = batch.values.copy()
    values[300:330, 0] = 50.0
    return Batch(batch.group, batch.t, values)


async def test_the_cells_at_the_cursor_have_their_resistance(tmp_path: Path, opened: Callable[..., Review]) -> None:
    """Three cells of 1.2 mΩ, one of which has twice that."""
    store = tmp_path / "sessions.sqlite3"
    pack = next(batch for batch in batches(1.0) if batch.group is PACK)
    amperes = pack.values[:, 1]
    cells = Group("pack", "cells", ("cell_01_voltage", "cell_02_voltage", "cell_03_voltage"))
    sag = np.outer(amperes, [0.0012, 0.0012, 0.0024])
    record(store, [pack, Batch(cells, pack.t, 3.34 - sag)], ())
    review = opened("last", store)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        await pilot.press("end", "2")
        rows(review)
        assert review.cells is not None
        review.cells.wait()
        third = next(row for row in rows(review) if row.startswith("    3"))
        assert third.split()[-2:] == ["2.40", "2.00"]
        await pilot.press("3", "home", "2")
        rows(review)
        review.cells.wait()
        assert "times" not in rows(review)[3], "nothing is known of the load before the start"


async def test_a_named_machine_file_judges_a_recorded_session_anew(
    store: Path, opened: Callable[..., Review], tmp_path: Path
) -> None:
    machine = tmp_path / "weak.toml"
    machine.write_text(MACHINE.replace("continuous_discharge_a = 140", "continuous_discharge_a = 40"))
    review = opened("last", store, machine=machine)
    async with review.screen.run_test(size=(120, 40)):
        ready(review)
        limits = {event.limit for event in review.past.all_events if isinstance(event, AlarmChange)}
        assert "discharge-current" in limits
        assert "pack-voltage-low" not in limits, "one row is no alarm; the recorded one was by other limits"


async def test_the_marks_beside_a_file_are_its_marks(
    store: Path, opened: Callable[..., Review], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mow.csv"
    assert main(["export", "last", str(out), "--store", str(store)]) == 0
    assert (tmp_path / "mow.marks.csv").exists()
    review = opened(str(out), tmp_path / "none.sqlite3")
    async with review.screen.run_test(size=(120, 40)):
        ready(review)
        marks = [event for event in review.past.all_events if isinstance(event, Mark)]
        assert marks == [Mark(START + 100 * SECOND, "hill")]
        assert "◆" in rows(review)[1]
    capsys.readouterr()
    assert main(["report", str(out), "--json"]) == 0
    assert [mark["text"] for mark in json.loads(capsys.readouterr().out)["marks"]] == ["hill"]


async def test_progress_shows_while_a_long_file_is_read(tmp_path: Path, opened: Callable[..., Review]) -> None:
    review = opened(str(csv(tmp_path / "drive.csv", batches(0.01))), tmp_path / "none.sqlite3")
    seen = ""
    async with review.screen.run_test(size=(120, 40)):
        give_up = time.monotonic() + BUSY_S
        while review.past.doing and time.monotonic() < give_up:
            seen += rows(review)[0]
        # an idle computer may have read it all before the first look; then the phases are still being found
        assert "► reading, 0:0" in seen or "► finding phases" in seen
        assert " so far" in seen or "► reading" not in seen
        assert "long" in rows(review)[0]


async def test_a_mistake_far_down_a_file_is_told_and_what_is_before_it_is_shown(
    tmp_path: Path, opened: Callable[..., Review]
) -> None:
    file = csv(tmp_path / "drive.csv", batches(0.01))
    lines = file.read_text("utf-8").splitlines()
    lines.insert(59_000, "12.0,1,1,1")
    file.write_text("\n".join(lines), "utf-8")
    review = opened(str(file), tmp_path / "none.sqlite3")
    async with review.screen.run_test(size=(200, 40)):
        rows(review)
        give_up = time.monotonic() + BUSY_S
        while not review.past.trouble and time.monotonic() < give_up:
            review.past.poll()
        assert "line 59001: time goes back" in " ".join(row.strip(" ▐▌") for row in rows(review)[-5:])
        assert review.past.end == round(589.98 * SECOND)
        assert "VOLTAGE" in text(review)


ODD: dict[str, tuple[list[Batch], tuple[Event, ...], str | None]] = {
    "no machine file": (batches(), EVENTS, None),
    "once a second": (batches(1.0), EVENTS, MACHINE),
    "only voltage": (
        [Batch(Group("pack", "pack", ("pack_voltage",)), (b := batches(1.0)[0]).t, b.values[:, :1].copy())],
        EVENTS[:2],
        None,
    ),
    "no values": ([], (), MACHINE),
    "events alone": ([], EVENTS, MACHINE),
    "unknown values alone": (
        [Batch(PACK, (c := batches(1.0)[0]).t, np.full(c.values.shape, np.nan))],
        EVENTS[:2],
        MACHINE,
    ),
    "one row": ([batches(lasts_s=0.1)[0]], (), MACHINE),
    "many gaps": (batches(holes=tuple((float(n), n + 7.0) for n in range(20, 580, 20))), EVENTS, MACHINE),
    "times that repeat": (
        [Batch(PACK, np.repeat((d := batches(0.2)[0]).t, 2), np.repeat(d.values, 2, axis=0))],
        EVENTS,
        MACHINE,
    ),
}
KEYS = (
    *("right", "left", "pagedown", "pageup", "end", "home", "up", "up", "up", "n", "a", "k", "b", "s", "right", "s"),
    *("f", "f", "down", "l", "down", "space", "enter", "x", "1", "2", "3", "4", "5", "3", "t", "h", "h", "p", "p"),
)


@pytest.mark.parametrize("name", sorted(ODD))
async def test_a_session_of_an_odd_machine_takes_every_key(
    name: str, tmp_path: Path, opened: Callable[..., Review]
) -> None:
    made, events, machine = ODD[name]
    store = tmp_path / "sessions.sqlite3"
    record(store, made, events, machine)
    review = opened("1", store)
    async with review.screen.run_test(size=(80, 24)) as pilot:
        ready(review)
        for key in KEYS:
            await pilot.press(key)
            window = review.traces.window
            assert 0 <= window.cursor <= window.length, key
            review.traces.figures.wait()
        shown = rows(review)
        assert shown[0].startswith(" review  session 1")
        if name in ("no values", "events alone", "unknown values alone"):
            assert "the session holds no values" in text(review)


async def test_a_session_with_a_clock_that_steps_is_drawn_by_its_rows_times(
    tmp_path: Path, opened: Callable[..., Review]
) -> None:
    """A computer's clock that is set forward in a drive: rows, gap and cursor go by what was recorded."""
    made = batches(1.0)
    made[0].t[300:] += 7200 * SECOND  # the others share it
    store = tmp_path / "sessions.sqlite3"
    record(store, made, (Gap(int(made[0].t[300]), "pack", "pack_current", int(made[0].t[299])),))
    review = opened("1", store)
    async with review.screen.run_test(size=(120, 40)) as pilot:
        ready(review)
        assert "2:09:59 long" in rows(review)[0]
        assert "░" in text(review)
        await pilot.press("n")
        assert review.traces.window.cursor in (299 * SECOND, 0) or review.traces.window.cursor < 400 * SECOND


async def test_a_session_that_is_being_recorded_can_be_looked_at(
    tmp_path: Path, opened: Callable[..., Review]
) -> None:
    store = tmp_path / "sessions.sqlite3"
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="cart", machine_text=None, origin="live", time_basis="absolute", started=START, start=START
        )
        made = batches(lasts_s=90.0)
        writer.offer(Span(int(made[0].t[-1]), tuple(made), EVENTS[:1]))
        writer.flush()
        review = opened("last", store)
        async with review.screen.run_test(size=(80, 24)):
            ready(review)
            assert "0:01:29 long" in rows(review)[0]
            assert review.past.extremes("pack_current") is not None
        writer.end_session(START + 90 * SECOND)


def test_the_rows_of_a_session_too_long_to_be_held_come_for_the_window(
    store: Path, opened: Callable[..., Review], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stored_past, "MOST_ROWS", 1000)
    review = opened("1", store)
    traces = review.traces
    assert traces.past.columns("pack_voltage", 60 * SECOND, 0, 10).low.min() == 58.0
    traces.window.show(400 * SECOND, SECOND)
    ready(review)
    columns = traces.past.columns("pack_voltage", SECOND, 380 * SECOND, 40)
    assert np.flatnonzero(columns.low == 58.0).tolist() == [20]
    first, last = review.past._loaded["pack_voltage"].first, review.past._loaded["pack_voltage"].last  # type: ignore[union-attr]
    assert START < first < START + 400 * SECOND < last
    before = traces.past.columns("pack_voltage", 60 * SECOND, 0, 10)
    assert before.low.min() == 58.0


@pytest.mark.parametrize("arguments", [["review", "last"], ["review", "7"], ["review", "nothing.csv"]])
def test_without_a_terminal_it_says_so(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert "review needs a terminal to draw on" in capsys.readouterr().err


def test_what_is_not_there_is_one_sentence(store: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no session 9 in the store"):
        open_review("9", store)
    with pytest.raises(InputError, match="there is no session or recording nothing"):
        open_review("nothing", store)
    with pytest.raises(InputError, match="nothing has been recorded in"):
        open_review("last", tmp_path / "none.sqlite3")


def damage(store: Path, table: str) -> None:
    """Overwrite the first page of a table."""
    with StoreReader.open(store) as reader:
        roots = dict(reader._db.execute("SELECT name, rootpage FROM sqlite_master WHERE rootpage > 0").fetchall())
    with store.open("r+b") as file:
        file.seek((roots[table] - 1) * 4096)
        file.write(b"\xa5" * 4096)


def test_a_store_whose_minutes_are_damaged_is_one_sentence(store: Path) -> None:
    damage(store, "minute")
    with pytest.raises(StoreError, match="repair"):
        open_review("1", store).past.extremes("pack_voltage")


async def test_rows_that_are_damaged_are_told_in_the_first_row(store: Path, opened: Callable[..., Review]) -> None:
    review = opened("1", store)
    damage(store, "group_pack")
    async with review.screen.run_test(size=(160, 45)):
        rows(review)
        give_up = time.monotonic() + BUSY_S
        while not review.past.trouble and time.monotonic() < give_up:
            review.past.poll()
        said = " ".join(row.strip() for row in rows(review)[-5:])
        assert "damaged" in said
        assert "shakedown repair" in said
        assert "VOLTAGE" in text(review), "its minutes are drawn"
