"""What a session asks of conductors, fuses, connectors and pack: how much current for how long.

A part that heats slowly sees the thermal current over its own time constant. A part that opens at once sees the
highest current that lasted. Both are floors: a heavier drive asks for more.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

import numpy as np

from telemetry.analysis.parts_seen import PEAK_S, Worst, loaded_s, peak_current, steady_current
from telemetry.analysis.resistance import LEAST_CURRENT_A, least_current
from telemetry.analysis.session_figures import SessionFigures
from telemetry.analysis.session_power import Flow
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS

PULLS_S = (1.0, 3.0, 10.0, 30.0, 60.0)
"""Lengths of a pull that are looked for: what packs and fuses are rated by."""


@dataclass(frozen=True, eq=False)
class Duty:
    """The current of a session.

    Attributes:
        flow: A, positive out of the pack.
        origin: zero of the times told, microseconds.
        loaded_s: time under load, s.
        interval_s: usual time between two rows, s; a shorter peak is not in the recording.
    """

    flow: Flow
    origin: int
    loaded_s: float
    interval_s: float
    _known: dict[tuple[str, float], Worst] = field(default_factory=dict, repr=False)

    def thermal(self, window_s: float) -> Worst:
        """Return the steady current, A, that heats a part of that time constant as much as the session did."""
        return self._find("thermal", window_s, partial(steady_current, self.flow, self.origin, window_s))

    def held(self, seconds: float) -> Worst:
        """Return the highest current out of the pack, A, that lasted ``seconds``."""
        return self._find("held", seconds, partial(peak_current, self.flow, self.origin, seconds))

    def braking(self, seconds: float) -> Worst:
        """Return the highest current into the pack, A, that lasted ``seconds``."""
        return self._find("into", seconds, partial(peak_current, self.flow, self.origin, seconds, into=True))

    def above_s(self, amperes: float) -> float:
        """Return the longest time without a break that more than ``amperes`` flowed out of the pack, s.

        Rows are held until the next one; a gap breaks it.
        """
        over = self.flow.values > amperes
        seconds = np.where(self.flow.bridged, np.diff(self.flow.t, prepend=self.flow.t[:1]), 0) / MICROSECONDS
        through = np.concatenate([[False], over[:-1]]) & self.flow.bridged
        longest = current = 0.0
        for counts, span in zip(through.tolist(), seconds.tolist(), strict=True):
            current = current + span if counts else 0.0
            longest = max(longest, current)
        return longest

    def _find(self, kind: str, seconds: float, find: partial[Worst | None]) -> Worst:
        key = (kind, seconds)
        if key not in self._known:
            found = find()
            assert found is not None, "a duty has rows"
            self._known[key] = found
        return self._known[key]


def duty_of(figures: SessionFigures, machine: Machine | None) -> Duty | str:
    """Return the duty of a session, or why it has none, a clause without a full stop.

    Args:
        figures: of the session.
        machine: says from which current on the machine counts as loaded; None: the program's default.
    """
    flow = figures.power.current
    if figures.sign_is_wrong:
        return "the current is counted the wrong way round; set sign_of_current and record again"
    if flow is None or not len(flow):
        return "record pack_current"
    least_a = LEAST_CURRENT_A if machine is None else least_current(machine.pack)
    if not (flow.values > least_a).any() or peak_current(flow, figures.series.origin, PEAK_S) is None:
        return "no load in this session; record a drive"
    steps = np.diff(flow.t)[flow.bridged[1:]]
    interval = float(np.median(steps)) / MICROSECONDS if len(steps) else 0.0
    return Duty(flow, figures.series.origin, loaded_s(flow, least_a), interval)
