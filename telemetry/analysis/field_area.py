"""Distance driven and area covered, from the position track where there is one, else from speed and working width.

Positions are taken once a second (the mean of those within it), laid out in metres on a plane that touches the
WGS 84 ellipsoid at the middle of the track, and thinned to steps of a metre, so that a receiver that drifts while
the machine stands adds no distance. Area is the union of the swaths: a line as wide as the working width along the
track; ground passed twice counts once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from telemetry.analysis.gaps import GapRule
from telemetry.analysis.integrals import SignedIntegral
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import SessionSeries
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

_NO_FIX_DEG = 1e-6  # 0, 0 is how a receiver without a fix says so
_THREE = 3  # points, so that one lies between two


if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


# Ours: a step shorter than this may be the receiver's wandering; a faster jump is no drive.
_STEP_M, _STEP_NOISES, _JUMP_M_S, _STANDING_KM_H = 1.0, 2.5, 60.0, 0.3
# Common practice, from memory: a speed sensor is calibrated to 2 %; passes overlap by 5 to 15 % of the width.
_SPEED_SHARE, _OVERLAP = 0.02, Range(0.85, 0.92, 1.0)
# Ours: at a reading a second the way cuts short turns, and scatter makes it longer.
_TRACK_SHARE = 0.02
_EQUATOR_M, _FLATTENING = 6_378_137.0, 1.0 / 298.257223563  # WGS 84
M2_PER_HA = 10_000.0


@dataclass(frozen=True, eq=False)
class Track:
    """Where the machine was, once a second at most.

    Attributes:
        t: int64 (n,), microseconds.
        latitude, longitude: float64 (n,), degrees.
        east, north: float64 (n,), metres from the middle of the track.
        bridged: bool (n,), whether the way from the point before is known.
        noise_m: scatter of single positions about a smooth way, m, one standard deviation; slow wandering of the
            receiver, some metres an hour, does not show in it.
    """

    t: Times
    latitude: Values
    longitude: Values
    east: Values
    north: Values
    bridged: Flags
    noise_m: float


@dataclass(frozen=True)
class FieldArea:
    """Distance and area; None where unknown, with the reason in ``unknown``.

    Attributes:
        distance_km: in all; ``distance_by`` says from what.
        working_km: the same while working (the implement engaged, where that is known).
        area_ha: covered, overlap counted once; ``area_by`` says from what.
        overlap_share: part of working distance times width that was passed before.
        noise_m: see :class:`Track`.
        unknown: why a figure is None.
    """

    distance_km: Range | None = None
    distance_by: Literal["position", "speed"] | None = None
    working_km: Range | None = None
    area_ha: Range | None = None
    area_by: Literal["position", "distance and width", "stated"] | None = None
    overlap_share: float | None = None
    noise_m: float | None = None
    unknown: Mapping[str, str] = field(default_factory=dict)


def local_metres(latitude: Values, longitude: Values) -> tuple[Values, Values]:
    """Return metres east and north of the middle of some points (degrees), float64 (n,) each.

    North by the ellipsoid's radius of curvature along the meridian at the middle, east by the radius of each point's
    parallel (J. P. Snyder, "Map Projections: A Working Manual", US Geological Survey Professional Paper 1395, 1987,
    pages 24 and 25). Over 2 km the error is below a millimetre in a metre.
    """
    middle = 0.5 * (float(np.min(latitude)) + float(np.max(latitude)))
    unwrapped = np.unwrap(longitude, period=360.0)
    middle_longitude = 0.5 * (float(np.min(unwrapped)) + float(np.max(unwrapped)))
    eccentricity2 = _FLATTENING * (2.0 - _FLATTENING)
    at_middle = 1.0 - eccentricity2 * np.sin(np.radians(middle)) ** 2
    along_meridian_m = _EQUATOR_M * (1.0 - eccentricity2) / at_middle**1.5
    angle = np.radians(latitude)
    parallel_m = _EQUATOR_M * np.cos(angle) / np.sqrt(1.0 - eccentricity2 * np.sin(angle) ** 2)
    return np.radians(unwrapped - middle_longitude) * parallel_m, np.radians(latitude - middle) * along_meridian_m


def find_track(series: SessionSeries) -> Track | None:
    """Return where the machine was; None where no two positions are known."""
    latitude, longitude = series.get("latitude"), series.get("longitude")
    if latitude is None or longitude is None:
        return None
    t, lat, lon = latitude.t, latitude.values, longitude.values
    if not np.array_equal(latitude.t, longitude.t):
        t, here, there = np.intersect1d(latitude.t, longitude.t, return_indices=True)
        lat, lon = latitude.values[here], longitude.values[there]
    good = (np.abs(lat) > _NO_FIX_DEG) | (np.abs(lon) > _NO_FIX_DEG)
    t, lat, lon = t[good], lat[good], lon[good]
    if len(t) <= 1:
        return None
    second, inverse = np.unique(t // MICROSECONDS, return_inverse=True)
    counts = np.bincount(inverse)
    lon = np.unwrap(lon, period=360.0)
    first = t[np.searchsorted(t // MICROSECONDS, second)]
    t = first + (np.bincount(inverse, weights=(t - first[inverse]).astype(np.float64)) / counts).astype(np.int64)
    lat, lon = (np.bincount(inverse, weights=values) / counts for values in (lat, lon))
    east, north = local_metres(lat, lon)
    keep = _without_jumps(t, east, north)
    t, lat, lon, east, north = t[keep], lat[keep], lon[keep], east[keep], north[keep]
    if len(t) <= 1:
        return None
    return Track(t, lat, lon, east, north, GapRule().take(t), _noise(east, north))


def find_field_area(
    series: SessionSeries,
    working_width_m: float | None = None,
    working: Sequence[tuple[int, int]] | None = None,
    stated_area_ha: float | None = None,
) -> FieldArea:
    """Return distance and area of ``series``.

    Args:
        series: the session.
        working_width_m: width worked in one pass, m; without it there is no area but a stated one.
        working: (start, end) in microseconds of what counts as work; None: the whole drive.
        stated_area_ha: the owner's figure for one job, taken where nothing measured gives an area.
    """
    unknown: dict[str, str] = {}
    track = find_track(series)
    by_speed = _distance_by_speed(series, None)
    if track is not None:
        found = _by_track(series, track, by_speed, working_width_m, working)
    elif by_speed is not None:
        found = _by_speed(series, by_speed, working_width_m, working)
    else:
        found = FieldArea()
        unknown["distance_km"] = "neither position nor vehicle_speed was recorded"
    if found.overlap_share is None:
        unknown["overlap_share"] = "it takes the track of the work and the working width"
    if found.area_ha is None:
        if working_width_m is None:
            unknown["area_ha"] = "the working width is not stated ([machine] working_width_m)"
        elif working is not None and not working:
            unknown["area_ha"] = "no part of the session is known to be work"
        else:
            unknown["area_ha"] = "neither position nor vehicle_speed was recorded"
        if stated_area_ha is not None:
            unknown.pop("area_ha")
            area = Range.exactly(stated_area_ha)
            return FieldArea(**(vars(found) | {"area_ha": area, "area_by": "stated", "unknown": unknown}))
    return FieldArea(**(vars(found) | {"unknown": dict(found.unknown) | unknown}))


def swath_area(lines: Sequence[tuple[Values, Values]], width_m: float) -> tuple[float, float]:
    """Return the area (m2) that a tool of ``width_m`` sweeps along ``lines``, overlap counted once.

    Args:
        lines: (east, north) in m, float64 (n,) each, of every unbroken stretch.
        width_m: working width, m.

    Returns:
        the union of the swaths as tracked, and the same with slivers narrower than one working width counted as
        covered: nobody leaves such a strip on purpose, while a drifting receiver draws many.
    """
    swaths = _swaths(lines, width_m)
    radius = 0.5 * width_m
    filled = swaths.buffer(radius, quad_segs=4).buffer(-radius, quad_segs=4)
    return float(swaths.area), max(float(swaths.area), float(filled.area))


def _swaths(lines: Sequence[tuple[Values, Values]], width_m: float) -> BaseGeometry:
    from shapely import LineString, union_all

    each = [
        LineString(np.column_stack([east, north])).simplify(0.02).buffer(0.5 * width_m, cap_style="flat", quad_segs=4)
        for east, north in lines
        if len(east) > 1
    ]
    return union_all(each)


def _by_track(
    series: SessionSeries,
    track: Track,
    by_speed: Range | None,
    width_m: float | None,
    working: Sequence[tuple[int, int]] | None,
) -> FieldArea:
    whole = [(int(track.t[0]), int(track.t[-1]))]
    spans = whole if working is None else working
    distance, working_km = _way_km(series, track, whole), _way_km(series, track, spans)
    area = overlap = None
    if width_m is not None and working_km.mid > 0.0:
        lines = _stretches(series, track, spans, _STEP_M)
        tracked, filled = (value / M2_PER_HA for value in swath_area(lines, width_m))
        swept = working_km.mid * 1000.0 * width_m / M2_PER_HA
        mid = max(tracked, min(filled, swept))
        high = max(mid, min(swept, mid * 1.05))
        area, overlap = Range(tracked, mid, high), 1.0 - min(1.0, mid / swept)
    return FieldArea(
        distance_km=_widened(distance, by_speed),
        distance_by="position",
        working_km=working_km,
        area_ha=area,
        area_by="position" if area is not None else None,
        overlap_share=overlap,
        noise_m=track.noise_m,
    )


def _by_speed(
    series: SessionSeries, distance: Range, width_m: float | None, working: Sequence[tuple[int, int]] | None
) -> FieldArea:
    worked = distance if working is None else _distance_by_speed(series, working)
    area = None
    if width_m is not None and worked is not None and worked.mid > 0.0:
        area = worked.times(1000.0 * width_m / M2_PER_HA).times(_OVERLAP)
    by: Literal["distance and width"] | None = "distance and width" if area is not None else None
    return FieldArea(distance, "speed", worked, area, by)


def _distance_by_speed(series: SessionSeries, spans: Sequence[tuple[int, int]] | None) -> Range | None:
    """Return the way by ``vehicle_speed``, km, forward and back both counted; None without that signal."""
    speed = series.get("vehicle_speed")
    if speed is None:
        return None
    way = np.where(np.abs(speed.values) < _STANDING_KM_H, 0.0, np.abs(speed.values))
    out, _ = SignedIntegral().take(speed.t, way, GapRule().take(speed.t))
    if spans is None:
        total = float(out[-1])
    else:
        total = sum(float(np.diff(np.interp(span, speed.t, out))[0]) for span in spans)
    return Range.around(total, _SPEED_SHARE * total)


def _widened(found: Range, other: Range | None) -> Range:
    """Return ``found`` widened so that it holds the middle of ``other``, which measures the same by another way."""
    if other is None:
        return found
    return Range(min(found.low, other.mid), found.mid, max(found.high, other.mid))


def _stretches(
    series: SessionSeries, track: Track, spans: Sequence[tuple[int, int]], step_m: float
) -> list[tuple[Values, Values]]:
    """Return the thinned way within ``spans`` as unbroken lines of (east, north)."""
    speed = series.get("vehicle_speed")
    moving = np.ones(len(track.t), dtype=np.bool_)
    if speed is not None:
        moving = np.interp(track.t, speed.t, np.abs(speed.values)) >= _STANDING_KM_H
    lines = []
    for start, end in spans:
        first, last = np.searchsorted(track.t, start, "left"), np.searchsorted(track.t, end, "right")
        cuts = [
            int(first),
            *(int(c) for c in first + 1 + np.flatnonzero(~track.bridged[first + 1 : last])),
            int(last),
        ]
        for begin, stop in pairwise(cuts):
            kept = _thinned(track.east[begin:stop], track.north[begin:stop], moving[begin:stop], step_m)
            if len(kept) > 1:
                lines.append((track.east[begin + kept], track.north[begin + kept]))
    return lines


def _thinned(east: Values, north: Values, moving: Flags, step_m: float) -> npt.NDArray[np.int64]:
    """Return the places of the first point and of every one that moved a step from the one kept before."""
    kept: list[int] = []
    x = y = np.inf
    for place, (e, n, moves) in enumerate(zip(east.tolist(), north.tolist(), moving.tolist(), strict=True)):
        if not kept or (moves and (e - x) ** 2 + (n - y) ** 2 >= step_m**2):
            kept.append(place)
            x, y = e, n
    return np.array(kept, dtype=np.int64)


def _way_km(series: SessionSeries, track: Track, spans: Sequence[tuple[int, int]]) -> Range:
    """Return the length of the way, km, less what scatter across it adds: a step d grows by noise^2 / d."""
    lines = _stretches(series, track, spans, max(_STEP_M, _STEP_NOISES * track.noise_m))
    if not lines:
        return Range.exactly(0.0)
    steps = np.concatenate([np.hypot(np.diff(east), np.diff(north)) for east, north in lines])
    added = (track.noise_m / float(np.mean(steps))) ** 2
    length = float(np.sum(steps)) / (1.0 + added) / 1000.0
    return Range.around(length, (_TRACK_SHARE + 1.5 * added) * length)


def _without_jumps(t: Times, east: Values, north: Values) -> Flags:
    """Return which points to keep: one to which and from which no machine could have come in the time is none."""
    if len(t) < _THREE:
        return np.ones(len(t), dtype=np.bool_)
    fast = np.hypot(np.diff(east), np.diff(north)) > _JUMP_M_S * np.maximum(np.diff(t) / MICROSECONDS, 0.1)
    keep = np.ones(len(t), dtype=np.bool_)
    keep[1:-1] = ~(fast[:-1] & fast[1:])
    keep[0], keep[-1] = not fast[0], not fast[-1]
    return keep


def _noise(east: Values, north: Values) -> float:
    """Return the scatter of single positions, m, from second differences (variance 6 of white noise)."""
    if len(east) < _THREE:
        return 0.0
    second = np.concatenate([np.diff(east, 2), np.diff(north, 2)])
    return float(1.4826 * np.median(np.abs(second)) / np.sqrt(6.0))
