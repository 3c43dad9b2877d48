"""Full-rate rows in open formats: JSON lines, the Battery Data Format, GPX.

Each sink takes rows of the columns it was made with; what a format has no place for is in ``left_out``.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Sequence
from typing import IO, Any
from xml.sax.saxutils import escape

import numpy as np

from telemetry.model.batch import Times, Values
from telemetry.model.errors import InputError
from telemetry.model.events import Mark
from telemetry.model.recording import TimeBasis
from telemetry.model.signals import pack_temperature_number
from telemetry.model.time_text import utc

# Battery Data Format, version 1.0 (Battery Data Alliance, LF Energy): preferred labels. It states no sign; current is
# written positive while charging, as test benches for cells do (common practice).
BDF_LABELS = {
    "pack_voltage": "Voltage / V",
    "pack_current": "Current / A",
    "ambient_temperature": "Ambient Temperature / degC",
    "pack_power": "Power / W",
}
_BDF_TEMPERATURES = 5
_GPX = "http://www.topografix.com/GPX/1/1"


def bdf_label(name: str) -> str | None:
    """Return the format's label for a signal; None where it has none."""
    number = pack_temperature_number(name)
    if number is not None and number <= _BDF_TEMPERATURES:
        return f"Surface Temperature T{number} / degC"
    return BDF_LABELS.get(name)


class JsonLinesSink:
    """One object a row: the time and what is known."""

    def __init__(self, stream: IO[bytes], basis: TimeBasis, names: Sequence[str], *, packed: bool) -> None:
        self._packed = gzip.GzipFile("", "wb", 6, stream, mtime=0) if packed else None
        self._stream: Any = self._packed or stream
        self._basis, self._names = basis, names
        self.left_out: tuple[str, ...] = ()

    def __enter__(self) -> JsonLinesSink:
        return self

    def __exit__(self, *failure: object) -> None:
        if self._packed is not None:
            self._packed.close()

    def write(self, t: Times, values: Values) -> int:
        """Write rows; ``t`` in microseconds from 1970 or from the start."""
        for when, row in zip(t.tolist(), values.tolist(), strict=True):
            time = {"t": when / 1e6} if self._basis == "relative" else {"time": utc(when)}
            known = {name: value for name, value in zip(self._names, row, strict=True) if value == value}
            self._stream.write(json.dumps(time | known).encode() + b"\n")
        return len(t)


class GpxSink:
    """A track of GPX 1.1 from latitude and longitude, marks as waypoints at the place passed last."""

    def __init__(self, stream: IO[bytes], basis: TimeBasis, names: Sequence[str], marks: Sequence[Mark]) -> None:
        if not {"latitude", "longitude"} <= set(names):
            raise InputError("a GPX file is a track, and this recording holds no latitude and longitude")
        self._stream, self._basis = stream, basis
        self._places = names.index("latitude"), names.index("longitude")
        self._marks, self._waypoints = sorted(marks, key=lambda mark: mark.t), list[str]()
        self._points = list[str]()
        self.left_out = tuple(name for name in names if name not in ("latitude", "longitude"))

    def __enter__(self) -> GpxSink:
        return self

    def __exit__(self, *failure: object) -> None:
        head = f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="shakedown" xmlns="{_GPX}">\n'
        track = "<trk><trkseg>\n" + "".join(self._points) + "</trkseg></trk>\n"
        self._stream.write((head + "".join(self._waypoints) + track + "</gpx>\n").encode())

    def write(self, t: Times, values: Values) -> int:
        """Write the places among these rows."""
        known = np.isfinite(values[:, self._places]).all(axis=1)
        for when, row in zip(t[known].tolist(), values[known].tolist(), strict=True):
            place = f'lat="{row[self._places[0]]:.8f}" lon="{row[self._places[1]]:.8f}"'
            time = f"<time>{utc(when)}</time>" if self._basis == "absolute" else ""
            while self._marks and self._marks[0].t <= when:
                mark = self._marks.pop(0)
                at = f"<time>{utc(mark.t)}</time>" if self._basis == "absolute" else ""
                self._waypoints.append(f"<wpt {place}>{at}<name>{escape(mark.text or 'mark')}</name></wpt>\n")
            self._points.append(f"<trkpt {place}>{time}</trkpt>\n")
        return int(np.count_nonzero(known))
