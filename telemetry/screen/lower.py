"""The lower part of the seat view: alarms, state of charge, temperatures, totals, strips; or one huge word."""

from __future__ import annotations

from telemetry.analysis.ranges import Z90
from telemetry.model.signals import pack_temperature_number
from telemetry.model.time_text import clock_at, length
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import word_rows, word_width
from telemetry.screen.formats import energy_text, power_text, wrapped
from telemetry.screen.scene import Scene
from telemetry.screen.strips import draw_strip, strip_title
from telemetry.screen.words import Headline, alarm_act, alarm_meaning, alarm_text, headline, quiet_count

_LEAST_TEXT = 24
"""Cells beside a huge word below which its text reads badly."""


def draw_lower(canvas: Canvas, scene: Scene, top: int, bottom: int) -> None:
    """Draw rows ``top`` to before ``bottom``; a huge word comes before everything else."""
    wrong = headline(scene.snapshot, scene.now)
    if wrong is not None:
        top = draw_headline(canvas, wrong, top, bottom, scene.flash)
    elif top < bottom:
        top = draw_alarms(canvas, scene, top)
    for line in facts(scene, canvas.width, bottom - top):
        canvas.put(1, top, line)
        top += 1
    if bottom - top >= 3:
        _draw_strips(canvas, scene, top, bottom - top)


def _draw_strips(canvas: Canvas, scene: Scene, top: int, rows: int) -> None:
    """Draw power at the left and voltage at the right, with a row for what they are where there is room."""
    half = canvas.width // 2
    for signal, x, width in (("pack_power", 1, half - 2), ("pack_voltage", half + 1, canvas.width - half - 2)):
        y, height = top, rows
        if rows >= 5:
            canvas.label(x, y, strip_title(signal, width, scene.seconds_each))
            y, height = top + 1, rows - 1
        draw_strip(canvas, scene, signal, x, y, width, height)


def draw_headline(canvas: Canvas, wrong: Headline, top: int, bottom: int, flash: bool) -> int:
    """Draw the huge word with what, where and the act beside or below it, and return the row after it.

    While it waits to be acknowledged it changes between filled and hollow: one danger that nobody has seen yet.
    """
    width = canvas.width - 2
    hollow = wrong.waits and flash and wrong.meaning == "danger"
    for row in headline_rows(wrong, width - 2, bottom - top):
        if hollow:
            canvas.put(1, top, f" {row}")
        else:
            canvas.filled(1, top, wrong.meaning, row, width)
        top += 1
    return top


def headline_rows(wrong: Headline, width: int, rows: int) -> list[str]:
    """Return the rows of the word and its texts: letters as large as the texts allow, text below or beside."""
    for size in (2, 1):
        letters, wide = word_rows(wrong.word, size), word_width(wrong.word, size)
        below = _text_lines(wrong, width - 2, rows - len(letters)) if wide <= width - 2 else []
        beside = _text_lines(wrong, width - wide - 4, rows) if len(letters) <= rows else []
        if below and sum(map(len, below)) >= sum(map(len, beside)):
            return [*(row.center(width) for row in letters), *(f" {line}" for line in below)]
        if beside:
            count = max(len(letters), len(beside))
            padded = [*letters, *[""] * (count - len(letters))]
            lines = [*beside, *[""] * (count - len(beside))]
            return [f" {row:<{wide}}  {line}" for row, line in zip(padded, lines, strict=True)]
    lines = _text_lines(wrong, width - 2, rows - 1)
    return [" ".join(wrong.word).center(width), *(f" {line}" for line in lines)]


def _text_lines(wrong: Headline, width: int, rows: int) -> list[str]:
    """Return texts wrapped, with as many details as fit whole; empty where the texts do not."""
    if width < _LEAST_TEXT or rows < 1:
        return []
    lines = [line for text in wrong.texts for line in wrapped(text, width)]
    if len(lines) > rows:
        lines = wrapped(". ".join(wrong.texts), width)
    if len(lines) > rows:
        return []
    for detail in wrong.details:
        more = wrapped(detail, width)
        if len(lines) + len(more) <= rows:
            lines += more
    return lines


def draw_alarms(canvas: Canvas, scene: Scene, y: int) -> int:
    """Draw the standing alarms as badges in one row and return the row after it."""
    standing = scene.snapshot.standing()
    x = 1
    if scene.snapshot.flood is not None:
        x = canvas.badge(x, y, "caution", f"FLOOD: {scene.snapshot.flood.count} alarms in 10 min") + 1
    if not standing:
        quiet = quiet_count(scene.snapshot)
        x = canvas.badge(x, y, "normal", f"no alarms; {quiet}" if quiet else "no alarms")
        return y + 1
    for shown, alarm in enumerate(standing):
        text = alarm_text(alarm)
        if x + len(text) + 6 > canvas.width - 9 and shown:
            canvas.put(x, y, f"+{len(standing) - shown} more")
            break
        x = canvas.badge(x, y, alarm_meaning(alarm), text) + 1
    do = alarm_act(standing[0], scene.snapshot).do
    for line in wrapped(do, canvas.width - 2):
        y += 1
        canvas.put(1, y, line)
    return y + 1


def facts(scene: Scene, width: int, rows: int) -> list[str]:
    """Return what matters next in at most ``rows`` lines of ``width`` cells, leaving three rows to strips."""
    parts = [_charge(scene), *_outlook(scene), _spread(scene), *_temperatures(scene)]
    groups = [group for group in (_wrapped(parts, width - 2), _wrapped(_totals(scene), width - 2)) if group]
    lines = [line for group in groups for line in group]
    if rows - len(lines) < 3 <= rows - len(groups):
        lines = [group[0] for group in groups]
    return lines[: max(0, rows)]


def _wrapped(parts: list[str], width: int) -> list[str]:
    """Join parts by three blanks, as many a line as fit."""
    lines: list[str] = []
    for part in parts:
        if lines and len(lines[-1]) + 3 + len(part) <= width:
            lines[-1] += f"   {part}"
        else:
            lines.append(part)
    return lines


def _charge(scene: Scene) -> str:
    """Return the state of charge as the pack reports it and as it is estimated, with half of its 90 % interval."""
    reported = f"SoC reported {scene.text('soc_reported', '%')}"
    estimate = scene.snapshot.fresh("soc_estimated", scene.now)
    doubt = scene.snapshot.fresh("soc_uncertainty", scene.now)
    return (
        reported
        if estimate is None or doubt is None
        else f"{reported}, estimated {estimate:.0f} ± {Z90 * doubt:.0f} %"
    )


def _outlook(scene: Scene) -> list[str]:
    """Return how long the charge lasts at the way the last minutes went, and for how much land, as one part."""
    minutes = scene.snapshot.fresh("minutes_left", scene.now)
    if minutes is None:
        return []
    least = scene.snapshot.fresh("minutes_left_low", scene.now)
    text = f"left {minutes:.0f} min" if least is None else f"left {minutes:.0f} min, at least {least:.0f}"
    area = scene.snapshot.fresh("hectares_left", scene.now)
    return [text if area is None else f"{text}, {area:.2f} ha"]


def _spread(scene: Scene) -> str:
    value = scene.snapshot.fresh("cell_spread", scene.now)
    return f"spread {scene.text('cell_spread', 'V')}" if value is None else f"spread {1000 * value:.0f} mV"


def _temperatures(scene: Scene) -> list[str]:
    """Return lowest and highest of the pack's sensors, then motor and controller, as one part."""
    names = sorted(name for name in scene.snapshot.readings if pack_temperature_number(name) is not None)
    fresh = [v for name in names if (v := scene.snapshot.fresh(name, scene.now)) is not None]
    parts = []
    if fresh:
        low, high = f"{min(fresh):.0f}", f"{max(fresh):.0f}"
        parts.append(f"pack {low}" if low == high else f"pack {low} to {high}")
    elif names:
        parts.append(f"pack {scene.text(names[0], 'degC')}")
    for word in ("motor", "controller"):
        name = f"{word}_temperature"
        if scene.has(name):
            value = scene.snapshot.fresh(name, scene.now)
            parts.append(f"{word} {scene.text(name, 'degC') if value is None else f'{value:.0f}'}")
    text = ", ".join(parts)
    return [text if text.endswith(")") else f"{text} °C"] if parts else []


def _totals(scene: Scene) -> list[str]:
    """Return what went out and in since the start, the highest power with its time, and what is missing."""
    snapshot = scene.snapshot
    amounts = {name: r.value for name in _TOTALS if (r := snapshot.reading(name)) is not None}
    parts = []
    for way in ("out", "in"):
        charge, energy = amounts.get(f"charge_{way}"), amounts.get(f"energy_{way}")
        if charge is not None or energy is not None:
            ampere_hours = "--" if charge is None else f"{charge:.2f} Ah"
            parts.append(f"{way} {ampere_hours} {'--' if energy is None else energy_text(energy)}")
    if snapshot.peak_power is not None and snapshot.peak_power_at is not None:
        at = clock_at(snapshot.peak_power_at, snapshot.start)
        parts.append(f"peak {power_text(snapshot.peak_power)} at {at}")
    missing = max(snapshot.gaps_s.values(), default=0.0)
    return [*parts, f"gaps {length(missing)}"] if missing else parts


_TOTALS = ("charge_out", "charge_in", "energy_out", "energy_in")
