"""How far the sources of a recording are out of step, as JSON and as text with the lines to paste.

The text gives 90 % intervals, JSON standard deviations.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from telemetry.analysis.alignment import CONTROLLER_DELAY_S, CONTROLLER_DELAY_UNCERTAINTY_S, Pair, SourceLag
from telemetry.analysis.ranges import Z90
from telemetry.machine.sections import find_key
from telemetry.model.errors import printable

HOW_TO_BLIP = (
    "To find the lag with the throttle: put the machine on stands, driven wheels off the ground, nobody near it, "
    "every interlock in place. Start recording and wait 5 s. Blip the throttle three to five times within a few "
    "seconds, unevenly spaced. Wait 5 s and stop recording."
)


def alignment_object(
    name: str, sources: Sequence[str], pairs: Sequence[Pair], lags: Sequence[SourceLag]
) -> dict[str, Any]:
    """Return one JSON object: the lag of each source where it is known, and how each two compare."""
    return {
        "recording": name,
        "found": bool(lags),
        "reason": None if lags else _reason(sources, pairs),
        "sources": [
            {
                "source": lag.source,
                "lag_s": round(lag.lag_s, 3),
                "uncertainty_s": round(lag.uncertainty_s, 3),
                "stated_s": lag.stated_s,
                "earliest": lag.earliest,
            }
            for lag in lags
        ],
        "pairs": [_pair_object(pair) for pair in pairs],
    }


def _pair_object(pair: Pair) -> dict[str, Any]:
    shown: dict[str, Any] = {"first": pair.first, "second": pair.second}
    if pair.delay is None:
        return shown | {"delay_s": None, "reason": "; ".join(pair.reasons)}
    return shown | {
        "delay_s": round(pair.delay.seconds, 3),
        "uncertainty_s": round(pair.delay.uncertainty_s, 3),
        "way": pair.delay.way,
        "first_signal": pair.signals[0],
        "second_signal": pair.signals[1],
        "events": pair.delay.events,
        "match": round(pair.delay.match, 3),
    }


def alignment_lines(name: str, sources: Sequence[str], pairs: Sequence[Pair], lags: Sequence[SourceLag]) -> list[str]:
    """Return what was found, how, and what to paste where; last what is not known, and why."""
    lines = [line for pair in pairs if pair.delay is not None for line in _pair_lines(pair)]
    for lag in lags:
        lines += _lag_lines(lag)
    if not lags and len(sources) <= 1:
        return [f"lag not known: {_reason(sources, pairs)}"]
    placed = {lag.source: lag.earliest for lag in lags}
    for pair in pairs:
        tied = pair.first in placed and placed[pair.first] == placed.get(pair.second)
        if pair.delay is None and not tied:
            lines.append(f"lag not known between {printable(pair.first)} and {printable(pair.second)}:")
            lines += [f"    {reason}" for reason in pair.reasons]
    if not lags:
        lines.append(HOW_TO_BLIP)
    return [f"{printable(name, 200)}: {len(sources)} sources", *lines]


def _pair_lines(pair: Pair) -> list[str]:
    delay = pair.delay
    assert delay is not None
    later, earlier = (pair.second, pair.first) if delay.seconds >= 0 else (pair.first, pair.second)
    half = Z90 * max(delay.uncertainty_s, 0.005)
    compared = " and ".join(
        f"{signal} of {printable(source)}"
        for signal, source in zip(pair.signals, (pair.first, pair.second), strict=True)
    )
    what = "throttle blips" if delay.way == "pedal blips" else "changes"
    lines = [
        f"{printable(later)} lags {printable(earlier)} by {abs(delay.seconds):.2f} ± {half:.2f} s (90 % interval)",
        f"    from {delay.events} {what}: {compared}; correlation {min(delay.match, 0.99):.2f}",
    ]
    if delay.way == "pedal blips":
        lines.append(
            f"    {CONTROLLER_DELAY_S:.2f} ± {Z90 * CONTROLLER_DELAY_UNCERTAINTY_S:.2f} s already subtracted: "
            "a controller usually follows the throttle after 0.1 to 0.2 s"
        )
    return lines


def _lag_lines(lag: SourceLag) -> list[str]:
    source = printable(lag.source)
    counted = f" (includes lag_s = {lag.stated_s:g}, in force during the recording)" if lag.stated_s else ""
    if lag.source == lag.earliest:
        return (
            [f"in the [[source]] table of {source}, remove lag_s: this source is the earliest{counted}"]
            if lag.stated_s
            else []
        )
    _, most = find_key("source", "lag_s").range
    if lag.lag_s > most:
        return [f"{source} lags by {lag.lag_s:.1f} s, more than lag_s allows ({most:g} s); find out what delays it"]
    if lag.lag_s <= lag.uncertainty_s and not lag.stated_s:
        return [f"{source}: no measurable lag behind {printable(lag.earliest)}; no lag_s needed"]
    return [f"in the [[source]] table of {source}{counted}:", f"    lag_s = {lag.lag_s:.2f}"]


def _reason(sources: Sequence[str], pairs: Sequence[Pair]) -> str:
    if not sources:
        return "no voltage, current, speed or throttle signal was recorded"
    if len(sources) == 1:
        return f"all comparable signals come from {printable(sources[0])}; there is no lag within one source"
    return "; ".join(f"{printable(p.first)} and {printable(p.second)}: {'; '.join(p.reasons)}" for p in pairs)
