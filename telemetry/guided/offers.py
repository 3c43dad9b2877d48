"""Limits that follow from what a guided drive measured: offered beside those in force, never put in force."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from telemetry.analysis.ranges import Z90
from telemetry.guided.checks import Check
from telemetry.guided.judged_pulling import steady_label
from telemetry.guided.judging import StepResult
from telemetry.machine.limit_values import limit_unit
from telemetry.machine.limits import Limit
from telemetry.machine.limits_current import discharge_parts
from telemetry.machine.sections import Machine

PEAK_TIMES: Final = 1.1
STEADY_TIMES: Final = 1.2
"""More than the hardest launch, or the longest climb, by so much: something drags, slips or shorts. Ours."""
SPREAD_TIMES, LEAST_MORE_MV = 2.0, 10.0
"""A cell voltage spread at rest of twice what it was, and above what readings differ by. Ours."""


@dataclass(frozen=True, slots=True)
class Offer:
    """What a drive says of the warning of a limit.

    Attributes:
        limit: its name; ``unit`` of its numbers.
        now: where it warns now; None for nowhere.
        offered: where it could warn, nearer to what the machine does; None where it stays as it is.
        why: what was measured, a clause.
    """

    limit: str
    unit: str
    now: float | None
    offered: float | None
    why: str

    @property
    def setting(self) -> str:
        """What puts it in force, as ``limits --set`` takes it; empty where there is nothing to set."""
        return "" if self.offered is None else f"{self.limit}.warn={self.offered:g}"


def offers(machine: Machine, steps: Sequence[StepResult], limits: Sequence[Limit]) -> Iterator[Offer]:
    """Yield what the judged steps offer for the limits in force; nothing that is softer than what is in force.

    Where ordinary use reaches a warning in force, that is said, and the warning stays as it is.

    Args:
        machine: what its owner states.
        steps: of all its guided drives.
        limits: in force.
    """
    judged = {
        check.label: check
        for step in steps
        if step.word in ("pass", "remark")
        for check in step.checks
        if check.value is not None and check.word != "fail"
    }
    parts = discharge_parts(machine)
    rows: list[tuple[str, str, Callable[[float, float], float]]] = [
        ("pack-voltage-low", "voltage predicted at 20 % charge, this temperature", lambda value, half: value - half),
        ("discharge-peak", "peak current", lambda value, _: PEAK_TIMES * value),
        ("cell-spread-rest", "cell voltage spread at rest", _more_spread),
    ]
    if parts:
        rows.append(("discharge-current", steady_label(parts[0]), lambda value, _: STEADY_TIMES * value))
    for name, label, follows in rows:
        limit, check = next((each for each in limits if each.name == name), None), judged.get(label)
        if limit is not None and check is not None:
            yield _offer(limit, check, follows)


def _more_spread(mv: float, _: float) -> float:
    return max(SPREAD_TIMES * mv, mv + LEAST_MORE_MV) / 1000.0


def _offer(limit: Limit, check: Check, follows: Callable[[float, float], float]) -> Offer:
    """Return what one figure says of one limit."""
    assert check.value is not None
    half = 0.0 if check.sigma is None else Z90 * check.sigma
    value = float(f"{follows(check.value, half):.3g}")
    unit, measured = limit_unit(limit.name), f"{check.label}: {check.value:.3g} {check.unit}"
    sign = 1.0 if limit.side == "high" else -1.0
    if limit.warn is None or sign * value < sign * limit.warn:
        return Offer(limit.name, unit, limit.warn, value, f"{measured} in the guided drive")
    reached = check.value / 1000.0 if check.unit == "mV" else check.value
    past = sign * reached >= sign * limit.warn
    said = "ordinary use reaches the warning in force" if past else "the warning in force is tighter already"
    return Offer(limit.name, unit, limit.warn, None, f"{measured} in the guided drive; {said}")
