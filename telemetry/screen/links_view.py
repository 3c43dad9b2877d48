"""The links view: a card for each source, then every signal with value and age, or the raw lines of one link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import printable
from telemetry.model.signals import cell_number, find_signal
from telemetry.model.time_text import clock_at, length
from telemetry.pipeline.link_log import LinkLog
from telemetry.pipeline.snapshot import Reading
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import BLANK, Drawn, Piece, Row, card, draw_page, draw_title, heading, text_column
from telemetry.screen.scene import Scene
from telemetry.screen.signal_words import signal_words, signals_in_words, value_words
from telemetry.screen.theme import Meaning, Palette
from telemetry.screen.trace import TraceScale, trace_rows
from telemetry.screen.words import LINK_WORDS

_SIGNAL_WIDTH = 58
_DROP_OUTS = 3


@dataclass(frozen=True)
class LinkFacts:
    """What is known of a source before it sends anything.

    Attributes:
        driver: which driver reads it.
        place: where it is: a port, an address; empty where nothing names it.
        lag_s: stated lag of its readings, s; None where none is stated.

    """

    driver: str
    place: str = ""
    lag_s: float | None = None


@dataclass(frozen=True)
class LinksShown:
    """What of the links is on view.

    Attributes:
        chosen: the source that is chosen; None where there is none.
        scrolled: rows that the page is moved down by.
        raw: the last raw pieces of the chosen link, to be shown in place of cards and signals; None for these.
        raw_names: show signals by their names in files.
        facts: by source.

    """

    chosen: str | None = None
    scrolled: int = 0
    raw: Sequence[CapturedPiece] | None = None
    raw_names: bool = False
    facts: Mapping[str, LinkFacts] | None = None


def sources_of(scene: Scene, facts: Mapping[str, LinkFacts] | None) -> list[str]:
    """Return the sources with a card: those of the run, then others that sent something."""
    return list(dict.fromkeys([*(facts or {}), *scene.snapshot.links, *scene.snapshot.logs]))


def draw_links(canvas: Canvas, scene: Scene, shown: LinksShown) -> Drawn:
    """Draw the view but for its last row."""
    sources = sources_of(scene, shown.facts)
    picked = shown.chosen
    rows: list[Row] = []
    for source in sources if shown.raw is None else ():
        facts = (shown.facts or {}).get(source)
        rows += _card(scene, source, facts, canvas.width, source == picked and len(sources) > 1)
        rows += [*_rate_rows(scene, canvas.palette, source, canvas.width), BLANK]
    if shown.raw is not None:
        rows += _raw_rows(scene, str(picked), shown.raw, canvas.width)
    else:
        rows += _signal_rows(scene, canvas.width, shown.raw_names)
    draw_title(canvas, scene, "links", _badges(scene))
    return draw_page(canvas, rows, shown.scrolled)


def _badges(scene: Scene) -> list[tuple[Meaning, str]]:
    counted: dict[tuple[Meaning, str], int] = {}
    for change in scene.snapshot.links.values():
        counted[LINK_WORDS[change.state]] = counted.get(LINK_WORDS[change.state], 0) + 1
    order: tuple[Meaning, ...] = ("danger", "caution", "act", "normal")
    found = sorted(counted.items(), key=lambda entry: order.index(entry[0][0]))
    return [(meaning, f"{count} {word}") for (meaning, word), count in found]


def _card(scene: Scene, source: str, facts: LinkFacts | None, width: int, chosen: bool) -> list[Row]:
    log = scene.snapshot.logs.get(source) or LinkLog()
    change = log.change
    not_yet: tuple[Meaning, str] = ("caution", "not opened yet")
    meaning, word = not_yet if change is None else LINK_WORDS[change.state]
    failed = change is not None and change.state in ("lost", "silent")
    age = scene.last_value_age(source)
    state = f"{word} for {length((scene.now - log.since) / 1e6)}" if failed else word
    state += f", last value {age} ago" if age else ", no value yet"
    names = [
        name
        for name, reading in scene.snapshot.readings.items()
        if reading.source == source and ((known := find_signal(name)) is None or not known.is_derived)
    ]
    texts = [
        ("do", _do(change is not None and change.state == "silent") if failed else ""),
        ("why", printable(change.why, 300) if change is not None and change.why else ""),
        ("missing" if failed else "gives", _signals(names)),
        ("rate", _rate(scene, log, failed)),
        ("drop-outs", _drop_outs(scene, log)),
        ("clock", _clock(facts)),
    ]
    kind = (
        "" if facts is None else "  ".join(part for part in (facts.driver, facts.place) if part not in ("", source))
    )
    name = f"{printable(source, 20)}  {printable(kind, 30)}".rstrip()
    fields = [(label, text, label == "do") for label, text in texts if text]
    return card(source, meaning, name, state, fields, width, chosen)


def _do(is_silent: bool) -> str:
    what = "It is open, but nothing readable comes: see that the device is on." if is_silent else _LOOK
    return f"{what} It is tried again by itself; y tries now."


_LOOK = "At the next stop, see that the device is on and the plug at the computer is in."


def _signals(names: Sequence[str]) -> str:
    if not names:
        return "not known; it has sent nothing yet"
    return f"{signals_in_words(names)}: {len(names)} signal{'' if len(names) == 1 else 's'}"


def _rate(scene: Scene, log: LinkLog, failed: bool) -> str:
    if not log.values:
        return ""
    if failed:
        return f"{log.rate_before():.0f} values a second before; {log.values} in this run"
    return f"{log.rate(scene.now):.0f} values a second; {log.values} in this run"


def _drop_outs(scene: Scene, log: LinkLog) -> str:
    """Return how often the link was gone, and the latest few times."""
    if not log.dropped:
        return "none" if log.values else ""
    times = [
        f"{clock_at(each.t, scene.snapshot.start)} "
        + ("until now" if each.end is None else f"for {length(each.seconds(scene.now))}")
        for each in list(log.drop_outs)[-_DROP_OUTS:]
    ]
    return f"{log.dropped} in this run: " + ("... " if log.dropped > len(times) else "") + ", ".join(times)


def _clock(facts: LinkFacts | None) -> str:
    if facts is None:
        return ""
    if facts.lag_s is None:
        return "lag not stated; shakedown align finds it after a drive"
    way = "late" if facts.lag_s >= 0 else "early"
    return f"its readings come {abs(facts.lag_s):g} s {way}, taken into account ([[source]] lag_s)"


def _rate_rows(scene: Scene, palette: Palette, source: str, width: int) -> list[Row]:
    """Return values a second of the last minutes as rows of a trace, from zero up; each column one second."""
    log = scene.snapshot.logs.get(source)
    if log is None or not log.values:
        return []
    at = text_column(width)
    counts = np.array(log.per_second(scene.now, min(width - at - 1, 240)), dtype=np.float64)
    known = np.where(counts > 0, counts, np.nan)
    scale = TraceScale(0.0, max(float(counts.max()), 1.0), base=0.0)
    rows = []
    labels = ("values a s", f"0 to {counts.max():.0f}")
    for label, runs in zip(labels, trace_rows(palette, known, known, len(labels), scale), strict=True):
        x, pieces = at, [Piece(3, label, "label")]
        for text, style in runs:
            pieces.append(Piece(x, text, style))
            x += len(text)
        rows.append(Row(tuple(pieces), source))
    return rows


def _signal_rows(scene: Scene, width: int, raw_names: bool) -> list[Row]:
    """Return every signal with value, age and link, in as many columns as fit; cells together where in words."""
    readings = scene.snapshot.readings
    if not readings:
        return [heading("every signal", "nothing received yet")]
    entries = []
    cells = [] if raw_names else [name for name in readings if cell_number(name) is not None]
    for name, reading in readings.items():
        if name in cells:
            if name == cells[0]:
                entries.append(_cells_text(scene, [readings[cell] for cell in cells], signals_in_words(cells)))
            continue
        words = printable(name, 40) if raw_names else signal_words(name)
        value = "--" if reading.is_stale(scene.now) else value_words(name, reading.value)
        value = value if raw_names else scene.units.in_text(value)  # a name in files stands for what is in them
        entries.append((words, value, scene.age(reading), _origin(scene, reading)))
    columns = max(1, (width - 2) // _SIGNAL_WIDTH)
    each = (width - 2) // columns
    rows_needed = -(-len(entries) // columns)
    rows = [heading("every signal", "value, age, link" + ("" if raw_names else "; w shows the names in files"))]
    for row in range(rows_needed):
        pieces: list[Piece] = []
        for column, (words, value, age, origin) in enumerate(entries[row::rows_needed]):
            x = 1 + column * each
            room = each - 32
            pieces.append(Piece(x, fitted(words, room), "label"))
            pieces.append(Piece(x + room, value.rjust(12), "strong"))
            pieces.append(Piece(x + room + 12, f"{age:>8}  {fitted(origin, 9)}", "label"))
        rows.append(Row(tuple(pieces)))
    return rows


def _cells_text(scene: Scene, readings: Sequence[Reading], words: str) -> tuple[str, str, str, str]:
    fresh = [reading.value for reading in readings if not reading.is_stale(scene.now)]
    value = f"{min(fresh):.2f}-{max(fresh):.2f} V" if fresh else "--"
    oldest = min(readings, key=lambda reading: reading.t)
    return words, value, scene.age(oldest), _origin(scene, oldest)


def _origin(scene: Scene, reading: Reading) -> str:
    """Return where a value comes from; of a machine with one source only what is not read from it."""
    if reading.source == "derived":
        return "computed"
    return printable(reading.source, 20) if len(scene.snapshot.logs) > 1 else ""


def _raw_rows(scene: Scene, source: str, pieces: Sequence[CapturedPiece], width: int) -> list[Row]:
    """Return raw pieces, the newest first: as text where it is plain text, else in hexadecimal."""
    name = printable(source, 30)
    if not pieces:
        return [heading(f"raw lines of {name}", "none came, or a source of this kind has none")]
    rows = [heading(f"raw lines of {name}", "the newest first; d shows the links again")]
    for piece in reversed(pieces):
        at = clock_at(piece.t, scene.snapshot.start, tenths=True)
        text = _plain(piece.data)
        line = fitted(f"{piece.direction:<4}{text}", width - 14)
        rows.append(Row((Piece(1, at.rjust(10), "label"), Piece(12, line))))
    return rows


def _plain(data: bytes) -> str:
    text = data.decode("ascii", errors="replace").strip("\r\n")
    if text and "\ufffd" not in text and text.isprintable():
        return text
    return data.hex(" ").upper()
