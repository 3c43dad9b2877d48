"""The alarms of a session as JSON and as plain lines."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from telemetry.alarms.faults import FLOOD_BEGINS_ABOVE
from telemetry.alarms.figures import (
    ACCEPTABLE_PER_TEN_MINUTES,
    MANAGEABLE_PER_TEN_MINUTES,
    AlarmFigures,
    Episode,
)
from telemetry.alarms.priorities import GUIDANCE, PRIORITIES
from telemetry.alarms.reported import reported_text
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange
from telemetry.model.time_text import clock, clock_at, length, local_at
from telemetry.model.words import amount_text
from telemetry.report.alarm_entries import AlarmEntry, seconds_from
from telemetry.report.alarm_review import AlarmReview
from telemetry.report.figure_object import as_object, rounded
from telemetry.report.raw_text import raw_sentences


def alarm_object(review: AlarmReview) -> dict[str, Any]:
    """Return one JSON object; times in seconds from the start, unknown as None."""
    keys = ("what", "state", "limit", "signal", "count", "why")
    return {
        "recording": review.name,
        "judged_by": review.judged_by,
        "figures": _figures_object(review.figures, review.start),
        "alarms": as_object(review.alarms),
        "findings": [
            {"t": seconds_from(finding.t, review.start)} | {key: getattr(finding, key) for key in keys}
            for finding in review.findings
        ],
        "raw_bytes": as_object(review.raw),
    }


def _figures_object(figures: AlarmFigures, start: int) -> dict[str, Any]:
    longest = figures.longest
    return {
        "duration_s": rounded(figures.duration_s, 3),
        "alarms": figures.count,
        "alarms_per_hour": rounded(figures.per_hour, 4),
        "alarms_per_10_min": rounded(figures.per_ten_minutes, 4),
        "worst_10_min": {"alarms": figures.worst_count, "from_s": _seconds(figures.worst_t, start)},
        "by_priority": {
            priority: {
                "alarms": figures.by_priority[priority],
                "share": rounded(figures.by_priority[priority] / figures.count, 4) if figures.count else None,
                "guidance": GUIDANCE[priority],
            }
            for priority in PRIORITIES
        },
        "longest_standing": None
        if longest is None
        else {
            "limit": longest.limit,
            "signal": longest.signal,
            "from_s": _seconds(longest.began, start),
            "lasted_s": rounded(longest.lasted_s, 3),
        },
        "stale": [{"limit": e.limit, "signal": e.signal} for e in figures.stale],
        "standing_at_end": [
            {"limit": e.first.limit, "signal": e.first.signal, "stands": e.stands} for e in figures.standing
        ],
        "floods": [{"from_s": _seconds(begin, start), "to_s": _seconds(end, start)} for begin, end in figures.floods],
        "chattering": [{"limit": f.limit, "signal": f.signal, "change": f.why} for f in figures.chattering],
    }


def alarm_lines(review: AlarmReview) -> list[str]:
    """Return the review as plain lines: start, figures, faults of the limits, then every alarm with its changes."""
    began = f", {local_at(review.start)}" if review.start else ""
    lines = [f"{printable(review.name)}{began}: alarms, judged by {review.judged_by}", ""]
    lines += [*_figure_lines(review.figures, review.start), ""]
    if review.findings:
        lines.append("Problems with the limits, and what to change:")
        for finding in review.findings:
            about = f" {finding.limit} on {printable(finding.signal)}" if finding.limit else ""
            lines.append(f"  {clock_at(finding.t, review.start, tenths=True)}  {finding.what} {finding.state}{about}")
            lines += _wrapped(finding.why, 6)
        lines.append("")
    if not review.episodes:
        return [*lines, "No alarms."]
    lines.append("Every alarm, times from the start:")
    for episode, entry in zip(review.episodes, review.alarms, strict=True):
        lines += _episode_lines(episode, entry, review.start)
        if reported := reported_text(entry.reported):
            lines += _wrapped(reported, 6)
    raw = raw_sentences(review.raw, review.name)
    return [*lines, "", "Raw bytes around high alarms:", *(f"  {each}" for each in raw)] if raw else lines


def _figure_lines(figures: AlarmFigures, start: int) -> list[str]:
    lasted = length(figures.duration_s)
    lines = [f"alarms           {figures.count} in {lasted}"]
    if figures.per_ten_minutes is None or figures.per_hour is None:
        lines.append("rate             not known: the session is shorter than 10 min")
    else:
        rate = figures.per_ten_minutes
        word = (
            "within the acceptable 1"
            if rate <= ACCEPTABLE_PER_TEN_MINUTES
            else "above the acceptable 1, within the manageable 2"
            if rate <= MANAGEABLE_PER_TEN_MINUTES
            else "above the manageable 2"
        )
        lines.append(f"rate             {rate:.1f} in 10 min ({word}), {figures.per_hour:.1f} an hour")
    if figures.worst_t is not None:
        flood = f"; more than {FLOOD_BEGINS_ABOVE} is a flood" if figures.worst_count > FLOOD_BEGINS_ABOVE else ""
        lines.append(
            f"worst 10 min     {figures.worst_count}, from {clock_at(figures.worst_t, start, tenths=True)}{flood}"
        )
    if figures.longest is not None:
        longest = figures.longest
        since = clock_at(longest.began, start, tenths=True)
        lines.append(f"longest standing {longest.limit}, {length(longest.lasted_s)} from {since}")
    if figures.count:
        share = {priority: number / figures.count for priority, number in figures.by_priority.items()}
        shares = [
            f"{priority} {figures.by_priority[priority]} ({100 * share[priority]:.0f} %;"
            f" guidance {100 * GUIDANCE[priority]:.0f} %)"
            for priority in PRIORITIES
        ]
        lines += [f"by priority      {shares[0]}", *(f"                 {share}" for share in shares[1:])]
    lines.append(f"stale            {len(figures.stale)} exceeded for more than 24 h")
    for episode in figures.standing:
        lines.append(f"at the end       {episode.first.limit} on {printable(episode.first.signal)}: {episode.stands}")
    for begin, end in figures.floods:
        until = "the end" if end is None else clock_at(end, start, tenths=True)
        lines.append(f"flood            from {clock_at(begin, start, tenths=True)} to {until}")
    chattering = sorted({(finding.limit, finding.signal) for finding in figures.chattering})
    named = ", ".join(f"{limit} on {printable(signal)}" for limit, signal in chattering)
    return [*lines, f"chattering       {named or 'none'}"]


def _episode_lines(episode: Episode, entry: AlarmEntry, start: int) -> list[str]:
    first = episode.first
    head = f"{first.limit} on {printable(first.signal)}"
    if not episode.heard:
        lines = [f"  {clock_at(first.t, start, tenths=True)}  {head}: not raised"]
    else:
        times = f"{len(episode.excursions)} times, " if len(episode.excursions) > 1 else ""
        urgent = f"{episode.level}, {episode.priority} priority"
        lasted = length(sum(each.lasted_s for each in episode.excursions))
        whole = f"  {clock_at(first.t, start, tenths=True)}  {head}: {urgent}, exceeded {times}{lasted}"
        lines = textwrap.wrap(whole, 79, subsequent_indent=" " * 13, break_on_hyphens=False)
    if episode.heard:
        lines += _entry_lines(entry)
    last_why: str | None = episode.raised.why if episode.heard else None
    for change in episode.changes:
        lines += _change_lines(change, start, last_why)
        last_why = change.why or last_why
    return lines


def _entry_lines(entry: AlarmEntry) -> list[str]:
    """Return what an alarm said: what and where, what to do, how much, against which limit, since when."""
    known = (("raised", entry.value_raised), ("worst", entry.value_worst), ("last", entry.value_last))
    values = [f"{word} {amount_text(entry.signal, value)}" for word, value in known if value is not None]
    limit = "" if entry.bound is None else amount_text(entry.signal, entry.bound)
    since = (("warn", entry.warn_at_s), ("trip", entry.trip_at_s))
    said = {
        "what": f"{entry.name}, {entry.where}, while {entry.situation}",
        "do": f"{entry.word}: {entry.do}" if entry.word else entry.do,
        "value": ", ".join(values),
        "limit" if limit else "why": ": ".join(part for part in (limit, printable(entry.origin, 400)) if part),
        "since": ", ".join(f"{level} at {clock(at, tenths=True)}" for level, at in since if at is not None),
    }
    return [
        line
        for label, text in said.items()
        if text
        for line in textwrap.wrap(text, 79, initial_indent=f"      {label:<6} ", subsequent_indent=" " * 13)
    ]


def _change_lines(change: AlarmChange, start: int, last_why: str | None) -> list[str]:
    """Return the change, and its reason where that is not the one last ``told``."""
    value = f" at {amount_text(change.signal, change.value)}" if math.isfinite(change.value) else ""
    bound = amount_text(change.signal, change.bound) if value and math.isfinite(change.bound) else ""
    against = f" against {bound}" if bound else ""
    level = f" ({change.level})" if change.state == "raised" else ""
    stands = "" if change.stands == change.state else f" -> {change.stands}"
    lines = [f"      {clock_at(change.t, start, tenths=True)}  {change.state}{level}{value}{against}{stands}"]
    return [*lines, *_wrapped(change.why, 15)] if change.why and change.why != last_why else lines


def _wrapped(text: str, indent: int) -> list[str]:
    blank = " " * indent
    return textwrap.wrap(printable(text, 400), 79, initial_indent=blank, subsequent_indent=blank)


def _seconds(t: int | None, start: int) -> float | None:
    return None if t is None else seconds_from(t, start)
