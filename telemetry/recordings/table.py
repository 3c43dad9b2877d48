"""All groups of a recording as one table: a column a signal, a row an instant."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Batch, Group, Span, Times, Values, in_turn
from telemetry.model.signals import EXTRA_PREFIX, extra_name, find_signal, free_name


@dataclass(frozen=True)
class Table:
    """Where each signal of each group is.

    Attributes:
        names: the columns; checked identifiers, each once.
        places: the columns of each group, in the order of its signals, by the group's key.
        warnings: one sentence for each signal that could not keep its name.
        shared: signals that several groups gave in turn.

    """

    names: tuple[str, ...]
    places: dict[tuple[str, str], dict[str, int]]
    warnings: tuple[str, ...]
    shared: frozenset[str] = frozenset()

    @classmethod
    def of(cls, groups: Iterable[Group]) -> Table:
        """Lay out ``groups``; where two carry one signal, the later one's becomes ``extra_SOURCE_SIGNAL``.

        What sources gave in turn is one column: no two of them know it at once.
        """
        groups = list(groups)
        shared = in_turn(groups)
        names: list[str] = []
        places: dict[tuple[str, str], dict[str, int]] = {}
        warnings: list[str] = []
        for group in groups:
            places[group.key] = {}
            for signal in group.signals:
                name = signal if find_signal(signal) is not None else extra_name(signal)
                if name in names and name == signal in shared:
                    places[group.key][signal] = names.index(name)
                    continue
                if name in names:
                    name = extra_name(f"{group.source}_{signal.removeprefix(EXTRA_PREFIX)}")
                name = free_name(name, set(names))
                if name != signal:
                    warnings.append(f"{signal} of {group.source}/{group.name} is written as {name}")
                places[group.key][signal] = len(names)
                names.append(name)
        return cls(tuple(names), places, tuple(warnings), shared)

    def rows(self, span: Span) -> tuple[Times, Values]:
        """Return the span's rows joined: times, and values of shape (rows, columns), column by column in memory.

        Rows of several groups at one instant share a row; rows of one group at one instant stay apart, in order.
        """
        batches = [batch for batch in span.batches if len(batch)]
        if not batches:
            return np.empty(0, np.int64), np.empty((0, len(self.names)))
        if len(batches) == 1 and len(batches[0].group.signals) == len(self.names):
            return batches[0].t, np.asfortranarray(batches[0].values)
        t, targets = _joined_times(batches)
        values = np.full((len(t), len(self.names)), np.nan, order="F")
        for batch, rows in zip(batches, targets, strict=True):
            places = self.places[batch.group.key]
            for column, signal in enumerate(batch.group.signals):
                given = batch.values[:, column]
                if signal in self.shared:
                    known = ~np.isnan(given)
                    values[rows[known], places[signal]] = given[known]
                else:
                    values[rows, places[signal]] = given
        return t, values


def _joined_times(batches: list[Batch]) -> tuple[Times, list[npt.NDArray[np.intp]]]:
    """Return the joined rows' times, and for each batch the row that each of its own becomes."""
    t = np.concatenate([batch.t for batch in batches])
    turn = np.concatenate([_turns(batch.t) for batch in batches])
    order = np.lexsort((turn, t)) if turn.any() else np.argsort(t, kind="stable")
    is_new = np.ones(len(t), dtype=bool)
    is_new[1:] = (t[order][1:] != t[order][:-1]) | (turn[order][1:] != turn[order][:-1])
    rows = np.empty(len(t), dtype=np.intp)
    rows[order] = np.cumsum(is_new) - 1
    ends = np.cumsum([len(batch) for batch in batches])
    return t[order][is_new], np.split(rows, ends[:-1])


def _turns(t: Times) -> npt.NDArray[np.intp]:
    """Return how many rows of the same time precede each."""
    count = np.arange(len(t))
    is_new = np.ones(len(t), dtype=bool)
    is_new[1:] = t[1:] != t[:-1]
    turns: npt.NDArray[np.intp] = count - np.maximum.accumulate(np.where(is_new, count, 0))
    return turns
