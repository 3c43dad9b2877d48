"""The limits in force, as JSON and as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.machine.limits import Limit
from telemetry.model.signals import find_signal


def limit_objects(limits: Sequence[Limit], unjudged: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return one JSON object a limit; those not in force come last, with the reason in ``origin``."""
    keys = ("name", "signal", "side", "warn", "trip", "clear_margin", "raise_delay_s", "clear_delay_s", "origin")
    found = [{"in_force": True} | {key: getattr(limit, key) for key in keys} for limit in limits]
    return found + [{"in_force": False, "name": name, "origin": why} for name, why in unjudged.items()]


def limit_lines(limits: Sequence[Limit], unjudged: Mapping[str, str]) -> list[str]:
    """Return three lines a limit: what it watches, its numbers, where they come from."""
    lines = []
    for limit in limits:
        signal = find_signal(limit.signal.replace("*", "1"))
        unit = f" {signal.unit}" if signal is not None else ""
        beyond = "above" if limit.side == "high" else "below"
        bounds = [
            f"{level} {beyond} {bound:g}{unit}"
            for level, bound in (("warn", limit.warn), ("trip", limit.trip))
            if bound is not None
        ]
        clears = f"clears {limit.clear_margin:g}{unit} inside, after {limit.clear_delay_s:g} s"
        lines += [
            f"{limit.name}: {limit.signal} {', '.join(bounds)}",
            f"    after {limit.raise_delay_s:g} s; {clears}",
            f"    {limit.origin}",
        ]
    lines += [f"{name}: not in force\n    {why}" for name, why in unjudged.items()]
    return lines
