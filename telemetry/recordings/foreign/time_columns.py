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

TimeKind = Literal[
    "elapsed s",
    "elapsed ms",
    "elapsed us",
    "elapsed min",
    "elapsed h",
    "unix s",
    "unix ms",
    "unix us",
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
    "days since 1900": 86400.0,
}
DATES: tuple[TimeKind, ...] = ("year first", "day first", "month first")
_SPREADSHEET_EPOCH_DAYS = 25569
"""Day number of 1970-01-01 where 1900-01-01 is day 1 and 1900 counts as a leap year (ISO/IEC 29500-1, 18.17.4.1)."""
_DAY_US, _HALF_DAY_US, _HOUR_US = 86_400_000_000, 43_200_000_000, 3_600_000_000

_CLOCK = r"(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?:[.,:](?P<f>\d{1,9}))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
_ZONE = r"\s*(?P<zone>[Zz]|UTC|GMT|[+-]\d{2}:?\d{2})?"
_SEP = r"[-/. ]"
_PATTERNS = {
    "year first": rf"^(?P<Y>\d{{4}}){_SEP}?(?P<M>\d{{1,2}}){_SEP}?(?P<D>\d{{1,2}})",
    "day first": rf"^(?P<D>\d{{1,2}}){_SEP}(?P<M>\d{{1,2}}){_SEP}(?P<Y>\d{{4}}|\d{{2}})",
    "month first": rf"^(?P<M>\d{{1,2}}){_SEP}(?P<D>\d{{1,2}}){_SEP}(?P<Y>\d{{4}}|\d{{2}})",
}
_PATTERNS = {kind: rf"{date}[T ,_]+{_CLOCK}{_ZONE}$" for kind, date in _PATTERNS.items()} | {"clock": rf"^{_CLOCK}$"}
Micros = npt.NDArray[np.int64]
Known = npt.NDArray[np.bool_]


def matches(kind: TimeKind, cells: Sequence[str]) -> bool:
    """Tell whether most of ``cells`` are written like times of this kind and could be: no month 13."""
    import pyarrow as pa

    _, known = micros_of_text(kind, pa.array([cell.strip() for cell in cells], pa.string()), offset_of("UTC"))
    return bool(len(known) and known.mean() > 0.9)


def micros_of_numbers(kind: TimeKind, numbers: npt.NDArray[np.float64]) -> tuple[Micros, Known]:
    """Return counts of ``kind`` as microseconds, and which of them are known."""
    days = _SPREADSHEET_EPOCH_DAYS if kind == "days since 1900" else 0
    micros = np.rint((numbers - days) * _SECONDS_IN[kind] * 1e6)
    known = np.isfinite(numbers) & (np.abs(micros) < 2.0**62)
    return np.where(known, micros, 0).astype(np.int64), known


def micros_of_text(kind: TimeKind, cells: Any, zone: Callable[[Micros], Micros]) -> tuple[Micros, Known]:
    """Return written times as microseconds, and which of them are known.

    Args:
        kind: one of ``DATES``, or ``clock``.
        cells: pyarrow array of text.
        zone: gives the offset of local times without a zone, see :func:`offset_of`.

    """
    import pyarrow.compute as pc

    found = pc.extract_regex(cells, _PATTERNS[kind])
    known = ~np.asarray(found.is_null())

    def part(name: str) -> npt.NDArray[np.int64]:
        text = pc.struct_field(found, name)
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
        return micros, known
    year, month, day = part("Y"), part("M"), part("D")
    year = np.where(year < 100, 2000 + year, year)
    known &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1970) & (year < 2200) & (hours < 24)
    months = np.where(known, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.int64) + day - 1
    micros = days * _DAY_US + micros
    text = pc.fill_null(pc.struct_field(found, "zone"), "")
    return micros - np.where(np.asarray(pc.equal(text, "")), zone(micros), _offsets(text)), known


def _has_seconds(found: Any) -> bool:
    import pyarrow.compute as pc

    return bool(pc.any(pc.not_equal(pc.struct_field(found, "s"), "")).as_py())


def _offsets(zones: Any) -> Micros:
    """Return what each written zone is ahead of UTC."""
    parts = re.compile(r"([+-])(\d{2}):?(\d{2})")
    ahead = {}
    for text in set(zones.to_pylist()):
        match = parts.fullmatch(text)
        sign = -1 if match and match[1] == "-" else 1
        ahead[text] = sign * (int(match[2]) * 3600 + int(match[3]) * 60) * 1_000_000 if match else 0
    return np.array([ahead[text] for text in zones.to_pylist()], dtype=np.int64)


def offset_of(zone: str) -> Callable[[Micros], Micros]:
    """Return a function from local microseconds to what that zone is ahead of UTC then; one look-up an hour.

    Raises:
        ValueError: there is no such zone.

    """
    known = None if zone == "local" else _zone_of(zone)

    def ahead(hour: int) -> int:
        local = datetime.datetime(1970, 1, 1) + datetime.timedelta(hours=hour)
        aware = local.astimezone() if known is None else local.replace(tzinfo=known)
        offset = aware.utcoffset()
        return 0 if offset is None else int(offset.total_seconds()) * 1_000_000

    def offsets(micros: Micros) -> Micros:
        hours, place = np.unique(micros // _HOUR_US, return_inverse=True)
        return np.array([ahead(int(hour)) for hour in hours], dtype=np.int64)[place]

    return offsets


def _zone_of(zone: str) -> datetime.tzinfo:
    if match := re.fullmatch(r"([+-])(\d{2}):?(\d{2})", zone):
        size = datetime.timedelta(hours=int(match[2]), minutes=int(match[3]))
        return datetime.timezone(size if match[1] == "+" else -size)
    if zone.upper() in ("UTC", "Z", "GMT"):
        return datetime.UTC
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{zone} is no time zone this computer knows") from None


def past_midnight(micros: Micros, known: Known, before: int | None) -> Micros:
    """Return times of day as a count that goes on past midnight; ``before``: the last one so far."""
    places = np.flatnonzero(known)
    if not len(places):
        return micros
    seen = micros[places]
    start = 0 if before is None else round((before - int(seen[0])) / _DAY_US)
    found = micros.copy()
    found[places] = seen + _DAY_US * (start + np.cumsum(np.diff(seen, prepend=seen[:1]) < -_HALF_DAY_US))
    return found
