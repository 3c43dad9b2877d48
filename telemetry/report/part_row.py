"""One part against its limit, as a row of the report's first table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

from telemetry.analysis.parts_seen import Worst
from telemetry.analysis.session_figures import NO_MACHINE
from telemetry.machine.sections import Machine

Level = Literal["past", "near", "holds", "not judged"]
RATIO = "×"
"""The unit of one value over another."""
LEVELS: tuple[Level, ...] = ("past", "near", "holds", "not judged")
"""Worst first, not judged last: the order of the table."""
SHAPES: Mapping[Level, str] = {"past": "■", "near": "▲", "holds": "●", "not judged": "?"}
"""The sign of each, so that no colour is needed."""


@dataclass(frozen=True)
class PartRow:
    """One row of the table.

    Attributes:
        key: for scripts, such as ``pack-low-voltage``.
        part: for people.
        unit: of the figures.
        worst: the worst value seen or, of a prediction, the likely one; None where it is not known.
        seen: the same in words, with what belongs to it.
        at_s: when, s from the start; None where no moment belongs to it.
        limit, warn: bounds; None where none is known.
        side: beyond the limit is above it (``high``) or below it.
        origin: where the limit is from.
        headroom, headroom_pct: how far the worst value is from the limit, in the unit and in % of the limit;
            negative past it.
        share_pct: how much of the way from an easy value to the limit was used, %; 100 is at the limit.
        level: ``past``, ``near`` (within the warning), ``holds`` or ``not judged``.
        why: of a part that is not judged, what to state or to record.
        predicted: not seen but predicted.
        counts: whether it counts for the verdict.
    """

    digits: ClassVar = 4

    key: str
    part: str
    unit: str
    worst: float | None
    seen: str
    at_s: float | None
    limit: float | None
    warn: float | None
    side: Literal["high", "low"]
    origin: str
    headroom: float | None
    headroom_pct: float | None
    share_pct: float | None
    level: Level
    why: str = ""
    predicted: bool = False
    counts: bool = True

    @property
    def is_judged(self) -> bool:
        """Whether it was compared with a limit."""
        return self.level != "not judged"


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit with its warning, its origin, and an easy value where the gauge begins."""

    limit: float
    warn: float | None
    origin: str
    start: float = 0.0
    side: Literal["high", "low"] = "high"


def make_row(
    key: str,
    part: str,
    unit: str,
    worst: Worst | None,
    bound: Bound | None,
    why: str,
    *,
    seen: str = "",
    surely: float | None = None,
    predicted: bool = False,
    counts: bool = True,
) -> PartRow:
    """Return a row; ``why`` it is not judged holds where ``worst`` or ``bound`` is None.

    Args:
        seen: in words; made from ``worst`` where empty.
        surely: the value that counts as past the limit, where ``worst`` is uncertain.
    """
    value = None if worst is None else worst.value
    at_s = None if worst is None or predicted else round(worst.at_s, 3)
    seen = seen or ("" if value is None else with_unit(value, unit))
    if value is None or bound is None:
        limit = None if bound is None else bound.limit
        origin = "no limit stated" if bound is None else bound.origin
        warn, side = (None, "high") if bound is None else (bound.warn, bound.side)
        return PartRow(
            key, part, unit, value, seen, at_s, limit, warn, side, origin, None, None, None, "not judged", why,
            predicted, counts,
        )  # fmt: skip
    sign = 1.0 if bound.side == "high" else -1.0
    headroom = sign * (bound.limit - value)
    way = sign * (bound.limit - bound.start)
    share = 100.0 * max(0.0, sign * (value - bound.start)) / way if way > 0 else 100.0
    past = sign * (value if surely is None else surely) > sign * bound.limit
    near = headroom < 0 or (bound.warn is not None and sign * value > sign * bound.warn)
    level: Level = "past" if past else "near" if near else "holds"
    return PartRow(
        key, part, unit, value, seen, at_s, bound.limit, bound.warn, bound.side, bound.origin, headroom,
        100.0 * headroom / abs(bound.limit) if bound.limit else None, share, level, "", predicted, counts,
    )  # fmt: skip


def with_unit(value: float, unit: str, beside: float = 0.0) -> str:
    """Return a value with its unit, in the digits that its trade reads; see :func:`plain_value`."""
    return f"{plain_value(value, unit, beside)}{'' if unit == '×' else ' '}{unit}"


def plain_value(value: float, unit: str, beside: float = 0.0) -> str:
    """Return ``value`` in the digits that its unit is read with.

    V of a cell to 10 mV, of a pack to 0.1 V; °C, and A and W from 10 on, whole; ``beside`` is a value shown beside
    it, so that a difference gets no more digits than what it is the difference of.
    """
    size = max(abs(value), abs(beside))
    places = (2 if size < 10.0 else 1) if unit == "V" else 1 if size < 10.0 and unit != "°C" else 0
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def not_stated(machine: Machine | None, section: str, key: str) -> str:
    """Return what to do about a limit that the machine file does not state."""
    return NO_MACHINE if machine is None else f"no limit stated: write {key} into [{section}]"
