"""What a unit of a source answers to, and how long its own history lets it repeat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from telemetry.analysis.repeats import Columns, counted_since
from telemetry.model.batch import Flags, Times, Values

ANSWERS = 8
"""Moving blocks in which a unit must have changed before it is judged (ours)."""
LEAST_BLOCKS = 6
"""Moving blocks through which it must repeat at least (ours)."""
_TIMES, _MORE = 3, 3
SPEEDS = ("vehicle_speed", "motor_speed")
CURRENTS = ("pack_current", "motor_current")
ELECTRIC = ("pack_voltage", "controller_voltage", *CURRENTS)
_OF_CONTROLLER = ("controller_voltage", "motor_current")


class Witness:
    """By how much what others answer to moved in each block, as a share of its range."""

    def __init__(self, moved: Mapping[str, Values], loaded: Flags, throttle_before: float) -> None:
        self._moved, self._loaded = moved, loaded
        self._none = np.zeros(len(loaded))
        self.throttle_now = moved.get("throttle_voltage", self._none)
        # the machine follows the foot within a block
        self._throttle = np.maximum(self.throttle_now, np.concatenate([[throttle_before], self.throttle_now[:-1]]))

    def _of(self, names: Sequence[str], but: str) -> Values:
        found = self._none
        for name in names:
            if name in self._moved and name != but:
                found = np.maximum(found, self._moved[name])
        return found

    def of(self, unit: str) -> Values:
        """Return how much moved of what ``unit`` (its first signal) answers to; float64 (blocks,)."""
        speed = self._of(SPEEDS, unit)
        if unit in SPEEDS or unit == "latitude":
            return np.asarray(np.maximum(speed, np.minimum(self._throttle, self._of(ELECTRIC, unit))))
        driven = np.minimum(self._throttle, speed)
        if unit in _OF_CONTROLLER:
            return np.asarray(np.maximum(driven, self._of(("pack_current", "pack_voltage"), unit)))
        under_load = np.where(self._loaded, self._of((*ELECTRIC, *SPEEDS, "throttle_voltage"), unit), 0.0)
        return np.asarray(np.maximum(np.maximum(driven, under_load), self._of(("pack_current",), unit)))


class Unit:
    """Signals judged as one, and what their history explains.

    Attributes:
        key: of their group; ``names``: theirs, of one sort.
    """

    def __init__(self, key: tuple[str, str], names: tuple[str, ...]) -> None:
        self.key, self.names = key, names
        self._through = 0  # moving blocks through which it has repeated by now
        self._longest = 0
        self._answers = 0
        self._waiting = False  # whether something moved since the unit's last row
        self._found = self._begun = False

    def take(self, columns: Columns, numbers: Times, witness: Flags, may: Flags) -> list[int]:
        """Take the blocks ``numbers``; return the places of those at whose end it is found frozen."""
        places = [place for name in self.names if (place := columns.group.place(name)) is not None]
        present = columns.per_block(_any(columns.known, places), numbers)
        changed = columns.per_block(_any(columns.changed, places), numbers)
        rows = np.flatnonzero(present)
        total = np.concatenate([[0], np.cumsum(witness)])
        if not len(rows):
            self._waiting |= bool(total[-1])
            return []
        moved = np.diff(total[rows + 1], prepend=0) > 0
        moved[0] = self._begun and (bool(moved[0]) or self._waiting)
        self._begun = True
        self._waiting = bool(total[-1] > total[rows[-1] + 1])
        changes = changed[rows]
        through = counted_since(moved, changes, self._through)
        answers = self._answers + np.cumsum(moved & changes)
        self._answers = int(answers[-1])
        found = self._beyond(through, changes, answers, may[rows])
        self._through = int(through[-1])
        return [int(rows[place]) for place in found]

    def _beyond(self, through: Times, changes: Flags, answers: Times, may: Flags) -> list[int]:
        """Go through the repeats that are longer than any before; return where they cannot be explained any more."""
        if changes[0]:
            self._end_of_repeat(self._through)
        found: list[int] = []
        if int(through.max()) <= self._longest and not self._found:
            return found
        starts = np.flatnonzero(changes).tolist()
        for first, end in zip([0, *starts], [*starts, len(through)], strict=True):
            if end == first:
                continue
            need = max(LEAST_BLOCKS, _TIMES * self._longest + _MORE)
            beyond = (through[first:end] >= need) & may[first:end] & (answers[first:end] >= ANSWERS)
            if not self._found and beyond.any():
                self._found = True
                found.append(first + int(beyond.argmax()))
            if end < len(through):
                self._end_of_repeat(int(through[end - 1]))
        return found

    def _end_of_repeat(self, through: int) -> None:
        """Learn from a repeat that has ended; one that was found frozen explains nothing."""
        if not self._found:
            self._longest = max(self._longest, through)
        self._found = False


def _any(flags: Flags, places: Sequence[int]) -> Flags:
    return np.asarray(flags[:, places[0]] if len(places) == 1 else flags[:, places].any(axis=1))
