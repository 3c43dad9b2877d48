"""Times as other loggers write them, and how they become whole microseconds, a whole column at once.

An elapsed time counts from the start; a clock without a date is turned into one, past midnight too. Dates without a
zone are in the zone that the column map states, ``local`` for this computer's.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Sequence
from typing import Any, Literal, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Flags, Times, Values

TimeKind = Literal[
    "elapsed s",
    "elapsed ms",
    "elapsed us",
    "elapsed min",
    "elapsed h",
    "unix s",
    "unix ms",
    "unix us",
    "unix ns",
    "days since 1900",
    "year first",
    "day first",
    "month first",
    "clock",
    "rows",
]
KINDS: tuple[TimeKind, ...] = get_args(TimeKind)
_SECONDS_IN = {
    "elapsed s": 1.0,
    "elapsed ms": 1e-3,
    "elapsed us": 1e-6,
    "elapsed min": 60.0,
    "elapsed h": 3600.0,
    "unix s": 1.0,
    "unix ms": 1e-3,
    "unix us": 1e-6,
    "unix ns": 1e-9,
    "days since 1900": 86400.0,
}
DATES: tuple[TimeKind, ...] = ("year first", "day first", "month first")
_SPREADSHEET_EPOCH_DAYS = 25569
"""Day number of 1970-01-01 where 1900-01-01 is day 1 and 1900 counts as a leap year (ISO/IEC 29500-1, 18.17.4.1)."""
_DAY_US, _HALF_DAY_US, _HOUR_US = 86_400_000_000, 43_200_000_000, 3_600_000_000

_CLOCK = r"(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?:[.,:](?P<f>\d{1,9}))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
ZONE = r"[Zz]|(?:UTC|GMT)?[+-]\d{1,2}(?::?\d{2})?|UTC|GMT"
_ZONE = rf"\s*(?P<zone>{ZONE})?"
_SEP = r"(?:[-/. ]|, )"
_MONTH = r"m?\d{1,2}"
"""A month that was written as a word has been made ``m05``: it is no day then."""
_MONTHS = ("jan", "feb", "mar|mär|mrz", "apr", "may|mai", "jun", "jul", "aug", "sep", "oct|okt", "nov", "dec|dez")
_COMPACT = r"^(\d{4})(\d{2})(\d{2})[T _-]?(\d{2})(\d{2})(\d{2})"
"""The basic format of ISO 8601, ``20260517T095820``."""
_PATTERNS = {
    "year first": rf"^(?P<Y>\d{{4}}){_SEP}?(?P<M>{_MONTH}){_SEP}?(?P<D>\d{{1,2}})",
    "day first": rf"^(?P<D>\d{{1,2}}){_SEP}(?P<M>{_MONTH}){_SEP}(?P<Y>\d{{4}}|\d{{2}})",
    "month first": rf"^(?P<M>{_MONTH}){_SEP}(?P<D>\d{{1,2}}){_SEP}(?P<Y>\d{{4}}|\d{{2}})",
}
_PATTERNS = {kind: rf"{date}(?:[T ,_]+| - ){_CLOCK}{_ZONE}$" for kind, date in _PATTERNS.items()} | {
    "clock": rf"^(?:T\+|(?P<d>\d{{1,4}}) days?,? )?{_CLOCK}$"
}


def matches(kind: TimeKind, cells: Sequence[str]) -> bool:
    """Tell whether most of ``cells`` are written like times of this kind and could be: no month 13."""
    import pyarrow as pa

    _, known = micros_of_text(kind, pa.array([cell.strip() for cell in cells], pa.string()), LocalTime("UTC"))
    return bool(len(known) and known.mean() > 0.9)


def micros_of_numbers(kind: TimeKind, numbers: Values) -> tuple[Times, Flags]:
    """Return counts of ``kind`` as microseconds, and which of them are known."""
    days = _SPREADSHEET_EPOCH_DAYS if kind == "days since 1900" else 0
    micros = np.rint((numbers - days) * _SECONDS_IN[kind] * 1e6)
    known = np.isfinite(numbers) & (np.abs(micros) < 2.0**62)
    return np.where(known, micros, 0).astype(np.int64), known


def micros_of_text(kind: TimeKind, cells: Any, zone: Callable[[Times], Times]) -> tuple[Times, Flags]:
    """Return written times as microseconds, and which of them are known.

    Args:
        kind: one of ``DATES``, or ``clock``.
        cells: pyarrow array of text.
        zone: gives the offset of local times without a zone, see :class:`LocalTime`.

    """
    import pyarrow.compute as pc

    found = pc.extract_regex(_spelled_out(cells), _PATTERNS[kind])
    known = ~np.asarray(found.is_null())

    def part(name: str) -> npt.NDArray[np.int64]:
        text = pc.replace_substring(pc.struct_field(found, name), "m", "")
        return np.asarray(pc.fill_null(pc.if_else(pc.equal(text, ""), "0", text), "0").cast("int64"), dtype=np.int64)

    hours, minutes, seconds = part("h"), part("m"), part("s")
    fraction = pc.struct_field(found, "f")
    digits = np.asarray(
        pc.fill_null(pc.utf8_slice_codeunits(pc.utf8_rpad(fraction, 6, "0"), 0, 6), "0").cast("int64")
    )
    half = pc.utf8_lower(pc.utf8_slice_codeunits(pc.fill_null(pc.struct_field(found, "half"), ""), 0, 1))
    afternoon, morning = (np.asarray(pc.equal(half, each)) for each in "pa")
    hours = np.where((afternoon | morning) & (hours == 12), 0, hours) + 12 * afternoon
    if kind == "clock" and not _has_seconds(found):  # minutes and seconds, where there are but two numbers
        hours, minutes, seconds = np.zeros_like(hours), hours, minutes
    micros = ((hours * 60 + minutes) * 60 + seconds) * 1_000_000 + digits
    known &= (minutes < 60) & (seconds < 61) if kind != "clock" else seconds < 61
    if kind == "clock":
        return micros + part("d") * _DAY_US, known
    year, month, day = part("Y"), part("M"), part("D")
    year = np.where(year < 100, 2000 + year, year)
    known &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1970) & (year < 2200) & (hours < 24)
    months = np.where(known, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.int64) + day - 1
    micros = days * _DAY_US + micros
    text = pc.fill_null(pc.struct_field(found, "zone"), "")
    return micros - np.where(np.asarray(pc.equal(text, "")), zone(micros), _offsets(text)), known


def _spelled_out(cells: Any) -> Any:
    """Return dates with months as numbers, and with marks between their parts."""
    import pyarrow.compute as pc

    if pc.any(pc.match_substring_regex(cells, f"(?i)(?:{'|'.join(_MONTHS)})")).as_py():
        for number, names in enumerate(_MONTHS, 1):
            cells = pc.replace_substring_regex(cells, rf"(?i)\b(?:{names})[a-zä]*\.?", f"m{number:02d}")
        cells = pc.replace_substring_regex(cells, r"^[A-Za-z]{2,9}\.?,? +", "")  # the day of the week
    return pc.replace_substring_regex(cells, _COMPACT, r"\1-\2-\3 \4:\5:\6")


def _has_seconds(found: Any) -> bool:
    import pyarrow.compute as pc

    return bool(pc.any(pc.not_equal(pc.struct_field(found, "s"), "")).as_py())


def _offsets(zones: Any) -> Times:
    """Return what each written zone is ahead of UTC."""
    ahead = {text: _offset(text) for text in set(zones.to_pylist())}
    return np.array([ahead[text] for text in zones.to_pylist()], dtype=np.int64)


class LocalTime:
    """How far local times are ahead of UTC, read in their order; an hour that a clock shows twice is two hours.

    Raises:
        ValueError: there is no such zone.

    """

    def __init__(self, zone: str) -> None:
        self._known = None if zone == "local" else _zone_of(zone)
        self._last: int | None = None
        self._is_second = False

    def __call__(self, micros: Times) -> Times:
        """Return microseconds ahead of UTC, shape as ``micros``, which are local times."""
        first, second = self._ahead(micros, 0), self._ahead(micros, 1)
        if not len(micros) or not (first != second).any():
            self._is_second = False
        else:
            back = np.diff(micros, prepend=self._last if self._last is not None else micros[0]) < -_HOUR_US // 2
            again = self._is_second | (np.cumsum(back & (first != second)) > 0)
            first, self._is_second = np.where(again, second, first), bool(again[-1])
        self._last = int(micros[-1]) if len(micros) else self._last
        return first

    def _ahead(self, micros: Times, fold: int) -> Times:
        """Return the same, the first or the second time that a clock shows it; one look-up an hour."""
        hours, place = np.unique(micros // _HOUR_US, return_inverse=True)
        return np.array([self._at(int(hour), fold) for hour in hours], dtype=np.int64)[place]

    def _at(self, hour: int, fold: int) -> int:
        local = (datetime.datetime(1970, 1, 1) + datetime.timedelta(hours=hour)).replace(fold=fold)
        aware = local.astimezone() if self._known is None else local.replace(tzinfo=self._known)
        offset = aware.utcoffset()
        return 0 if offset is None else int(offset.total_seconds()) * 1_000_000


def _offset(text: str) -> int:
    """Return microseconds ahead of UTC of ``+02:00``, ``UTC-5``, ``Z`` and the like."""
    if not (match := re.fullmatch(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?", text)):
        return 0
    size = (int(match[2]) * 3600 + int(match[3] or 0) * 60) * 1_000_000
    return size if match[1] == "+" else -size


def _zone_of(zone: str) -> datetime.tzinfo:
    try:
        if re.fullmatch(ZONE, zone.upper()):
            return datetime.timezone(datetime.timedelta(microseconds=_offset(zone.upper())))
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{zone} is no time zone this computer knows") from None


def past_midnight(micros: Times, known: Flags, before: int | None) -> Times:
    """Return times of day as a count that goes on past midnight; ``before``: the last one so far."""
    places = np.flatnonzero(known)
    if not len(places):
        return micros
    seen = micros[places]
    start = 0 if before is None else round((before - int(seen[0])) / _DAY_US)
    found = micros.copy()
    found[places] = seen + _DAY_US * (start + np.cumsum(np.diff(seen, prepend=seen[:1]) < -_HALF_DAY_US))
    return found
