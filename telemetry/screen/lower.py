"""The lower part of the seat view: alarms, state of charge, temperatures, totals, strips; or one huge word."""

from __future__ import annotations

from telemetry.model.signals import pack_temperature_number
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.digits import word_rows, word_width
from telemetry.screen.formats import energy_text, power_text, run_time, span_text
from telemetry.screen.scene import Scene
from telemetry.screen.strips import draw_strip
from telemetry.screen.words import Headline, alarm_meaning, alarm_text, headline


def draw_lower(canvas: Canvas, scene: Scene, top: int, bottom: int, word_scale: int) -> None:
    """Draw rows ``top`` to before ``bottom``; a huge word comes before everything else."""
    wrong = headline(scene.snapshot, scene.now)
    if wrong is not None:
        top = draw_headline(canvas, wrong, top, bottom, word_scale, scene.flash)
    if top < bottom and wrong is None:
        top = draw_alarms(canvas, scene, top)
    for line in facts(scene, canvas.width):
        if top < bottom:
            canvas.put(1, top, line)
            top += 1
    rows = bottom - top
    if rows >= 3:
        half = canvas.width // 2
        draw_strip(canvas, scene, "pack_power", 1, top, half - 2, rows)
        draw_strip(canvas, scene, "pack_voltage", half + 1, top, canvas.width - half - 2, rows)


def draw_headline(canvas: Canvas, wrong: Headline, top: int, bottom: int, scale: int, flash: bool) -> int:
    """Draw the huge word with its reason and return the row after it.

    While it waits to be acknowledged it changes between filled and hollow: one danger that nobody has seen yet.
    """
    width = canvas.width - 2
    rows: tuple[str, ...] = ()
    for size in (scale, 1):
        if word_width(wrong.word, size) <= width - 4 and 5 * size + 1 <= bottom - top:
            rows = word_rows(wrong.word, size)
            break
    if not rows:
        rows = (" ".join(wrong.word),)
    hollow = wrong.waits and flash
    for row in rows:
        text = fitted(row.center(width - 2), width - 2)
        if hollow:
            canvas.put(1, top, f" {text}")
        else:
            canvas.filled(1, top, "danger", text, width)
        top += 1
    if top < bottom:
        ask = "  enter acknowledges" if wrong.waits else ""
        reason = fitted(wrong.reason, width - 4 - len(ask)) + ask
        canvas.badge(1, top, "danger", reason, width)
        top += 1
    return top


def draw_alarms(canvas: Canvas, scene: Scene, y: int) -> int:
    """Draw the standing alarms as badges in one row and return the row after it."""
    standing = scene.snapshot.standing()
    if not standing:
        canvas.badge(1, y, "normal", "no alarms")
        return y + 1
    x = 1
    for shown, alarm in enumerate(standing):
        text = alarm_text(alarm, scene.snapshot)
        if x + len(text) + 4 > canvas.width - 9 and shown:
            canvas.put(x, y, f"+{len(standing) - shown} more")
            break
        x = canvas.badge(x, y, alarm_meaning(alarm), text) + 1
    return y + 1


def facts(scene: Scene, width: int) -> list[str]:
    """Return what matters next as one to four lines of at most ``width`` cells."""
    parts = [_state_of_charge(scene), _spread(scene), *_temperatures(scene)]
    totals = _totals(scene)
    return [*_wrapped([p for p in parts if p], width - 2), *_wrapped(totals, width - 2)]


def _wrapped(parts: list[str], width: int) -> list[str]:
    """Join parts by three blanks, as many a line as fit."""
    lines: list[str] = []
    for part in parts:
        if lines and len(lines[-1]) + 3 + len(part) <= width:
            lines[-1] += f"   {part}"
        else:
            lines.append(part)
    return lines


def _state_of_charge(scene: Scene) -> str:
    return f"charge reported {scene.text('soc_reported', '%')}"


def _spread(scene: Scene) -> str:
    if not scene.has("cell_spread"):
        return "cell spread --"
    value = scene.snapshot.fresh("cell_spread", scene.now)
    return f"cell spread {scene.text('cell_spread', 'V')}" if value is None else f"cell spread {1000 * value:.0f} mV"


def _temperatures(scene: Scene) -> list[str]:
    names = sorted(name for name in scene.snapshot.readings if pack_temperature_number(name) is not None)
    fresh = [v for name in names if (v := scene.snapshot.fresh(name, scene.now)) is not None]
    parts = []
    if fresh:
        low, high = f"{min(fresh):.0f}", f"{max(fresh):.0f}"
        parts.append(f"pack {low} °C" if low == high else f"pack {low} to {high} °C")
    elif names:
        parts.append(f"pack {scene.text(names[0], 'degC')}")
    others = [word for word in ("motor", "controller") if scene.has(f"{word}_temperature")]
    parts += [f"{word} {scene.text(f'{word}_temperature', 'degC')}" for word in others]
    return parts


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
        at = run_time(snapshot.peak_power_at, snapshot.start)
        parts.append(f"peak {power_text(snapshot.peak_power)} at {at}")
    missing = max(snapshot.gaps_s.values(), default=0.0)
    return [*parts, f"gaps {span_text(missing)}"] if missing else parts


_TOTALS = ("charge_out", "charge_in", "energy_out", "energy_in")
