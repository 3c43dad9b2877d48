"""The stage that says when voltage or current was unknown for longer than its own rate allows to bridge."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.gaps import GapRule
from telemetry.model.batch import Span
from telemetry.model.events import Gap
from telemetry.pipeline.stage import Chosen


class _Watched:
    """One signal, its gap rule, and the time it was last known."""

    def __init__(self, signal: str) -> None:
        self.chosen = Chosen(signal)
        self._rule = GapRule()

    @property
    def source(self) -> str:
        return self.chosen.key[0] if self.chosen.key else ""

    def take(self, span: Span) -> list[tuple[int, int]]:
        """Return the gaps that ended in ``span``, and at the final span the one still open, as (start, end)."""
        before, gaps = self._rule.last, []
        found = self.chosen.find(span)
        if found is not None:
            t = found[0].t[~np.isnan(found[1])]
            bridged = self._rule.take(t)
            if len(t):
                starts = np.concatenate([[t[0] if before is None else before], t[:-1]])
                wide = ~bridged & (t > starts)
                gaps = list(zip(starts[wide].tolist(), t[wide].tolist(), strict=True))
        last = self._rule.last
        if span.final and last is not None and span.end - last > self._rule.limit:
            gaps.append((last, span.end))
        return gaps


class GapWatch:
    """Adds a :class:`~telemetry.model.events.Gap` for each hole; one that both signals share counts once."""

    def __init__(self) -> None:
        self._current, self._voltage = _Watched("pack_current"), _Watched("pack_voltage")

    def advance(self, span: Span) -> Span:
        """Add the gaps that ended in ``span``."""
        of_current, of_voltage = self._current.take(span), self._voltage.take(span)
        gaps = [Gap(end, self._current.source, "pack_current", start) for start, end in of_current]
        gaps += [
            Gap(end, self._voltage.source, "pack_voltage", start)
            for start, end in of_voltage
            if (start, end) not in of_current
        ]
        return span.adding(events=gaps)
