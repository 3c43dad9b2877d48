"""From the sentences of a satellite receiver (NMEA 0183) to rows of position and speed. Pure.

A receiver prints several sentences an instant; each holds a part, and those of one instant make one row::

    $GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A    position, speed, date, fix or none
    $GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47       position, quality of the fix, satellites
    $GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48                               speed and course
    $GPGLL,4916.45,N,12311.12,W,225444,A*31                                 position

Only what is measured counts as a fix: a position that the receiver has estimated, simulated or been told by hand is
no value, and neither is the last one it had. Sentences are parsed by pynmea2, each with its checksum.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import Any

import pynmea2

from telemetry.model.batch import Batch, Group

from .text_batches import TextPiece
from .text_lines import LineCutter

KM_H_PER_KNOT = 1.852
"""Kilometres an hour in a knot: exact, since the nautical mile is 1852 m (SI brochure, table 8)."""
LONGEST_SENTENCE = 1024
"""Bytes; the standard allows 82, receivers print more."""
QUIET_US = 100_000
"""Longer than an adapter holds bytes back, shorter than a receiver rests between two instants."""
SIGNALS = (
    "latitude",
    "longitude",
    "vehicle_speed",
    "extra_fix_quality",
    "extra_satellites",
    "extra_dilution_of_precision",
    "extra_altitude",
    "extra_course",
    "extra_device_time",
)
# Fix quality of GGA and mode of RMC, VTG, GLL that stand for a measured position (NMEA 0183 standard; the codes from
# memory): 1 autonomous, 2 differential, 3 precise, 4 and 5 real-time kinematic. Estimated (6, E), by hand (7, M) and
# simulated (8, S) are not measured.
_QUALITIES = frozenset((1, 2, 3, 4, 5))
_MODES = frozenset("ADPRF")
_USED = ("RMC", "GGA", "VTG", "GLL")


@dataclass
class PositionFigures:
    """What became of the bytes so far.

    Attributes:
        bytes: bytes taken in.
        sentences: good sentences of a kind that is used.
        other: good sentences of other kinds.
        rows: rows given out.
        rows_without_fix: of these, rows for which the receiver had no fix.
        bad: lines that could not be used, by reason.

    """

    bytes: int = 0
    sentences: int = 0
    other: int = 0
    rows: int = 0
    rows_without_fix: int = 0
    bad: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class Fix:
    """What one sentence says.

    Attributes:
        kind: ``RMC``, ``GGA``, ``VTG`` or ``GLL``.
        instant: the device's time of day; None where the sentence has none.
        has_fix: False: the receiver says that it has none.
        values: by signal, in the signals' units; what the sentence leaves empty is missing.

    """

    kind: str
    instant: time | None
    has_fix: bool
    values: dict[str, float]


def read_sentence(text: str) -> Fix | None:
    """Return what one sentence says, from ``$`` to checksum; None where it is of a kind that is not used.

    Raises:
        ValueError: it is no sentence, its checksum is missing or wrong, or a field is out of its range.

    """
    try:
        sentence = pynmea2.parse(text, check=True)
    except pynmea2.ChecksumError as error:
        raise ValueError("checksum missing or wrong") from error
    except pynmea2.SentenceTypeError:
        return None
    except (pynmea2.ParseError, ValueError, TypeError, IndexError) as error:
        raise ValueError("not a sentence") from error
    kind = getattr(sentence, "sentence_type", "")
    if kind not in _USED or not isinstance(sentence, pynmea2.TalkerSentence):
        return None
    return _fix(kind, sentence)


def _fix(kind: str, sentence: Any) -> Fix:
    values: dict[str, float] = {}
    if kind != "VTG":
        values |= _position(sentence)
    if kind == "RMC":
        _put(values, "vehicle_speed", _number(sentence.spd_over_grnd), KM_H_PER_KNOT)
        _put(values, "extra_course", _number(sentence.true_course))
        if isinstance(sentence.datestamp, date) and isinstance(sentence.timestamp, time):
            moment = datetime.combine(sentence.datestamp, sentence.timestamp.replace(tzinfo=UTC))
            values["extra_device_time"] = moment.timestamp()
    elif kind == "GGA":
        _put(values, "extra_fix_quality", _number(sentence.gps_qual))
        _put(values, "extra_satellites", _number(sentence.num_sats))
        _put(values, "extra_dilution_of_precision", _number(sentence.horizontal_dil))
        _put(values, "extra_altitude", _number(sentence.altitude))
    elif kind == "VTG":
        _put(values, "extra_course", _number(sentence.true_track))
        _put(values, "vehicle_speed", _number(sentence.spd_over_grnd_kts), KM_H_PER_KNOT)
        _put(values, "vehicle_speed", _number(sentence.spd_over_grnd_kmph))
    instant = getattr(sentence, "timestamp", None)
    return Fix(kind, instant if isinstance(instant, time) else None, _has_fix(kind, sentence, values), values)


def _has_fix(kind: str, sentence: Any, values: dict[str, float]) -> bool:
    """Tell whether the sentence stands for a measured position, by its status, its quality and its mode."""
    if kind == "GGA":
        return values.get("extra_fix_quality") in _QUALITIES
    if kind in ("RMC", "GLL") and sentence.status != "A":
        return False
    # The mode came with a later edition of the standard; a receiver that leaves it out says nothing by that.
    place = {"RMC": 11, "VTG": 8, "GLL": 6}[kind]
    mode = sentence.data[place] if len(sentence.data) > place else ""
    return mode == "" or mode in _MODES


def _position(sentence: Any) -> dict[str, float]:
    """Return latitude and longitude; nothing where they are empty (pynmea2 makes 0 of that, and of an unknown side).

    Raises:
        ValueError: a field is no angle.

    """
    if sentence.lat in (None, "", "0") or sentence.lon in (None, "", "0"):
        return {}
    found = {}
    for signal, text, side, most in (
        ("latitude", sentence.lat, {"N": 1, "S": -1}.get(sentence.lat_dir), 90),
        ("longitude", sentence.lon, {"E": 1, "W": -1}.get(sentence.lon_dir), 180),
    ):
        try:
            degrees = pynmea2.dm_to_sd(text)
        except ValueError as error:
            raise ValueError("position out of range") from error
        if side is None or not abs(degrees) <= most:
            raise ValueError("position out of range")
        found[signal] = side * degrees
    return found


def _number(value: Any) -> float | None:
    """Return a field as a finite number, or None; pynmea2 leaves as text what it cannot convert."""
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):  # pynmea2 makes an integer of any number of digits
        return None
    return number if math.isfinite(number) else None


def _put(values: dict[str, float], signal: str, number: float | None, scale: float = 1.0) -> None:
    if number is not None:
        values[signal] = number * scale


class PositionSentences:
    """Cuts, checks and joins the sentences of one receiver.

    A receiver prints an instant's sentences in one go. A row is complete when the line has then been quiet for
    :data:`QUIET_US`, or when a sentence of the next instant comes. It bears the time at which it is given out, so
    that all rows of a receiver lag by the same; the first sentence's arrival would be in the past by then.

    Args:
        source: of the rows.
        group: its name.

    """

    def __init__(self, source: str, group: str) -> None:
        self.group = Group(source, group, SIGNALS)
        self.figures = PositionFigures()
        self._cutter = LineCutter(LONGEST_SENTENCE)
        self._held: list[Fix] = []
        self._heard = 0
        self._times: list[int] = []
        self._rows: list[list[float]] = []

    @property
    def wake(self) -> int | None:
        """When the row held will be complete if nothing comes; None where none is held."""
        return self._heard + QUIET_US if self._held else None

    def feed(self, pieces: Iterable[TextPiece]) -> Batch | None:
        """Return the rows that these pieces complete, in time order; None where they complete none."""
        for piece in pieces:
            if piece.lost_before:
                self._cutter.restart()
            self.figures.bytes += len(piece.data)
            self._heard = piece.arrival
            too_long = self._cutter.too_long
            for line in self._cutter.feed(piece.data):
                self._read(line, piece.arrival)
            if self._cutter.too_long > too_long:
                self.figures.bad["line too long"] += self._cutter.too_long - too_long
        return self._taken()

    def quiet(self, now: int) -> Batch | None:
        """Return the row held, if the line has been quiet for long enough by now."""
        if self.wake is not None and now >= self.wake:
            self._close(now)
        return self._taken()

    def finish(self) -> Batch | None:
        """Return the row that is held though nothing completes it: the link is over."""
        self._close(self._heard)
        return self._taken()

    def _read(self, line: bytes, arrival: int) -> None:
        # A sentence begins at its $ and has no other: whatever stands before is the rest of something broken.
        begins = line.rfind(b"$")
        if begins < 0:
            if line.strip():
                self.figures.bad["not a sentence"] += 1
            return
        if begins > 0:
            self.figures.bad["noise before a sentence"] += 1
        try:
            fix = read_sentence(line[begins:].decode("ascii").strip())
        except UnicodeDecodeError:
            self.figures.bad["not text"] += 1
            return
        except ValueError as error:
            self.figures.bad[str(error)] += 1
            return
        if fix is None:
            self.figures.other += 1
            return
        self.figures.sentences += 1
        self._join(fix, arrival)

    def _join(self, fix: Fix, arrival: int) -> None:
        """Add a sentence to the row held, or close that and begin another."""
        instant = next((each.instant for each in self._held if each.instant is not None), None)
        is_other = fix.instant is not None and instant is not None and fix.instant != instant
        if is_other or any(each.kind == fix.kind for each in self._held):
            self._close(arrival)
        self._held.append(fix)

    def _close(self, t: int) -> None:
        """Make a row of what is held."""
        if self._held:
            self._times.append(t)
            self._rows.append(self._row())
            self._held = []

    def _row(self) -> list[float]:
        """Return the values of the row held; RMC's speed goes before VTG's, which is often printed more coarsely."""
        values: dict[str, float] = {}
        for fix in sorted(self._held, key=lambda each: _USED.index(each.kind), reverse=True):
            values |= fix.values
        if not all(fix.has_fix for fix in self._held):
            self.figures.rows_without_fix += 1
            for signal in ("latitude", "longitude", "vehicle_speed", "extra_course", "extra_altitude"):
                values.pop(signal, None)
        self.figures.rows += 1
        return [values.get(signal, math.nan) for signal in SIGNALS]

    def _taken(self) -> Batch | None:
        if not self._rows:
            return None
        batch = Batch.of_rows(self.group, self._times, self._rows)
        self._times, self._rows = [], []
        return batch
