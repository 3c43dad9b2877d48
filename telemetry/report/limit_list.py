"""The limits in force, as JSON and as text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.machine.limit_values import limit_key, limit_unit
from telemetry.machine.limits import Limit
from telemetry.machine.override_edit import Change
from telemetry.model.errors import printable

if TYPE_CHECKING:
    from telemetry.guided.offers import Offer

WIDTH = 80
NO_BREAK = "\N{NO-BREAK SPACE}"


def limit_objects(
    limits: Sequence[Limit], unjudged: Mapping[str, str], offers: Sequence[Offer]
) -> list[dict[str, Any]]:
    """Return one JSON object a limit; those not in force come last, with the reason in ``origin``.

    What a guided drive offers for one stands in its ``offered``: ``warn``, None where it stays, and ``why``.
    """
    offered = {each.limit: {"offered": {"warn": each.offered, "why": each.why}} for each in offers}
    keys = ("name", "signal", "side", "warn", "trip", "clear_margin", "raise_delay_s", "clear_delay_s", "origin")
    found = [
        {"in_force": True}
        | {key: getattr(limit, key) for key in keys}
        | {"unit": limit_unit(limit.name)}
        | offered.get(limit.name, {})
        for limit in limits
    ]
    return found + [{"in_force": False, "name": name, "origin": why} for name, why in unjudged.items()]


def limit_lines(limits: Sequence[Limit], unjudged: Mapping[str, str]) -> list[str]:
    """Return a few lines a limit, at most 80 wide: what it watches, its numbers, where they come from."""
    lines = []
    for limit in limits:
        lines += [_head(limit.name, limit.signal), *_bounds(limit), *_wrapped(limit.origin), ""]
    if unjudged:
        lines += ["Not in force:", ""]
    for name, why in unjudged.items():
        lines += [name, *_wrapped(why), ""]
    return lines[:-1]


def offer_lines(offers: Sequence[Offer], drives: str, file: Path) -> list[str]:
    """Return what guided drives offer for the warnings in force, and how to take it; empty for nothing."""
    if not offers:
        return []
    lines = ["", *_filled(f"From its guided drives ({drives}), for you to decide; none of it is in force:", "")]
    for each in offers:
        now = "none" if each.now is None else f"{each.now:.5g} {each.unit}".rstrip()
        then = "as it is" if each.offered is None else f"{each.offered:.5g} {each.unit}".rstrip()
        lines += ["", f"{each.limit:<30}warn {now} → {then}", *_wrapped(each.why)]
    settings = [f" --set {each.setting}" for each in offers if each.setting]
    if settings:
        command = f"shakedown limits {printable(file, 200)}{''.join(settings)}"
        lines += ["", "To put them in force, or only some of them:", *_filled(command, "    ")]
    return lines


def change_lines(changes: Sequence[Change], before: Sequence[Limit], after: Sequence[Limit]) -> list[str]:
    """Return a line a change: what it was in force, and what it is now."""
    lines = []
    for each in changes:
        was, now = (next((limit for limit in limits if limit.name == each.limit), None) for limits in (before, after))
        if each.key is None:
            lines.append(f"  {each.place}: removed; {'our numbers are' if now else 'it is no longer'} in force")
        else:
            lines.append(f"  {each.place}: {_in_force(was, each.key)} → {_in_force(now, each.key)}")
    return lines


def _in_force(limit: Limit | None, key: str) -> str:
    """Return one number of a limit, or for a key that is no number whether the limit is in force."""
    if limit is None:
        return "not in force"
    if not hasattr(limit, key):
        return "in force"
    value = getattr(limit, key)
    return "none" if value is None else f"{value:.5g} {limit_key(limit.name, key).unit}".rstrip()


def _head(name: str, signal: str) -> str:
    return f"{name:<30}{signal}"


def _bounds(limit: Limit) -> list[str]:
    if limit.warn is None and limit.trip is None:
        return ["    raised by a condition, not by a number"]
    unit = f" {limit_unit(limit.name)}" if limit_unit(limit.name) else ""
    beyond = "above" if limit.side == "high" else "below"
    bounds = [
        f"{level} {beyond} {bound:.5g}{unit}"
        for level, bound in (("warn", limit.warn), ("trip", limit.trip))
        if bound is not None
    ]
    raises = f"after {limit.raise_delay_s:g} s" if limit.raise_delay_s else "at once"
    clears = f"clears after {limit.clear_delay_s:g} s at {limit.clear_margin:.3g}{unit} or more inside the limit"
    return [f"    {', '.join(bounds)}, {raises};", f"    {clears}"]


def _wrapped(text: str) -> list[str]:
    """Return ``text`` in lines of at most 80 characters, indented; a figure keeps its unit beside it."""
    return _filled(text, "    ")


def _filled(text: str, indent: str) -> list[str]:
    held = re.sub(r"(?<=\d) (?=(?:m?V|A|s|mm²|ha)\b|%|°C)", NO_BREAK, text)
    lines = textwrap.wrap(
        held, WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace(NO_BREAK, " ") for line in lines]
