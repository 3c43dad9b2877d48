"""The traces view, the same for a live run, a replay and a session looked at afterwards."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from telemetry.analysis.columns import Columns
from telemetry.machine.limits import Limit
from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import clock, length
from telemetry.pipeline.past import Past
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.formats import wrapped
from telemetry.screen.gauge import Runs
from telemetry.screen.happenings import SIGNS, Kind, Moment, moments_of, within
from telemetry.screen.header import draw_header
from telemetry.screen.overview import draw_phases, draw_signs, overview_rows, sign_style
from telemetry.screen.page import Drawn
from telemetry.screen.scene import Scene
from telemetry.screen.span_figures import SpanFigures
from telemetry.screen.trace_lanes import (
    COLOURS,
    MOST_LANES,
    LaneKind,
    LaneLook,
    LaneScale,
    default_lanes,
    lane_kind,
    lane_rows,
    lane_scale,
)
from telemetry.screen.trace_window import TraceWindow

_OVERVIEW = ("pack_power", "pack_current", "pack_voltage")
_TICK_US = 200_000


@dataclass(frozen=True)
class Places:
    """Rows and columns of the view at one size; a row of -1 is left out.

    Attributes:
        x: column where the traces begin, ``columns`` wide.
        signs, overview, phases, names: first row of each; the overview is ``overview_rows`` high.
        lanes: first row of each lane, ``lane_rows`` high.
        axis: row of the line below the lanes; the times are below it.
        span: first row of the span's figures, ``span_rows`` of them.

    """

    x: int
    columns: int
    signs: int
    overview: int
    overview_rows: int
    phases: int
    names: int
    lanes: tuple[int, ...]
    lane_rows: int
    axis: int
    span: int
    span_rows: int


@lru_cache(maxsize=32)
def places_for(width: int, height: int, wanted: int) -> Places:
    """Return the places for ``wanted`` lanes in a window whose last row is the footer's."""
    x = 21 if width >= 100 else 17
    large, small = height >= 32, height < 20
    overview = 3 if large else 1 if small else 2
    span = 2 if large else 1
    count = min(wanted, 4 if large else 2 if small else 3)
    rows = [1, overview, 1, 1]  # signs, overview, phases, names
    for place in (2, 0, 1, 3):  # what goes first where there is no room for the lanes
        if height - 4 - span - sum(rows) < 4 * count - 1:
            rows[place] = 0
    while count > 1 and height - 4 - span - sum(rows) < 4 * count - 1:
        count -= 1
    free = height - 4 - span - sum(rows) - (1 if large else 0)
    each = min(6 if height < 50 else 10, (free - count + 1) // count)
    if free < 2:
        span, each = 0, max(1, free + span)
    starts = [1, 1 + rows[0], 1 + rows[0] + rows[1], 1 + sum(rows[:3])]
    signs, strip, phases, names = (start if size else -1 for start, size in zip(starts, rows, strict=True))
    top = 1 + sum(rows)
    lanes = tuple(top + n * (each + 1) for n in range(count))
    axis = lanes[-1] + each if lanes else top
    below = axis + 2 + (1 if large else 0)
    return Places(x, width - x - 1, signs, strip, rows[1], phases, names, lanes, each, axis, below, span)


class Traces:
    """What is shown of a past, and how.

    Args:
        past: what there is to show.
        limits: in force, by name.
        figures: of the span; without a machine file where None.
        title: of a session that is looked at afterwards; empty for a run that goes on.

    Attributes:
        window: where the cursor is and how much is shown.
        places: of the last picture.

    """

    def __init__(
        self, past: Past, limits: Mapping[str, Limit], figures: SpanFigures | None = None, title: str = ""
    ) -> None:
        self.past, self.title = past, title
        self.figures = SpanFigures(None) if figures is None else figures
        self._limits = limits
        self.window = TraceWindow(grows=past.grows, follows=past.grows)
        if past.grows:
            self.window.width = 2 * MICROSECONDS
        self._kept: dict[Hashable, tuple[Hashable, list[Runs]]] = {}
        self._moments: tuple[Hashable, list[Moment]] = (None, [])
        self.places = places_for(80, 24, MOST_LANES)
        self.fit()

    @property
    def lanes(self) -> tuple[str, ...]:
        """The signals on view."""
        return default_lanes(self.past.signals) if self.window.lanes is None else self.window.lanes

    @property
    def moments(self) -> list[Moment]:
        """What happened so far."""
        key = (self.past.told, len(self.past.phases))
        if self._moments[0] != key:
            self._moments = (key, moments_of(self.past))
        return self._moments[1]

    @property
    def cursor(self) -> int:
        """The moment of the cursor, int microseconds."""
        return self.past.start + self.window.cursor

    def fit(self) -> None:
        """Let the window know how long the session is by now."""
        self.window.fit(self.past.end - self.past.start, self.past.grows, self.places.columns)

    def time_at(self, x: int, y: int) -> int | None:
        """Return the time that a cell stands for, microseconds after the start; None where it stands for none."""
        at, window = self.places, self.window
        column = x - at.x
        if not 0 <= column < at.columns:
            return None
        if at.overview >= 0 and at.signs <= y < at.overview + at.overview_rows + (at.phases >= 0):
            return column * TraceWindow(window.length, window.grows, at.columns).each
        if at.lanes and at.lanes[0] <= y <= at.axis + 1:
            return (window.first + column) * window.each
        return None

    def draw(self, canvas: Canvas, scene: Scene) -> Drawn:
        """Draw the view but for its last row."""
        past, window = self.past, self.window
        past.poll()
        lanes = self.lanes
        self.places = at = places_for(canvas.width, canvas.height, max(1, len(lanes)))
        self.fit()
        self._draw_head(canvas, scene)
        if not lanes:
            canvas.label(1, 2, past.doing or "nothing received yet" if past.grows else "the session holds no values")
            self._draw_trouble(canvas)
            return Drawn()
        each, first = window.each, window.first * window.each
        end = first + each * at.columns
        power = next((name for name in _OVERVIEW if past.extremes(name) is not None), lanes[0])
        past.want([*lanes[: len(at.lanes)], power], past.start + first, past.start + end, each)
        self._draw_whole(canvas, scene, power)
        self._draw_names(canvas, first, each)
        kinds = [lane_kind(name, scene.units) for name in lanes[: len(at.lanes)]]
        for number, (kind, y) in enumerate(zip(kinds, at.lanes, strict=True)):
            self._draw_lane(canvas, kind, COLOURS[number], y)
        self._draw_axis(canvas)
        self._draw_span(canvas)
        self._draw_trouble(canvas)
        return Drawn()

    def _draw_trouble(self, canvas: Canvas) -> None:
        """Draw why some of it is not shown, whole, over the lowest rows."""
        lines = wrapped(self.past.trouble, canvas.width - 6)
        for row, line in enumerate(lines, start=canvas.height - 1 - len(lines)):
            canvas.clear_row(row)
            canvas.filled(0, row, "caution", f" {line}", canvas.width)

    def _draw_head(self, canvas: Canvas, scene: Scene) -> None:
        """Draw the first row: what is looked at, and whether it moves."""
        word = scene.run_word.removeprefix("replay ").removeprefix("review ").upper()
        if self.past.grows and not self.title:
            word = (
                ("NOW" if word in ("RECORDING", "NOT RECORDED") else word) if self.window.follows else "LOOKING BACK"
            )
        width = max(16, len(word) + 2) if canvas.width >= 80 else len(word) + 2
        right = canvas.width - width - (canvas.width >= 80)
        if self.title:
            x = canvas.put(1, 0, fitted(self.title, min(len(self.title), right - 2)), canvas.palette.strong) + 2
            badge = self.past.doing or f"{clock((self.past.end - self.past.start) / 1e6)} long"
            if x + len(badge) + 6 <= right:
                canvas.badge(x, 0, "act" if self.past.doing else "normal", badge)
        else:
            draw_header(canvas, scene, right - 1)
        canvas.put(right, 0, word.center(width), canvas.palette.inverse)

    def _rows(self, place: Hashable, key: Hashable, make: object) -> list[Runs]:
        """Return rows drawn before where nothing they are made from has changed."""
        assert callable(make)
        kept = self._kept.get(place)
        if kept is None or kept[0] != key:
            kept = self._kept[place] = (key, make())
        return kept[1]

    def _tick(self, end: int, each: int) -> int:
        """Return what changes as often as the part up to ``end`` is drawn anew: not at all once it is complete."""
        late = self.past.end - self.past.start
        if end <= late - 5 * MICROSECONDS or not self.past.grows:
            return 0
        return late // max(_TICK_US, min(each, MICROSECONDS))

    def _draw_whole(self, canvas: Canvas, scene: Scene, signal: str) -> None:
        at, past, window = self.places, self.past, self.window
        whole = TraceWindow(past.end - past.start, past.grows, at.columns).each
        if at.signs >= 0:
            canvas.label(1, at.signs, "marks, alarms")
            draw_signs(canvas, self.moments, at.x, at.signs, whole, at.columns)
        if at.overview >= 0:
            kind = lane_kind(signal, scene.units)
            words = f"{kind.title.lower()}, {kind.unit}"
            canvas.label(1, at.overview, "whole drive" if at.overview_rows > 1 else words)
            if at.overview_rows > 1:
                canvas.label(1, at.overview + 1, words if at.x > len(words) else kind.unit)
            ends = past.extremes(signal) or (0.0, 1.0)
            shown = None
            if window.width is not None:
                first = window.first * window.each // whole
                shown = (first, min(at.columns - 1, ((window.first + at.columns) * window.each - 1) // whole))
            tick = self._tick(past.end, MICROSECONDS)
            key = (signal, whole, at.columns, at.overview_rows, shown, past.version, canvas.palette, ends, tick)
            drawn = self._rows(
                "whole",
                key,
                lambda: overview_rows(
                    canvas.palette, past.columns(signal, whole, 0, at.columns), at.overview_rows, ends, shown
                ),
            )
            for row, runs in enumerate(drawn):
                canvas.runs(at.x, at.overview + row, at.columns, runs)
        if at.phases >= 0:
            draw_phases(canvas, past.phases, past.start, at.x, at.phases, whole, at.columns)

    def _draw_names(self, canvas: Canvas, first: int, each: int) -> None:
        """Draw the names of what happened in the window, the urgent ones first; what has no room is left out."""
        at = self.places
        if at.names < 0:
            return
        taken: list[tuple[int, int]] = []
        inside = within(self.moments, first, first + each * at.columns)
        order: tuple[Kind, ...] = ("trip", "warn", "mark", "gap")
        for kind in order:
            for moment in inside:
                if moment.kind != kind:
                    continue
                sign = SIGNS.get(moment.kind, "")
                text = f"{sign} {moment.words}" if sign else moment.words
                column = min((moment.t - first) // each, max(0, at.columns - len(text)))
                place = (column, min(at.columns, column + len(text)))
                if any(place[0] <= other[1] and other[0] <= place[1] for other in taken):
                    continue
                taken.append(place)
                style = canvas.palette.label if kind == "gap" else sign_style(canvas.palette, kind)
                canvas.put(at.x + column, at.names, text[: at.columns - column], style)

    def _draw_lane(self, canvas: Canvas, kind: LaneKind, colour: str, y: int) -> None:
        at, past, window, palette = self.places, self.past, self.window, canvas.palette
        each = window.each
        first = window.first * each
        scale = lane_scale(past, kind, self._limits)
        look = LaneLook(colour, self._alarmed(first, each), self._cursor_column())
        end = first + each * at.columns
        key = (kind, each, first, at.columns, at.lane_rows, scale, look, past.version, palette, self._tick(end, each))
        made: list[Columns] = []

        def make() -> list[Runs]:
            made.append(past.columns(kind.signal, each, first, at.columns))
            return lane_rows(palette, kind, made[0], at.lane_rows, scale, look)

        for row, runs in enumerate(self._rows(y, key, make)):
            canvas.runs(at.x, y + row, at.columns, runs)
        self._draw_words(canvas, kind, scale, colour, y)

    def _draw_words(self, canvas: Canvas, kind: LaneKind, scale: LaneScale, colour: str, y: int) -> None:
        """Draw what is left of a lane: name, value at the cursor, ends of the scale, limit."""
        at, palette, last = self.places, canvas.palette, self.places.lane_rows - 1
        bottom, top = scale.edges()
        room = at.x - 3
        name = f"{kind.title} {kind.unit}".rstrip()
        shown = name if len(name) + len(top) + 1 <= room else kind.title
        canvas.put(1, y, shown[: room - len(top)], palette.bold(colour))
        canvas.label(at.x - 1 - len(top), y, top)
        value = self.value_text(kind)
        if last >= 1:
            canvas.put(1, y + 1, value[: at.x - 2], palette.strong)
        limit = "" if scale.limit is None else f"{scale.limit.word} {scale.limit.value:.{_decimals(kind)}f}"
        if last >= 2:
            canvas.put(1, y + last, limit[: at.x - 2], palette.pair("beyond", "page"))
            if len(limit) + len(bottom) + 2 <= room + 1:
                canvas.label(at.x - 1 - len(bottom), y + last, bottom)

    def value_text(self, kind: LaneKind) -> str:
        """Return the value at the cursor; from lowest to highest where its column has several."""
        past, window = self.past, self.window
        if window.follows:
            found = past.value_at(kind.signal, past.end)
        else:
            each = window.each
            column = past.columns(kind.signal, each, window.cursor // each * each, 1)
            found = None if column.low[0] != column.low[0] else (float(column.low[0]), float(column.high[0]))
        return "--" if found is None else kind.text(*found)

    def _cursor_column(self) -> int | None:
        return None if self.window.follows else self.window.cursor_column

    def _alarmed(self, first: int, each: int) -> tuple[tuple[int, int], ...]:
        """Return the columns in which an alarm held."""
        end = first + each * self.places.columns
        late = self.past.end - self.past.start
        found = []
        for moment in self.moments:
            if moment.kind in ("trip", "warn"):
                until = late if moment.end is None else moment.end
                if moment.t < end and until >= first:
                    found.append(
                        (max(0, (moment.t - first) // each), min(self.places.columns, (until - first) // each + 1))
                    )
        return tuple(sorted(set(found)))

    def _draw_axis(self, canvas: Canvas) -> None:
        at, window, palette = self.places, self.window, canvas.palette
        each, first = window.each, window.first * window.each
        line = ["─"] * at.columns
        ends = window.span or (window.ends * 2 if window.ends else None)
        if ends is not None:
            begin, end = ((t - first) // each for t in ends)
            for column in range(max(0, begin), min(at.columns, end + 1)):
                line[column] = "━"
        x = at.x
        text = "".join(line)
        for piece in text.replace("─━", "─\n━").replace("━─", "━\n─").split("\n"):
            x = canvas.put(x, at.axis, piece, palette.strong if "━" in piece else palette.label)
        here = clock(window.cursor / 1e6, tenths=each < MICROSECONDS or not window.follows)
        width = len(here) + 2
        place = min(max(0, window.cursor_column - width // 2), at.columns - width)
        canvas.put(at.x + place, at.axis + 1, f" {here} ", palette.inverse)
        step = _tick_step(each)
        t = -(-first // step) * step
        while t < first + each * at.columns:
            said, column = clock(t / 1e6, tenths=step % MICROSECONDS > 0), (t - first) // each
            beside = column + len(said) < place or column > place + width
            if column + len(said) <= at.columns and beside:
                canvas.label(at.x + column, at.axis + 1, said)
            t += step

    def _draw_span(self, canvas: Canvas) -> None:
        at, window = self.places, self.window
        if not at.span_rows:
            return
        if window.span is None:
            hint = "s sets an end of the span"
            if window.ends:
                hint = f"span from {clock(window.ends[0] / 1e6)}; s sets its other end"
            canvas.label(1, at.span, hint)
            return
        begin, end = window.span
        items = self.figures.items(self.past, begin, end)
        seconds = (end - begin) / 1e6
        lasts = length(seconds) if seconds < 119.5 else clock(seconds)
        head = f"span  {clock(begin / 1e6)} to {clock(end / 1e6)}, {lasts}"
        if at.span_rows > 1:
            canvas.put(1, at.span, head, canvas.palette.strong)
            canvas.put(1, at.span + 1, fitting(items, canvas.width - 2, "   "))
        else:
            canvas.put(1, at.span, f"span {lasts}: {fitting(items, canvas.width - 16, ', ')}")


def fitting(items: Sequence[str], width: int, between: str) -> str:
    """Return as many of ``items`` in one line as fit whole."""
    text = ""
    for item in items:
        longer = f"{text}{between}{item}" if text else item
        if len(longer) > width:
            break
        text = longer
    return text


def _decimals(kind: LaneKind) -> int:
    """Return the decimals of a limit: a cell's two, as they are stated, of others as many as the value has."""
    return min(kind.decimals, 2) if kind.unit == "V" else 0 if kind.unit in ("A", "°C", "°F") else kind.decimals


def _tick_step(each: int) -> int:
    """Return the least round time between two labels of the axis, microseconds: they are 14 columns apart or more."""
    steps = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400)
    return next((step * MICROSECONDS for step in steps if step * MICROSECONDS >= 14 * each), 14 * each)
