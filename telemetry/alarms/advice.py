"""What to change about a limit that chatters: the clear margin or clear delay that would have made it one alarm."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from telemetry.alarms.raises import Raise


@dataclass(frozen=True)
class Advice:
    """Numbers that would have kept several alarms one.

    Attributes:
        limit: which limit.
        clear_margin: least one that would have, in the signal's unit, rounded up; None where no value decides.
        clear_delay_s: least one that would have, in whole seconds, rounded up; None likewise.
        sentence: what to change, for the owner.

    """

    limit: str
    clear_margin: float | None
    clear_delay_s: float | None
    sentence: str


def advice_for(raises: Iterable[Raise]) -> Advice:
    """Return what would have made one alarm of ``raises``, at least two of one limit on one signal, in time order."""
    each = list(raises)
    limit = each[0].limit
    between = each[1:]
    if not between or any(math.isnan(one.inside) for one in between):
        what = "it has no limit to widen: fix what comes and goes (plug, aerial, supply, disk)"
        return Advice(limit, None, None, what)
    margin = _rounded_up(max(one.inside for one in between))
    delay = float(math.ceil(max(one.after_s for one in between) + each[0].clear_delay_s))
    sentence = f"[limits.{limit}] clear_margin = {margin:g} or clear_delay_s = {delay:g} would have made it one alarm"
    return Advice(limit, margin, delay, sentence)


def _rounded_up(value: float) -> float:
    """Return ``value`` rounded up to two significant digits, so that it still does and reads well."""
    if value <= 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    rounded = float(f"{math.ceil(value / step) * step:.6g}")
    return rounded if rounded >= value else float(f"{rounded + step:.6g}")
