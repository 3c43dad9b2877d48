"""What a recording holds that can show how far its sources are out of step: signals by the source they came from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from telemetry.model.batch import Group, Times, Values
from telemetry.model.recording import Recording
from telemetry.model.signals import EXTRA_PREFIX, extra_name

USED = (
    "pack_voltage",
    "controller_voltage",
    "cell_min_voltage",
    "cell_max_voltage",
    "pack_current",
    "motor_current",
    "motor_speed",
    "vehicle_speed",
    "throttle_voltage",
)
"""The signals that alignment looks at."""

_TOGETHER = 0.5
"""Share of rows known in both, of rows known in either, from which two columns of a file count as read together.

Columns of one device are known in the same rows but for a value that was made unknown here and there; of two devices
in one table, few rows are shared, since each has its own times.
"""


@dataclass(frozen=True, eq=False)
class Track:
    """One signal as one source gave it.

    Attributes:
        source: the source's name, or for a file a description.
        signal: the vocabulary's name; ``extra_SOURCE_pack_voltage`` is ``pack_voltage`` here.
        t: int64 microseconds, ascending.
        values: float64, same length, none unknown.
    """

    source: str
    signal: str
    t: Times
    values: Values


@dataclass
class _Column:
    group: Group
    name: str
    signal: str
    label: str | None
    t: list[Times] = field(default_factory=list)
    values: list[Values] = field(default_factory=list)


def read_tracks(recording: Recording, source_names: Sequence[str] = ()) -> list[Track]:
    """Read the whole recording and return every signal of :data:`USED` by the source that gave it.

    A stored session knows its sources. A file holds one table; there, columns that are known in the same rows came
    from one source, named by ``extra_SOURCE_...`` where such a column is among them (by its full name where
    ``source_names`` has one that fits), else by its first signal.
    """
    columns: dict[tuple[Group, str], _Column] = {}
    for span in recording.spans():
        for batch in span.batches:
            for name in batch.group.signals:
                signal, label = _told_apart(name)
                if signal in USED:
                    key = (Group(*batch.group.key, ()), name)
                    column = columns.setdefault(key, _Column(batch.group, name, signal, label))
                    values = batch.column(name)
                    assert values is not None
                    column.t.append(batch.t)
                    column.values.append(values)
    return list(_tracks(list(columns.values()), source_names))


def _told_apart(name: str) -> tuple[str, str | None]:
    """Return the plain signal and the source in ``extra_SOURCE_SIGNAL``; the name itself and None for others."""
    if name.startswith(EXTRA_PREFIX):
        for signal in sorted(USED, key=len, reverse=True):
            middle = name.removeprefix(EXTRA_PREFIX).removesuffix(f"_{signal}")
            if name.endswith(f"_{signal}") and middle:
                return signal, middle
    return name, None


def _tracks(columns: Sequence[_Column], source_names: Sequence[str]) -> Iterable[Track]:
    in_files = [column for column in columns if column.group.source == "recording"]
    names = dict(zip(map(id, in_files), _names_in_file(in_files, source_names), strict=True))
    for column in columns:
        t, values = np.concatenate(column.t), np.concatenate(column.values)
        known = ~np.isnan(values)
        if known.any():
            source = names.get(id(column), column.group.source)
            yield Track(source, column.signal, t[known], values[known])


def _names_in_file(columns: Sequence[_Column], source_names: Sequence[str]) -> list[str]:
    """Return what to call the source of each column of a file; the same for columns that were read together."""
    known = [~np.isnan(np.concatenate(column.values)) for column in columns]
    family = list(range(len(columns)))
    for a in range(len(columns)):
        for b in range(a):
            if len(known[a]) != len(known[b]):
                continue
            either = int((known[a] | known[b]).sum())
            if either and int((known[a] & known[b]).sum()) > _TOGETHER * either:
                family = [family[b] if each == family[a] else each for each in family]
    called = {extra_name(name).removeprefix(EXTRA_PREFIX): name for name in source_names}
    found = []
    for each in family:
        members = [column for column, other in zip(columns, family, strict=True) if other == each]
        label = next((column.label for column in members if column.label), None)
        found.append(f"the source with {members[0].name}" if label is None else called.get(label, label))
    return found
