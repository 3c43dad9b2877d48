"""The drive view as text, by state, size and palette, and what never happens on it. Invented values throughout.

The texts are in ``snapshots/``; ``python -m tests.screen.test_drive_view`` writes them anew. Read them before you
commit them.
"""

from __future__ import annotations

import time
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.screen.alarm_cards import draw_alarms
from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.digits import figure_rows, figure_width
from telemetry.screen.drive_view import draw_drive
from telemetry.screen.frame import frame_for
from telemetry.screen.gauge import Gauge, draw_gauge
from telemetry.screen.lanes import lanes_of
from telemetry.screen.parts import fitted_digits
from telemetry.screen.scene import PackScale, Scene
from telemetry.screen.settled import Settlement
from telemetry.screen.slots import slots_of
from telemetry.screen.theme import Colours, Light, palette
from telemetry.screen.units import IMPERIAL, METRIC
from tests import pictures
from tests.screen.drive_states import LIMITS, SCALE, STATES, scene_of

SNAPSHOTS = Path(__file__).parent / "snapshots"
TAKEN = (
    *(("working", size, "full") for size in ((60, 17), (80, 24), (100, 33), (120, 40), (160, 45), (200, 60))),
    *(("trip", size, "full") for size in ((44, 12), (60, 17), (80, 24), (120, 40), (160, 45))),
    *((state, (80, 24), "full") for state in sorted(STATES) if state not in ("working", "trip")),
    *((state, (120, 40), "full") for state in ("charging", "bms_trip", "link_lost")),
    *((state, (80, 24), "none") for state in ("warning", "charging")),
)
HUNDREDTHS = st.integers(-50_000, 50_000).map(lambda hundredths: hundredths / 100)
ALL_SIZES = [(60, 17), (61, 23), (79, 24), (80, 24), (95, 30), (120, 24), (120, 40), (121, 44), (160, 45), (220, 70)]


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Show local time as that of Greenwich."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@cache
def kept_scene(state: str) -> Scene:
    return scene_of(state)


def drawn(scene: Scene, size: tuple[int, int], light: Light = "sun", colours: Colours = "full") -> list[Line]:
    canvas = Canvas(*size, palette(light, colours))
    draw_drive(canvas, scene)
    return canvas.lines()


def text_of(lines: list[Line]) -> str:
    return "".join(f"{''.join(text for text, _ in line).rstrip()}\n" for line in lines)


def name_of(state: str, size: tuple[int, int], colours: str) -> Path:
    return SNAPSHOTS / f"{state}-{size[0]}x{size[1]}{'' if colours == 'full' else '-no-colour'}.txt"


@pytest.mark.parametrize(("state", "size", "colours"), TAKEN)
def test_a_state_looks_as_it_was_accepted(state: str, size: tuple[int, int], colours: Colours) -> None:
    assert text_of(drawn(scene_of(state), size, "sun", colours)) == name_of(state, size, colours).read_text("utf-8")


@pytest.mark.parametrize("name", sorted(pictures.PICTURES))
def test_pictures_of_the_documentation_are_what_the_program_draws(name: str) -> None:
    kept = (pictures.FOLDER / f"{name}.svg").read_text("utf-8")
    assert pictures.drawn(name) == kept
    ElementTree.fromstring(kept)
    assert f"docs/pictures/{name}.svg" in (pictures.FOLDER.parents[1] / "README.md").read_text("utf-8")


def test_no_snapshot_is_left_over() -> None:
    assert {path.name for path in SNAPSHOTS.glob("*.txt")} == {name_of(*taken).name for taken in TAKEN}


@pytest.mark.parametrize("state", sorted(STATES))
def test_every_row_is_as_wide_as_the_window(state: str) -> None:
    for size in (*ALL_SIZES, (1, 1), (20, 8), (59, 17), (60, 16)):
        for colours in ("full", "none"):
            lines = drawn(kept_scene(state), size, "sun", colours)  # type: ignore[arg-type]
            assert len(lines) == size[1]
            assert {sum(cell_len(text) for text, _ in line) for line in lines} == {size[0]}


@pytest.mark.parametrize("state", sorted(STATES))
def test_the_text_is_the_same_in_sun_and_dusk_and_sixteen_colours(state: str) -> None:
    scene = kept_scene(state)
    texts = {
        text_of(drawn(scene, (80, 24), light, colours))  # type: ignore[arg-type]
        for light in ("sun", "dusk")
        for colours in ("full", "sixteen")
    }
    # The ends of a badge have the same glyph in both lights; only their colours differ.
    assert len(texts) == 1


@pytest.mark.parametrize("state", sorted(STATES))
def test_plain_blocks_are_half_blocks_only(state: str) -> None:
    for size in ((80, 24), (120, 40), (160, 45)):
        canvas = Canvas(*size, palette("sun", "full", plain_blocks=True))
        draw_drive(canvas, kept_scene(state))
        assert not set(text_of(canvas.lines())) & set("▁▂▃▅▆▇▔"), "a font of code page 437 has none of these"
        for drawn_line, line in zip(canvas.lines(), drawn(kept_scene(state), size), strict=True):
            assert cell_len("".join(text for text, _ in drawn_line)) == cell_len("".join(text for text, _ in line))


# Nothing moves

RANGES = {
    "pack_voltage": (58.0, 88.0),
    "pack_current": (-62.0, 150.0),
    "cell_min_voltage": (2.3, 3.7),
    "vehicle_speed": (-20.0, 60.0),
    "pack_power": (-9900.0, 12000.0),
    "soc_reported": (0.0, 100.0),
    "motor_temperature": (-30.0, 150.0),
}


@given(
    st.fixed_dictionaries({name: st.floats(*ends) for name, ends in RANGES.items()}),
    st.sampled_from(ALL_SIZES),
    st.sampled_from(["working", "driving", "resting", "charging"]),
)
@settings(max_examples=60, deadline=None)
def test_no_place_moves_while_values_run_through_their_range(
    values: dict[str, float], size: tuple[int, int], state: str
) -> None:
    """Labels, the last digit, the point and the wall are at the places that the size alone gives them."""
    scene = kept_scene(state)
    readings = {
        name: replace(reading, value=values.get(name, reading.value))
        for name, reading in scene.snapshot.readings.items()
    }
    kept = dict(scene.snapshot.readings)
    frame = frame_for(*size)
    assert frame is not None
    scene.snapshot.readings.update(readings)
    try:
        moment = replace(scene, settled=Settlement())
        lanes, rows = lanes_of(moment), text_of(drawn(moment, size)).split("\n")
        slots = slots_of(moment)
    finally:
        scene.snapshot.readings.update(kept)
    for lane, y in zip(lanes, frame.lanes, strict=True):
        assert len(lane.digits.lstrip("-").replace(".", "")) <= lane.places.whole + lane.places.decimals
        block = figure_rows(lane.digits, frame.scale)
        if figure_width(lane.digits, frame.scale) <= frame.digits:
            left = frame.digits_end - len(block[0])
            assert tuple(row[left : frame.digits_end] for row in rows[y : y + len(block)]) == block
        assert rows[y][: frame.digits_end].strip(" █▀▄") == ""
        assert "." not in lane.digits or len(lane.digits.partition(".")[2]) == lane.places.decimals
        assert {row[frame.wall] for row in rows[y : y + frame.lane_rows]} == {"█"}
    for slot, y in zip(slots, frame.slots, strict=True):
        if frame.right_scale:
            assert rows[y][frame.right :].startswith(f"{slot.label} {slot.unit}")
            digits = fitted_digits(slot, frame.right_scale, frame.right_width)
            assert figure_width(digits, frame.right_scale) <= frame.right_width


@given(st.floats(0.0, 1.5), st.floats(0.0, 1.5) | st.none(), st.floats(0.0, 1.0) | st.none(), st.integers(10, 90))
def test_a_bar_grows_with_its_value_and_never_crosses_the_wall_unless_it_is_past(
    fill: float, worst: float | None, warn: float | None, cells: int
) -> None:
    chosen = palette("sun", "full")

    def halves(share: float) -> int:
        canvas = Canvas(cells + 6, 5, chosen)
        draw_gauge(canvas, Gauge("A", "A", "", fill=share, worst=worst, warn=warn), 0, 0, cells, 5, 3)
        line = canvas.lines()[1]
        assert "".join(text for text, _ in line)[cells] == "█"
        bar, ink = chosen.colours["out"], chosen.colours["ink"]
        count = 0
        for text, style in line:
            if text == "█" * len(text):
                continue
            pair = [style.bgcolor] * 2 if text.isspace() else [style.color, style.bgcolor]
            count += len(text) * sum(colour in (bar, ink) for colour in pair)
        return count

    filled, more = halves(fill), halves(min(1.6, fill + 0.2))
    assert more >= filled
    if worst is None:
        assert filled == pytest.approx(max(1, 2 * cells * min(fill, 1.0) + (fill > 1.0)), abs=10 if fill > 1.0 else 1)


# What it says


def judged(current: float, *alarms: tuple[str, str, str]) -> Gauge:
    """The gauge of the current at so many amperes, with these alarms (limit, signal, level) active."""
    scene = scene_of("working")
    scene.snapshot.readings["pack_current"].value = current
    for limit, signal, level in alarms:
        change = AlarmChange(scene.now, limit, signal, level, "raised", current, 142.0)  # type: ignore[arg-type]
        scene.snapshot.take(Span(scene.now, (), (change,)))
    return lanes_of(scene)[1].gauge


def test_past_a_bound_is_caution_at_once_and_danger_only_when_judged() -> None:
    assert (judged(100.0).meaning, judged(100.0).bar) == (None, "out")
    assert (judged(130.0).meaning, judged(130.0).bar) == ("caution", "warned")
    assert (judged(150.0).meaning, judged(150.0).bar, judged(150.0).said) == ("caution", "beyond", "8 A past")
    assert judged(150.0, ("discharge-current", "pack_current", "trip")).meaning == "danger"
    assert judged(40.0, ("discharge-current", "discharge_current_average", "trip")).meaning == "danger", "its average"
    assert judged(40.0, ("charge-peak", "pack_current", "warn")).meaning == "caution"
    assert judged(40.0, ("cell-spread", "cell_spread", "warn")).meaning is None


@given(st.lists(st.floats(0.0, 141.0), min_size=2, max_size=20))
def test_figure_and_headroom_always_make_the_limit(amperes: list[float]) -> None:
    """A digit waits up to half a second; the headroom beside it waits with it."""
    scene = kept_scene("working")
    reading = scene.snapshot.readings["pack_current"]
    kept = replace(reading)
    settled = Settlement()
    try:
        for place, value in enumerate(amperes):
            now = scene.now + place * 200_000
            reading.value, reading.t = value, now
            lane = lanes_of(replace(scene, now=now, settled=settled))[1]
            assert int(lane.digits) + int(lane.gauge.said.removesuffix(" A left")) == pytest.approx(142, abs=1)
    finally:
        scene.snapshot.readings["pack_current"] = kept


@pytest.mark.parametrize(("average", "said"), [(150.4, "average 8 A past"), (141.0, "average 1 A left")])
def test_while_the_average_is_alarmed_the_words_say_the_average(average: float, said: str) -> None:
    """The limit judges an average: *93 A left* in a red row would be taken for a mistake."""
    scene = scene_of("working")
    limit = replace(scene.snapshot.limits["discharge-current"], signal="discharge_current_average")
    scene.snapshot.limits["discharge-current"] = limit
    group = Group("derived", "average", (limit.signal,), "derived")
    change = AlarmChange(scene.now, limit.name, limit.signal, "trip", "raised", 143.0, 142.0)
    scene.snapshot.take(Span(scene.now, (Batch.of_rows(group, [scene.now], [[average]]),), (change,)))
    gauge = lanes_of(scene)[1].gauge
    assert (gauge.said, gauge.meaning) == (said, "danger")
    for size in ALL_SIZES:
        assert said in text_of(drawn(scene, size))
    scene.snapshot.readings["pack_current"].value = 150.0
    assert lanes_of(replace(scene, settled=Settlement()))[1].gauge.said == "8 A past", (
        "the current itself is what matters then"
    )


@given(
    st.lists(st.tuples(st.sampled_from(LIMITS), st.none() | HUNDREDTHS, st.none() | HUNDREDTHS)),
    st.sampled_from([SCALE, PackScale(), PackScale(1, 0.5, 4.0), PackScale(200, 4.2, 4.2)]),
    st.sampled_from(["working", "charging", "resting"]),
)
@settings(max_examples=40, deadline=None)
def test_odd_limits_of_an_owner_break_nothing(
    odd: list[tuple[Limit, float | None, float | None]], scale: PackScale, state: str
) -> None:
    scene = replace(kept_scene(state), scale=scale, settled=Settlement())
    kept = dict(scene.snapshot.limits)
    scene.snapshot.limits.update({limit.name: replace(limit, warn=warn, trip=trip) for limit, warn, trip in odd})
    try:
        lanes = lanes_of(scene)
        assert all(lane.gauge.fill is None or lane.gauge.fill >= 0.0 for lane in lanes)
        for size in ((60, 17), (120, 40)):
            assert {sum(cell_len(text) for text, _ in line) for line in drawn(scene, size)} == {size[0]}
        for lane in lanes:
            past = " past" in lane.gauge.said
            assert lane.gauge.fill is None or past == (lane.gauge.fill > 1.0) or lane.gauge.said == ""
    finally:
        scene.snapshot.limits.clear()
        scene.snapshot.limits.update(kept)


def test_a_pack_of_many_cells_has_whole_volts_and_a_cell_number_of_three_digits() -> None:
    scene = scene_of("working")
    scene.snapshot.limits.update(
        {
            "pack-voltage-low": replace(LIMITS[0], warn=290.0, trip=275.0),
            "pack-voltage-high": replace(LIMITS[1], warn=398.0, trip=401.0),
        }
    )
    for name, value in (("pack_voltage", 352.4), ("cell_min_number", 110.0), ("cell_max_number", 109.0)):
        scene.snapshot.readings[name].value = value
    scene = replace(scene, scale=replace(SCALE, cells=110))
    for size in ALL_SIZES:
        text = text_of(drawn(scene, size))
        assert "CELL 110" in text
        assert "77.4 V left" in text
    assert lanes_of(scene)[0].digits == "352"


def test_without_limits_the_track_is_dotted_and_says_so() -> None:
    scene = scene_of("working")
    scene.snapshot.limits.clear()
    text = text_of(drawn(replace(scene, scale=PackScale()), (80, 24)))
    assert text.count("no limit stated") == 3
    assert "· · · ·" in text
    assert " left" not in text.replace("min left", "")


def test_a_cell_above_full_turns_the_lane_to_the_upper_limit() -> None:
    scene = scene_of("resting")
    for name in ("cell_min_voltage", "cell_max_voltage"):
        scene.snapshot.readings[name].value = 3.52
    text = text_of(drawn(scene, (80, 24)))
    assert "HIGHEST CELL 9 0.13 V left" in text
    assert "high 3.65" in text


def test_imperial_units_are_shown_and_metric_ones_are_kept() -> None:
    scene = replace(scene_of("working"), units=IMPERIAL)
    text = text_of(drawn(scene, (120, 40)))
    assert "SPEED mph" in text
    assert "PACK °F" in text
    assert "limit 140" in text  # 60 degrees Celsius
    assert scene.snapshot.readings["vehicle_speed"].value == pytest.approx(6.45, abs=0.1)
    speed = slots_of(scene)[0].digits
    assert float(speed) == pytest.approx(6.45 / 1.609344, abs=0.1)


def test_a_hot_pack_is_told_in_the_units_of_the_figure_beside_it() -> None:
    scene = replace(scene_of("working"), units=IMPERIAL)
    change = AlarmChange(scene.now, "pack-temperature-high", "pack_temperature_1", "warn", "raised", 47.0, 45.0)
    scene.snapshot.take(Span(scene.now, (), (change,)))
    view, cards = Canvas(80, 24, palette("sun", "full")), Canvas(80, 24, palette("sun", "full"))
    draw_drive(view, scene)
    draw_alarms(cards, scene, None, 0)
    assert "below 113 °F." in text_of(view.lines())
    assert "117 °F raised" in text_of(cards.lines())
    assert "trip 140 °F, warn 113 °F" in text_of(cards.lines())
    for canvas in (view, cards):
        assert "°C" not in text_of(canvas.lines())


@given(st.integers(-40, 200), st.floats(0.0, 99.0))
def test_text_in_other_units_is_what_the_figures_say(celsius: int, kmh: float) -> None:
    text = f"between {celsius} °C and 45 °C at {kmh:.1f} km/h, 60.0 V"
    assert METRIC.in_text(text) == text
    speed = IMPERIAL.speed_of(float(f"{kmh:.1f}"))
    assert IMPERIAL.in_text(text) == f"between {celsius * 1.8 + 32:.0f} °F and 113 °F at {speed:.1f} mph, 60.0 V"


@pytest.mark.parametrize(("state", "said"), [("working", "turn in 38 min"), ("charging", "+46.1 Ah")])
def test_the_charge_says_what_it_is_good_for(state: str, said: str) -> None:
    assert said in text_of(drawn(kept_scene(state), (80, 24)))


@pytest.mark.parametrize("size", [(60, 17), (80, 24), (160, 45)])
def test_a_charge_at_a_temperature_that_nobody_knows_is_not_called_free_of_alarms(size: tuple[int, int]) -> None:
    unwatched, watched = (text_of(drawn(kept_scene(state), size)) for state in ("charging_unwatched", "charging"))
    assert "no pack" in unwatched
    assert "must not be charged" in " ".join(unwatched.split())
    assert "no pack" not in watched


@pytest.mark.parametrize("size", [(60, 17), (80, 24), (160, 45)])
def test_where_some_cells_are_sent_the_others_are_not_called_free_of_alarms(size: tuple[int, int]) -> None:
    assert "4 of 24 cells" in text_of(drawn(kept_scene("some_cells"), size))
    assert "24 cells" not in text_of(drawn(kept_scene("working"), size))


def test_no_word_on_the_moving_screen_asks_for_a_look() -> None:
    for state in STATES:
        words = set(text_of(drawn(kept_scene(state), (160, 45))).replace(".", " ").split())
        assert not words & {"LOOK", "READ", "CHECK", "Look", "Read", "Check"}, state


if __name__ == "__main__":
    import os

    os.environ["TZ"] = "UTC"
    time.tzset()
    SNAPSHOTS.mkdir(exist_ok=True)
    for each in SNAPSHOTS.glob("*.txt"):
        each.unlink()
    for state, size, colours in TAKEN:
        name_of(state, size, colours).write_text(text_of(drawn(scene_of(state), size, "sun", colours)), "utf-8")  # type: ignore[arg-type]
