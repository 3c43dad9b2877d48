"""From pieces of a device's text, each with its arrival time, to batches of one group. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np

from telemetry.model.batch import Batch, Group, Values
from telemetry.model.columns import ColumnMap

from .device_clock import ArrivalClock, DeviceClock, OwnTime, SteadyTime
from .text_formats import TextRow
from .text_lines import TextDecoder, TextFigures
from .text_settings import TextSettings


class TextPiece(Protocol):
    """Some bytes of the stream, as a pump gives them."""

    @property
    def arrival(self) -> int:
        """When they were read, microseconds since the Unix epoch."""
        ...

    @property
    def data(self) -> bytes:
        """The bytes."""
        ...

    @property
    def lost_before(self) -> int:
        """Not 0: these bytes do not follow on from the last."""
        ...


class TextBatches:
    """Decodes, names, scales and times the text of one device.

    The group widens as columns appear. The device's own time is carried along as an extra.

    Args:
        group: name and source of the rows; may begin without signals.
        settings: how the text is laid out.

    """

    def __init__(self, group: Group, settings: TextSettings) -> None:
        self.group = group
        self._columns = ColumnMap(settings.columns or {})
        self._time_column = settings.time_column
        self._decoder = TextDecoder(settings, self._is_known)
        self._arrival_clock = ArrivalClock()
        self.device_clock: DeviceClock | OwnTime | SteadyTime | None = None
        if self._time_column is not None:
            self.device_clock = DeviceClock(settings.time_unit, settings.time_wraps_at)

    @property
    def figures(self) -> TextFigures:
        """What became of the bytes so far."""
        return self._decoder.figures

    def feed(self, pieces: Iterable[TextPiece]) -> Batch | None:
        """Return the rows that these pieces complete, in time order; None where they complete none."""
        rows: list[TextRow] = []
        times: list[int] = []
        for piece in pieces:
            if piece.lost_before:
                self._decoder.restart()
            found = self._decoder.feed(piece.data)
            if found:
                rows += found
                times += self._times(found, piece.arrival)
        if not rows:
            return None
        t = np.array(times, dtype=np.int64)
        values = self._values(rows)
        if len(t) > 1 and bool(np.any(t[1:] < t[:-1])):
            order = np.argsort(t, kind="stable")
            t, values = t[order], values[order]
        return Batch(self.group, t, values)

    def _is_known(self, name: str) -> bool:
        return name == self._time_column or self._columns.is_known(name)

    def _times(self, rows: list[TextRow], arrival: int) -> list[int]:
        """Return our time of each row of one piece."""
        if self.device_clock is None:
            return self._arrival_clock.map(len(rows), arrival)
        device: list[float] = []
        names: tuple[str, ...] | None = None
        place: int | None = None
        for row in rows:
            if row.names is not names:
                names = row.names
                place = names.index(self._time_column) if self._time_column in names else None
            device.append(np.nan if place is None else row.values[place])
        return self.device_clock.map(device, arrival)

    def _values(self, rows: list[TextRow]) -> Values:
        """Return the rows' values under the group, widened by what is new; rows of one shape are worked at once."""
        shapes: dict[tuple[str, ...], list[int]] = {}
        names: tuple[str, ...] | None = None
        for place, row in enumerate(rows):
            if row.names is not names:
                names = row.names
                places = shapes.setdefault(names, [])
            places.append(place)
        layouts = {names: self._columns.layout(names) for names in shapes}
        for layout in layouts.values():
            self.group = self.group.widened(layout.signals)
        found = {
            names: layouts[names].apply(np.array([rows[place].values for place in places], dtype=np.float64))
            for names, places in shapes.items()
        }
        if len(found) == 1 and layout.signals == self.group.signals:
            return next(iter(found.values()))
        values = np.full((len(rows), len(self.group.signals)), np.nan)
        for names, places in shapes.items():
            targets = np.array([self.group.place(signal) for signal in layouts[names].signals], dtype=np.intp)
            values[np.array(places, dtype=np.intp)[:, np.newaxis], targets] = found[names]
        return values
