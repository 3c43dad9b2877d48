"""What the steps are judged by: the attempts found in a recording, and its figures by the program's estimators."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from telemetry.analysis.series import Series
from telemetry.analysis.session_figures import SessionFigures
from telemetry.analysis.session_power import Flow
from telemetry.guided.attempts import Attempt
from telemetry.guided.steps import Reading
from telemetry.machine.sections import Machine

ALIKE: Final = 0.9
"""Full launches have peaks within 10 % of each other. Common practice."""


@dataclass(frozen=True)
class Evidence:
    """A recording, the machine, and what was read by hand.

    Attributes:
        figures: of the recording.
        machine: what its owner states.
        found: attempts as recognised, in time order.
        readings: of first power, by the step's name there.
        machine_text: the machine file that was recorded with it; None where none was.
    """

    figures: SessionFigures
    machine: Machine
    found: Sequence[Attempt]
    readings: Mapping[str, float] = field(default_factory=dict)
    machine_text: str | None = None

    @cached_property
    def attempts(self) -> tuple[Attempt, ...]:
        """The attempts; of launches those with much less than the highest peak are refused."""
        peaks = [each.facts["peak_a"] for each in self.found if each.step == "launches" and each.accepted]
        highest = max(peaks, default=0.0)
        return tuple(_compared(each, highest) for each in self.found)

    def of(self, step: str, part: str | None = None) -> list[Attempt]:
        """Return the accepted attempts at a step, or at a part of it."""
        return [each for each in self.attempts if each.step == step and each.accepted and part in (None, each.part)]

    def typed(self, reading: Reading) -> float | None:
        """Return what was typed of a meter; None where nothing was."""
        return reading.found(mark.text for mark in self.figures.series.marks)

    @property
    def flow(self) -> Flow | None:
        """The current."""
        return self.figures.power.current

    def rows(self, signal: str, attempts: Sequence[Attempt]) -> Series | None:
        """Return the rows of a signal during some attempts; None where there are none."""
        series = self.figures.series.get(signal)
        if series is None or not attempts:
            return None
        inside = np.zeros(len(series.t), dtype=np.bool_)
        for each in attempts:
            inside |= (series.t >= each.start) & (series.t <= each.end)
        return Series(series.t[inside], series.values[inside]) if inside.any() else None

    @cached_property
    def highest_a(self) -> float:
        """The highest current of the recording, A."""
        flow = self.flow
        return float(np.abs(flow.values).max()) if flow is not None and len(flow) else 0.0


def _compared(attempt: Attempt, highest: float) -> Attempt:
    if attempt.step != "launches" or attempt.refused or attempt.facts["peak_a"] >= ALIKE * highest:
        return attempt
    peak = attempt.facts["peak_a"]
    return replace(attempt, refused=f"its peak of {peak:.0f} A is not within 10 % of the highest, {highest:.0f} A")
