"""Finds a source that repeats itself: its values stay exactly the same, while others show that they should change.

What is judged is a *unit*: pack voltage, a current, a speed, the position, or all cell voltages of a group together.
A unit is frozen once it has repeated exactly through more *moving blocks* than its own history explains. A block of
2 s is a moving block for it if what it answers to moves clearly (see :class:`~telemetry.analysis.repeats.Mover`), by
such a share of its own range so far that the like share of the unit's range is three of the unit's smallest steps:
a coarse unit asks for a strong movement. What a unit answers to:

- pack voltage, pack current and cells: the pack current, or throttle and speed together; under load (more than a
  tenth of the highest current so far) any voltage or current, throttle or speed;
- motor current and controller voltage: pack current or voltage, or throttle and speed together;
- speeds and position: another speed, or throttle together with a voltage or current;
- any but cells and position: the same signal as another source gives it.

The unit must have answered in eight moving blocks before. It is then frozen after six moving blocks, or after three
times the longest run of moving blocks through which it ever repeated, and three more, whichever is more. A standing
machine has no moving blocks, so it is never judged and teaches nothing. A current near zero, a speed near zero,
throttle, switches, temperatures, counters and a reported state of charge are never judged by themselves, for they may
rightly stay as they are; they go with a frozen unit of the same source where they repeat too. Only a current near
zero is judged where another source shows it moving. All counts are ours.

It looks forward only, and no result depends on where the rows were cut: blocks lie on the data's own time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.blocks import HeldRows
from telemetry.analysis.frozen_units import CURRENTS, ELECTRIC, LEAST_BLOCKS, SPEEDS, Unit, Witness
from telemetry.analysis.repeats import BLOCK, Columns, Extent, Mover
from telemetry.model.batch import Batch, Flags, Group, Times, Values, as_sent
from telemetry.model.signals import cell_number

FINEST = 1e-12
"""No step is finer than this share of the range: floats resolve no more, and no device so much. Ours."""
STEPS = 3.0
"""Smallest steps of a unit that a movement must amount to, as shares of both ranges go."""
LOADED_SHARE = 0.1
"""Share of the highest current above which a pack counts as loaded, and a current is judged by itself."""
_LEAST = {
    "throttle_voltage": 0.15,
    "vehicle_speed": 1.0,
    "motor_speed": 60.0,
    "pack_current": 4.0,
    "motor_current": 4.0,
    "pack_voltage": 0.3,
    "controller_voltage": 0.3,
}
"""The least that counts as movement within a block, in the signal's unit (ours)."""
_ORDER = tuple(_LEAST)
Column = tuple[tuple[str, str], str]
"""Key of a group and a signal in it."""


@dataclass(frozen=True)
class Frozen:
    """A unit that was found to repeat itself.

    Attributes:
        t: when it was found, int microseconds: the end of a block.
        start: time of the row from which on its values repeat; that row itself is good.
        unit: the columns judged.
        members: the unit's and all others of its source that have repeated as long, or for twelve seconds, each with
            the value held.
        moved: names of signals that moved clearly meanwhile, in the order of the vocabulary here; ``NAME of SOURCE``
            for the unit's own signal as another source gave it.
    """

    t: int
    start: int
    unit: tuple[Column, ...]
    members: tuple[tuple[Column, float], ...]
    moved: tuple[str, ...]

    @property
    def source(self) -> str:
        """Name of the source."""
        return self.unit[0][0][0]


class FrozenWatch:
    """Finds frozen units as rows come; rows of a block wait until it is over."""

    def __init__(self) -> None:
        self._due: int | None = None
        self._held = HeldRows()
        self._columns: dict[tuple[str, str], Columns] = {}
        self._extents: dict[Column, Extent] = {}
        self._movers: dict[Column, Mover] = {}
        self._units: dict[tuple[Column, ...], Unit] = {}
        self._last_moved: dict[Column, int] = {}
        self._throttle_before = 0.0
        self._highest: dict[Column, float] = {}

    def take(self, batches: Iterable[Batch], end: int) -> list[Frozen]:
        """Take rows up to ``end`` (nothing at or before it is still to come) and return what was found, in order."""
        for batch in batches:
            if len(batch) and batch.group.origin == "measured":
                self._held.add(batch)
        if self._due is not None and end < self._due:
            return []
        self._due = (end // BLOCK + 1) * BLOCK
        over = {key: as_sent(batch) for key, batch in self._held.before(self._due - BLOCK).items()}
        if not over:
            return []
        for key, columns in self._columns.items():
            columns.take(over.get(key))
        for key, batch in over.items():
            if key not in self._columns:
                self._columns[key] = Columns(batch.group)
                self._columns[key].take(batch)
        return self._judge(np.unique(np.concatenate([batch.t // BLOCK for batch in over.values()])))

    def _judge(self, numbers: Times) -> list[Frozen]:
        """Judge the blocks of these numbers."""
        moved, steps = self._moved(numbers)
        loaded = self._loaded(numbers)
        of_any: dict[str, Values] = {}
        for (_, name), share in moved.items():
            of_any[name] = np.maximum(of_any[name], share) if name in of_any else share
        witness = Witness(of_any, loaded["pack_current"], self._throttle_before)
        self._throttle_before = float(witness.throttle_now[-1])
        found: list[tuple[int, int, Unit]] = []
        for key, columns in self._columns.items():
            for names in _units_of(columns.group):
                unit_key = tuple((key, name) for name in names)
                unit = self._units.setdefault(unit_key, Unit(key, names))
                rival = _of_rivals(moved, (key, names[0]), len(numbers))
                may = self._may_judge(unit, columns, numbers, loaded, rival)
                moving = np.maximum(witness.of(names[0]), rival) * steps[key, names[0]] >= STEPS
                found += [(int(numbers[place]), place, unit) for place in unit.take(columns, numbers, moving, may)]
        told = [self._told(unit, place, numbers, moved) for _, place, unit in sorted(found, key=lambda f: f[:2])]
        for column, share in moved.items():
            if share.any():
                self._last_moved[column] = int(numbers[np.flatnonzero(share)[-1]])
        return told

    def _moved(self, numbers: Times) -> tuple[dict[Column, Values], dict[Column, Values]]:
        """Return how much each column moved in each block, and how many steps each unit's range holds by then."""
        moved: dict[Column, Values] = {}
        steps: dict[Column, Values] = {}
        for key, columns in self._columns.items():
            for name in dict.fromkeys((*_LEAST, *(names[0] for names in _units_of(columns.group)))):
                place = columns.group.place(name)
                if place is None:
                    continue
                extent = self._extents.setdefault((key, name), Extent())
                within, so_far, step = extent.take(columns, place, numbers)
                steps[key, name] = so_far / np.maximum(step, FINEST * so_far)
                if name in _LEAST:
                    mover = self._movers.setdefault((key, name), Mover(_LEAST[name]))
                    moved[key, name] = mover.moved(columns, place, numbers, within, so_far, step)
        return moved, steps

    def _loaded(self, numbers: Times) -> dict[str, Flags]:
        """Return in which blocks each current, as last known, is more than a tenth of the highest so far."""
        loaded = {name: np.zeros(len(numbers), dtype=np.bool_) for name in CURRENTS}
        for key, columns in self._columns.items():
            for name in CURRENTS:
                place = columns.group.place(name)
                if place is None:
                    continue
                now = _at_end(columns, place, numbers)
                highest = np.maximum(self._highest.get((key, name), 0.0), np.maximum.accumulate(np.nan_to_num(now)))
                loaded[name] |= (now > LOADED_SHARE * highest) & (highest > _LEAST[name])
                self._highest[key, name] = float(highest[-1])
        return loaded

    def _may_judge(
        self, unit: Unit, columns: Columns, numbers: Times, loaded: dict[str, Flags], rival: Values
    ) -> Flags:
        """Return in which blocks the value that a unit holds is one that cannot rightly stay."""
        name = unit.names[0]
        if name in CURRENTS:
            return np.asarray(loaded[name] | (rival > 0.0))
        speed = "vehicle_speed" if name == "latitude" else name
        place = columns.group.place(speed) if speed in SPEEDS else None
        if place is None:
            return np.ones(len(numbers), dtype=np.bool_)
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(_at_end(columns, place, numbers)) >= _LEAST[speed])

    def _told(self, unit: Unit, place: int, numbers: Times, moved: dict[Column, Values]) -> Frozen:
        """Return what is to be told of a unit found frozen in the block at ``place``."""
        t = (int(numbers[place]) + 1) * BLOCK
        own = self._columns[unit.key]
        rows = int(np.searchsorted(own.t, t, side="left"))
        places = [own.group.place(name) for name in unit.names]
        start = max(own.changed_at(column, rows) for column in places if column is not None)
        members = []
        for key, columns in self._columns.items():
            if key[0] != unit.key[0]:
                continue
            rows = int(np.searchsorted(columns.t, t, side="left"))
            for column, name in enumerate(columns.group.signals):
                held = columns.held(column, rows)
                if held == held and columns.changed_at(column, rows) <= max(start, t - LEAST_BLOCKS * BLOCK):
                    members.append(((key, name), held))
        since = start // BLOCK
        names = {
            name if name not in unit.names else f"{name} of {key[0]}": None
            for key, name in sorted(
                moved.keys() | self._last_moved.keys(), key=lambda column: _ORDER.index(column[1])
            )
            if name not in unit.names or key[0] != unit.key[0]
            if self._last_moved.get((key, name), -1) > since
            or ((key, name) in moved and moved[key, name][: place + 1][numbers[: place + 1] > since].any())
        }
        return Frozen(t, start, tuple((unit.key, name) for name in unit.names), tuple(members), tuple(names))


def _of_rivals(moved: dict[Column, Values], of: Column, blocks: int) -> Values:
    """Return how much the same signal of other sources moved in each block."""
    rivals = [share for (key, name), share in moved.items() if name == of[1] and key[0] != of[0][0]]
    return np.asarray(np.maximum.reduce([np.zeros(blocks), *rivals]))


def _units_of(group: Group) -> list[tuple[str, ...]]:
    units: list[tuple[str, ...]] = [(name,) for name in (*ELECTRIC, *SPEEDS) if name in group.signals]
    if {"latitude", "longitude"} <= set(group.signals):
        units.append(("latitude", "longitude"))
    cells = tuple(
        s for s in group.signals if cell_number(s) is not None or s in ("cell_min_voltage", "cell_max_voltage")
    )
    return [*units, cells] if cells else units


def _at_end(columns: Columns, column: int, numbers: Times) -> Values:
    """Return the latest known value of a column at the end of each block; NaN before the first."""
    rows = np.searchsorted(columns.t, (numbers + 1) * BLOCK, side="left")
    values = np.concatenate([columns.previous(column)[:1], columns.filled[:, column]]) if len(columns.t) else None
    return np.full(len(numbers), columns.held(column, 0)) if values is None else values[rows]
