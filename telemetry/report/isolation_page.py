"""What made the machine hesitate, as part of the page of a report: the letter, and each event on one time axis."""

from __future__ import annotations

from html import escape

import numpy as np

from telemetry.analysis.fault_isolation.findings import FaultEvent, Isolation
from telemetry.analysis.series import SessionSeries
from telemetry.model.batch import MICROSECONDS, Flags, Times
from telemetry.model.time_text import clock
from telemetry.report.svg_chart import COLOURS

_ROWS = (
    ("throttle", "throttle_voltage", "V"),
    ("voltage", "controller_voltage", "V"),
    ("voltage", "pack_voltage", "V"),
    ("current", "pack_current", "A"),
    ("speed", "vehicle_speed", "km/h"),
)
_BLOCKS = "▁▂▃▄▅▆▇█"
_COLUMNS = 44
_AROUND_S = 1.5
_LONGEST_S = 12.0
MOST_EVENTS = 6
_SIGNALS = (
    ("throttle", "throttle_voltage", "V"),
    ("enable line", "enable_voltage", "V"),
    ("pack", "pack_voltage", "V"),
    ("controller", "controller_voltage", "V"),
    ("current", "pack_current", "A"),
    ("speed", "vehicle_speed", "km/h"),
)
_WIDTH, _LEFT, _RIGHT, _STRIP, _GAP, _TOP = 760, 120, 90, 52, 10, 22
_MOST_POINTS = 600


def isolation_section(series: SessionSeries, isolation: Isolation, lines: list[str]) -> str:
    """Return the section.

    Args:
        series: the session.
        isolation: what was made of it.
        lines: the letter without its charts, as :func:`telemetry.report.isolation_text.letter_lines` gives it.
    """
    figures = [f"<figure>{event_chart(series, event)}</figure>" for event in isolation.events[:MOST_EVENTS]]
    left = len(isolation.events) - MOST_EVENTS
    more = f"<p>{left} more events are in the list above.</p>" if left > 0 else ""
    letter = escape("\n".join(lines))
    return f"<h2>What made it hesitate</h2>\n<pre>{letter}</pre>\n" + "\n".join(figures) + more


def event_chart(series: SessionSeries, event: FaultEvent) -> str:
    """Return throttle, voltage, current and speed around ``event`` as one SVG element on one time axis."""
    begin, end = moment_of(event)
    strips = [
        (label, unit, found)
        for label, name, unit in _SIGNALS
        if (found := series.get(name)) is not None and _rows(found.t, series, begin, end).any()
    ]
    height = _TOP + len(strips) * (_STRIP + _GAP) + 24
    title = f"{clock(event.t, tenths=True)}: {event.what}"

    def across(seconds: float) -> float:
        return _LEFT + (seconds - begin) / (end - begin) * (_WIDTH - _LEFT - _RIGHT)

    size = f'viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"'
    left, right = across(event.t), across(min(event.t + event.duration, end))
    place_of = f'x="{left:.1f}" y="{_TOP}" width="{max(2.0, right - left):.1f}" height="{height - _TOP - 24}"'
    parts = [
        f'{head} font-family="system-ui, sans-serif" font-size="12" fill="#111">',
        f"<title>{escape(title)}</title>",
        f'<text x="{_LEFT}" y="14" font-weight="600">{escape(title)}</text>',
        f'<rect {place_of} fill="#D55E00" fill-opacity="0.15"/>',
    ]
    for place, (label, unit, found) in enumerate(strips):
        top = _TOP + place * (_STRIP + _GAP)
        use = _rows(found.t, series, begin, end)
        seconds, values = (found.t[use] - series.origin) / MICROSECONDS, found.values[use]
        step = max(1, len(values) // _MOST_POINTS)
        low, high = float(values.min()), float(values.max())
        room = max(high - low, 1e-9)
        points = " ".join(
            f"{across(float(s)):.1f},{top + _STRIP - (float(v) - low) / room * _STRIP:.1f}"
            for s, v in zip(seconds[::step], values[::step], strict=True)
        )
        parts += [
            f'<text x="{_LEFT - 8}" y="{top + _STRIP / 2 + 4:.0f}" text-anchor="end">{escape(label)}, {unit}</text>',
            f'<path d="M{_LEFT} {top + _STRIP}H{_WIDTH - _RIGHT}" stroke="#bbb"/>',
            f'<polyline points="{points}" fill="none" stroke="{COLOURS[0]}" stroke-width="1.6"/>',
            f'<text x="{_WIDTH - _RIGHT + 6}" y="{top + 10}">{high:.4g}</text>',
            f'<text x="{_WIDTH - _RIGHT + 6}" y="{top + _STRIP}">{low:.4g}</text>',
        ]
    for seconds_at, anchor in ((begin, "start"), (event.t, "middle"), (end, "end")):
        place_x = f"{across(seconds_at):.1f}"
        parts.append(
            f'<text x="{place_x}" y="{height - 8}" text-anchor="{anchor}">{clock(seconds_at, tenths=True)}</text>'
        )
    return "\n".join([*parts, "</svg>"])


def _rows(t: Times, series: SessionSeries, begin: float, end: float) -> Flags:
    seconds = (t - series.origin) / MICROSECONDS
    return np.asarray((seconds >= begin) & (seconds <= end))


def moment_of(event: FaultEvent) -> tuple[float, float]:
    """Return from when to when an event is shown, s from the session's origin: itself and a little around it."""
    return event.t - _AROUND_S, event.t + min(event.duration, _LONGEST_S) + _AROUND_S


def event_strips(series: SessionSeries, event: FaultEvent) -> list[str]:
    """Return one line a signal around ``event``, each from its lowest to its highest value there, and a time line.

    The signs ``^`` below mark the event itself.
    """
    begin, end = moment_of(event)
    at = np.linspace(begin, end, _COLUMNS)
    lines: list[str] = []
    shown: set[str] = set()
    for label, name, unit in _ROWS:
        found = series.get(name)
        if found is None or label in shown:
            continue
        shown.add(label)
        seconds = (found.t - series.origin) / MICROSECONDS
        values = np.interp(at, seconds, found.values)
        low, high = float(values.min()), float(values.max())
        share = (values - low) / max(high - low, 1e-9)
        bars = "".join(_BLOCKS[min(int(each * len(_BLOCKS)), len(_BLOCKS) - 1)] for each in share)
        lines.append(f"  {label:8}{bars}  {low:.1f} to {high:.1f} {unit}")
    inside = (at >= event.t) & (at <= event.t + max(event.duration, 0.05))
    marks = "".join("^" if each else " " for each in inside).rstrip()
    times = [clock(each, tenths=True) for each in (event.t, begin, end)]
    return [f"  {times[0]}, {event.what}; {times[1]} to {times[2]}:", *lines, f"  {'':8}{marks}"]
