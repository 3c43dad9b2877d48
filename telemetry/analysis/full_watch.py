"""The stage that finds for how long a charger has held a full pack up.

Full: while a charger feeds the pack, the voltage is at the top and the current has fallen to its end. From then on
the charger is still on while it goes on giving current, or while the voltage stays where it was. An iron phosphate
pack that the charger has let go falls by more than that within minutes. Other lithium packs rest close to their
charge voltage, so for them only current counts.
"""

from __future__ import annotations

from telemetry.analysis.blocks import Blocks, known_rows
from telemetry.analysis.charger_watch import ENDED_A
from telemetry.analysis.chosen import Chosen
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span

SINCE_FULL = Group("derived", "minutes_since_full", ("minutes_since_full",), "derived")
BLOCK = 10 * MICROSECONDS
TOP_SHARE = 0.01
"""A charger holds its voltage within one percent (common practice)."""
TOP_BELOW_V = 0.10
"""Where no charger is stated: full begins this far below the chemistry's charge voltage, V a cell. Ours."""
END_SHARE = 0.05
"""Current that counts as the end of a charge, of the capacity per hour (common practice)."""
HELD_WITHIN_V = {"lfp": 0.010}
"""A cell that rests after a full charge falls by far more than this within minutes, V: iron phosphate from 3.6 to
about 3.4 V (common practice). Other chemistries have no such figure."""
LONGEST_GAP = 60 * MICROSECONDS


class FullWatch:
    """Adds ``minutes_since_full`` every ten seconds with a voltage and a current; 0 while not full or let go.

    A charge that was not seen, since it ended before the session began, is not counted.

    Args:
        machine: chemistry, cells, capacity, and the charger's voltage and end current where stated.
    """

    def __init__(self, machine: Machine) -> None:
        pack, charger = machine.pack, machine.charger
        cells = pack.cells_in_series
        usual = cells * (pack.cell.charge_v - TOP_BELOW_V)
        stated = charger.output_voltage_v
        self._top = usual if stated is None else min(usual, (1.0 - TOP_SHARE) * stated)
        self._end_a = charger.end_current_a or END_SHARE * pack.capacity_ah
        within = HELD_WITHIN_V.get(pack.cell.name)
        self._within = None if within is None else cells * within
        self._signals = [Chosen("pack_voltage"), Chosen("pack_current"), Chosen("charging", measured_only=False)]
        self._blocks = [Blocks(BLOCK) for _ in self._signals]
        self._since: int | None = None
        self._held_v = 0.0
        self._before: int | None = None

    def advance(self, span: Span) -> Span:
        """Add a row for every block that is over."""
        volts, amperes, charging = (
            {each.end: each.values[:, 0] for each in blocks.take(*known_rows(chosen, span), span.end)}
            for chosen, blocks in zip(self._signals, self._blocks, strict=True)
        )
        t = [end for end in volts if end in amperes and end in charging]
        if not t:
            return span
        rows = [
            [self._take(end, float(volts[end].mean()), float(amperes[end].mean()), bool(charging[end].any()))]
            for end in t
        ]
        return span.adding([Batch.of_rows(SINCE_FULL, t, rows)])

    def _take(self, end: int, volts: float, current: float, charging: bool) -> float:
        if self._before is not None and end - self._before > LONGEST_GAP:
            self._since = None
        self._before = end
        if self._since is None:
            if charging and volts >= self._top and -current <= self._end_a:
                self._since, self._held_v = end, volts
        elif not self._is_held(volts, current, charging):
            self._since = None
        return 0.0 if self._since is None else (end - self._since) / (60 * MICROSECONDS)

    def _is_held(self, volts: float, current: float, charging: bool) -> bool:
        """Return whether the charger still holds the pack up."""
        if volts < self._top or current > ENDED_A:
            return False
        self._held_v = max(self._held_v, volts)
        return charging or (self._within is not None and volts >= self._held_v - self._within)
