"""Events and the closing summary of a run, as JSON objects and as plain lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from typing import Any

from telemetry.alarms.acts import act_of, alarm_name
from telemetry.alarms.priorities import priority_of
from telemetry.alarms.states import MASKED
from telemetry.model.errors import printable
from telemetry.model.events import (
    AlarmChange,
    AlarmFinding,
    Event,
    Gap,
    LinkChange,
    Loss,
    Mark,
    MarkChange,
    SavingChange,
)
from telemetry.model.time_text import clock, clock_at, length
from telemetry.model.words import amount_text
from telemetry.pipeline.snapshot import Snapshot
from telemetry.report.figure_object import rounded
from telemetry.report.numbers import figure

TAKEN_BACK = " (taken back)"
"""Follows the words of a mark that the operator took back."""
# The state after a change is printed only where the word itself does not say it.
_STANDS = {"returned unacknowledged": "not acknowledged"}
"""How an alarm stands, behind what changed, where the state's own name would say that change twice."""
_EXPECTED: dict[str, tuple[str, ...]] = {
    "raised": ("unacknowledged",),
    "cleared": ("normal",),
    "acknowledged": ("acknowledged",),
    "reset": ("normal",),
    "shelved": ("shelved",),
    "suppressed": ("suppressed by design",),
    "unsuppressed": ("normal",),
    "unshelved": ("normal",),
    "out of service": ("out of service",),
}


_BELOW = " " * 14
"""Below the words of the line above."""


def event_object(event: Event, start: int) -> dict[str, Any] | None:
    """Return the JSON object of ``event``, times in seconds from ``start``; None for events that are not shown."""
    shown: dict[str, Any] = {"kind": event.kind, "t": round((event.t - start) / 1e6, 6)}
    match event:
        case AlarmChange():
            act = act_of(event)
            return shown | {
                "limit": event.limit,
                "signal": event.signal,
                "level": event.level,
                "priority": priority_of(event.limit, event.level),
                "state": event.state,
                "stands": event.stands,
                "value": rounded(event.value, 6),
                "bound": rounded(event.bound, 6),
                "why": event.why,
                "worst": rounded(event.worst, 6),
                "cell": event.cell,
                "situation": event.situation,
                "name": alarm_name(event.limit),
                "where": act.where,
                "word": act.word,
                "do": act.do,
            }
        case Gap():
            return shown | {
                "source": event.source,
                "signal": event.signal,
                "since": round((event.start - start) / 1e6, 6),
                "duration_s": round(event.duration_s, 6),
            }
        case MarkChange():
            of = round((event.of - start) / 1e6, 6)
            return shown | {"of": of, "text": event.text, "taken_back": event.taken_back}
        case SavingChange():
            held = None if event.since is None else round((event.since - start) / 1e6, 6)
            return shown | {"listener": event.listener, "saving": held is None, "since": held, "why": event.why}
    keys = _AS_THEY_ARE.get(type(event))
    return None if keys is None else shown | {key: getattr(event, key) for key in keys}


_AS_THEY_ARE: dict[type[Event], tuple[str, ...]] = {
    AlarmFinding: ("what", "state", "limit", "signal", "count", "why"),
    LinkChange: ("source", "state", "why"),
    Mark: ("text", "by", "taken_back"),
    Loss: ("listener", "values", "why"),
}
"""Fields that JSON gives as they are."""


def event_line(event: Event, start: int) -> str | None:
    """Return one plain line for ``event``, or None for events that are not shown."""
    at = f"{clock_at(event.t, start, tenths=True):>10}  "
    match event:
        case AlarmChange():
            value = f" at {amount_text(event.signal, event.value)}" if math.isfinite(event.value) else ""
            shows_why = event.why and event.state not in ("cleared", "acknowledged")
            why = f" ({printable(event.why, 200)})" if shows_why else ""
            then = (
                ""
                if event.stands in _EXPECTED.get(event.state, ())
                else f", {_STANDS.get(event.stands, event.stands)}"
            )
            what = f"{event.limit} on {printable(event.signal)}"
            kind = "ALARM" if event.stands in MASKED else event.level.upper()
            line = f"{at}{kind} {event.state}{then}: {what}{value}{why}"
            if event.state != "raised" or event.stands in MASKED:
                return line
            act = act_of(event)
            said = f"{act.where}: {alarm_name(event.limit)}. {f'{act.word}: ' if act.word else ''}{act.do}"
            return "\n".join(
                [
                    *textwrap.wrap(
                        line.lstrip(),
                        79,
                        initial_indent=line[: len(line) - len(line.lstrip())],
                        subsequent_indent=_BELOW,
                    ),
                    *textwrap.wrap(said, 79, initial_indent=_BELOW, subsequent_indent=_BELOW),
                ]
            )
        case AlarmFinding():
            about = f" {event.limit} on {printable(event.signal)}" if event.limit else ""
            return f"{at}{event.what} {event.state}:{about} {printable(event.why, 300)}"
        case LinkChange():
            why = f" ({printable(event.why, 400)})" if event.why else ""
            retries = "; retrying" if event.retry_at is not None else ""
            return f"{at}link {printable(event.source)}: {event.state}{why}{retries}"
        case Gap():
            return f"{at}gap: {event.signal} not known for {length(event.duration_s)}"
        case Mark():
            return f"{at}mark: {printable(event.text, 200)}{TAKEN_BACK if event.taken_back else ''}"
        case MarkChange():
            became = "taken back" if event.taken_back else printable(event.text, 200)
            return f"{at}mark of {clock_at(event.of, start, tenths=True)}: {became}"
        case Loss():
            return f"{at}{event.values} values lost by {event.listener} ({printable(event.why, 200)})"
        case SavingChange(since=None):
            return f"{at}saving again"
        case SavingChange():
            return f"{at}not saving; values are held in memory, up to 60 s of them ({printable(event.why, 300)})"
    return None


def summary_object(snapshot: Snapshot, session: int | None, published: int, stored: int) -> dict[str, Any]:
    """Return the summary of a run; a figure that nothing is known of is None.

    Args:
        snapshot: as it stood at the end.
        session: its number in the store; None where it was not recorded.
        published: values that stages and drivers gave.
        stored: values of them that were written; the others count as dropped where the run was recorded.
    """

    def total(signal: str) -> float | None:
        reading = snapshot.reading(signal)
        return None if reading is None else round(reading.value, 6)

    first, last = snapshot.first_row, snapshot.last_row
    peak_at = snapshot.peak_power_at
    return {
        "kind": "summary",
        "session": session,
        "duration_s": 0.0 if first is None or last is None else round((last - first) / 1e6, 6),
        "values_published": published,
        "values_stored": stored,
        "values_dropped": 0 if session is None else published - stored,
        "gaps_s": round(float(sum(snapshot.gaps_s.values())), 6),
        "charge_out_ah": total("charge_out"),
        "charge_in_ah": total("charge_in"),
        "energy_out_wh": total("energy_out"),
        "energy_in_wh": total("energy_in"),
        "peak_power_w": rounded(snapshot.peak_power, 3),
        "peak_power_at_s": None if peak_at is None else round((peak_at - snapshot.start) / 1e6, 6),
    }


def summary_lines(summary: Mapping[str, Any]) -> list[str]:
    """Return the summary as plain lines."""
    where = "not recorded" if summary["session"] is None else f"session {summary['session']}"
    peak_at = "" if summary["peak_power_at_s"] is None else f" at {clock(summary['peak_power_at_s'])}"
    counts = ", ".join(f"{summary[f'values_{what}']} {what}" for what in ("published", "stored", "dropped"))
    return [
        f"{where}: {length(summary['duration_s'])}, gaps {length(summary['gaps_s'])}",
        f"charge out {figure(summary['charge_out_ah'], 'Ah')}, in {figure(summary['charge_in_ah'], 'Ah')}",
        f"energy out {figure(summary['energy_out_wh'], 'Wh')}, in {figure(summary['energy_in_wh'], 'Wh')}",
        f"peak power {figure(summary['peak_power_w'], 'W')}{peak_at}",
        f"values: {counts}",
    ]
