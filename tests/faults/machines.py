"""Machines whose rows can be told apart: each row carries its number, and a voltage that follows from it."""

from __future__ import annotations

from collections.abc import Mapping

from telemetry.model.batch import Batch, Group

PERIOD_US = 10_000
WRAP = 30_000
"""The count starts over here, so that every link can carry it exactly."""


class Numbered:
    """Gives a row each ``period_us``: ``number`` counts, ``pack_voltage`` is ``base`` plus its last digits in 0.01 V.

    Args:
        start: when row 0 is due, int microseconds.
        number: the signal that counts.
        base: the voltage of row 0, V; tells one machine's rows from another's.
        cells: how many cell voltages it sends besides, all ``base / 16``.
        period_us: time between rows.
        wrap: the count starts over here.

    Attributes:
        newest: number of the latest row.

    """

    def __init__(
        self,
        start: int,
        number: str = "motor_speed",
        base: float = 40.0,
        cells: int = 0,
        period_us: int = PERIOD_US,
        wrap: int = WRAP,
    ) -> None:
        self.number, self.base, self.period_us, self.wrap = number, base, period_us, wrap
        self._start, self._next = start, 0
        self._cells = [3.2] * cells
        names = (number, "pack_voltage", *(f"cell_{n:02d}_voltage" for n in range(1, cells + 1)))
        self.groups = (Group("machine", "count", names),)

    @property
    def newest(self) -> int:
        """Number of the latest row, -1 before there is one."""
        return self._next - 1

    def advance_to(self, t: int) -> list[Batch]:
        """Return the rows after the last call up to ``t``."""
        first, self._next = self._next, max(self._next, (t - self._start) // self.period_us)
        numbers = range(first, self._next)
        if not numbers:
            return []
        rows = [(n % self.wrap, self.voltage(n % self.wrap), *self._cells) for n in numbers]
        return [Batch.of_rows(self.groups[0], [self._start + n * self.period_us for n in numbers], rows)]

    def voltage(self, number: int) -> float:
        """Return the voltage of a row, V."""
        return self.base + number % 997 / 100

    def owns(self, row: Mapping[str, float], near: float = 0.02) -> bool:
        """Tell whether a stored row, known values by signal, can be one of ours; a link may round the voltage."""
        number = row.get(self.number)
        if number is None or abs(number - round(number)) > near:
            return False
        voltage = row.get("pack_voltage")
        return voltage is None or abs(voltage - self.voltage(round(number))) <= near
