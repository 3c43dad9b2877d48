"""Slowing down: rolling without load, and electric braking."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from telemetry.guided.attempts import Attempt, Manoeuvre, Moment, too_slow
from telemetry.guided.coast_down import METRES_A_DEGREE, Roll, fit_roll
from telemetry.guided.rows import ROW, Row
from telemetry.model.batch import MICROSECONDS

LEAST_KM_H: Final = 3.0
"""Slower than this nothing is learnt from rolling. Ours."""
NEAR_STANDSTILL_KM_H: Final = 1.0
RISES_KM_H: Final = 0.4
"""More than this above the lowest speed so far is no noise: it rolls faster. Ours."""
LEAST_ROLL_S: Final = 3.0
LEAST_READINGS: Final = 6
TOLD_S: Final = 1.5
"""Rolling for less is no attempt. Ours."""
RELEASED_S: Final = 1.5
"""A roll begins within so long after the throttle was let go. Ours."""
SETTLING_S: Final = 0.6
"""After the throttle was let go the motor's current ends within half a second. Ours."""
LEFT_SHARE: Final = 0.5
"""What may be left of the speed: less of a fall is a short piece of a slope. Ours."""
FROM_SHARE: Final = 0.6
"""A roll begins at this share of the highest speed so far, or above: a slower one is the end of braking. Ours."""
MOST_UNEVEN: Final = 0.04
"""What slows evenly leaves less scatter than this in the fit, share of what slows it. Ours, on drawn machines."""
MOST_G: Final = 0.2
"""Rolling that slows by more than this, share of gravity, has a brake on it: the softest turf takes half. Ours."""

BRAKES_S: Final = 0.5
BEGINS_S: Final = 3.0
"""Until current flows into the pack, the motor's own losses take what it brakes; at most so long. Ours."""
STOPS_KM_H: Final = 1.0
ROW_S: Final = ROW / MICROSECONDS
LEAST_BRAKING_ROWS: Final = 4
"""In fewer rows of braking, without the first and the last, where it begins and ends, the share is a guess. Ours."""
WAITS_S: Final = 6.0
"""Electric braking fades before standstill; so long the mechanical brake may take for the rest. Ours."""
_TURNED = re.compile(r"\bturned?\b|\bother way\b|\bway back\b", re.IGNORECASE)


@dataclass(slots=True)
class _Rolling:
    """A roll that goes on: rows since the load ended, and the lowest speed so far."""

    rows: list[Row]
    lowest: float


class CoastDown(Manoeuvre):
    """Recognises rolling without load, and says which way each roll went."""

    def __init__(self) -> None:
        self._rolling: _Rolling | None = None
        self._way = 0
        self._loaded_at = 0
        self._highest = 0.0
        self._ended = 0

    @property
    def share(self) -> float:
        """How far the roll has come."""
        if self._rolling is None:
            return 0.0
        first = self._rolling.rows[0].speed
        return min(1.0, (first - self._rolling.lowest) / max(first - NEAR_STANDSTILL_KM_H, 1.0))

    def mark(self, text: str) -> None:
        """Take note of having turned round."""
        self._way += bool(_TURNED.search(text))

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        rolls = now.idles and row.speed > NEAR_STANDSTILL_KM_H
        self._highest = max(self._highest, row.speed) if row.speed == row.speed else self._highest
        if self._rolling is not None:
            self._ended = 0 if rolls else self._ended + 1
            if now.loaded or self._ended > 1 or row.speed > self._rolling.lowest + RISES_KM_H:
                yield from self._over(stopped=rolls)
                self._loaded_at = 0
            elif row.speed_is_new and rolls:
                self._rolling.rows.append(row)
                self._rolling.lowest = min(self._rolling.lowest, row.speed)
        elif (
            rolls
            and row.t - self._loaded_at <= RELEASED_S * MICROSECONDS
            and row.speed > LEAST_KM_H
            and row.speed_is_new
        ):
            self._rolling, self._ended = _Rolling([row], row.speed), 0
        if now.loaded:
            self._loaded_at = row.t

    def end(self) -> Iterator[Attempt]:
        """Give the roll that ended."""
        yield from self._over(stopped=False)
        self._loaded_at = 0

    def _over(self, stopped: bool) -> Iterator[Attempt]:
        rolling, self._rolling = self._rolling, None
        if rolling is None or rolling.rows[-1].t - rolling.rows[0].t < TOLD_S * MICROSECONDS:
            return
        rows = [row for row in rolling.rows if row.t >= rolling.rows[0].t + SETTLING_S * MICROSECONDS]
        found = _fit(rows)
        first, last = rolling.rows[0], rolling.rows[-1]
        facts = {"way": float(self._way % 2), "from_km_h": first.speed, "to_km_h": last.speed}
        if found is not None:
            facts |= {"a0_m_s2": found.a0, "a0_sd_m_s2": found.a0_sd}
        facts |= _heading(first, last)
        refused = _refused(rolling.rows, found, stopped)
        if not refused and first.speed < FROM_SHARE * self._highest:
            refused = f"it began at {first.speed:.1f} km/h, not near the top speed of {self._highest:.1f}"
        yield Attempt("coast-down", first.t, last.t, "", refused, facts)


def _fit(rows: list[Row]) -> Roll | None:
    if len(rows) < LEAST_READINGS:
        return None
    return fit_roll([(row.t - rows[0].t) / MICROSECONDS for row in rows], [row.speed / 3.6 for row in rows])


def _refused(rows: list[Row], found: Roll | None, stopped: bool) -> str:
    """Return why a roll does not count; empty where it does."""
    first, last = rows[0], rows[-1]
    seconds = (last.t - first.t) / MICROSECONDS
    if slow := too_slow(max(row.age_s for row in rows)):
        return slow
    if seconds < LEAST_ROLL_S or len(rows) < LEAST_READINGS or found is None:
        return f"too short: {seconds:.1f} of {LEAST_ROLL_S:.0f} s, {len(rows)} of {LEAST_READINGS} speed readings"
    if last.speed > LEFT_SHARE * first.speed:
        why = "it rolled faster again" if stopped else "it ended early"
        return f"{why}: from {first.speed:.1f} to {last.speed:.1f} km/h"
    if found.a0 > MOST_G * 9.81:
        return f"a brake was on: it slowed by {found.a0 / 9.81:.2f} g"
    if found.a0_sd > MOST_UNEVEN * found.a0:
        return "it did not slow evenly: a brake came on or the slope changed"
    return ""


def _heading(first: Row, last: Row) -> dict[str, float]:
    """Return which way and where a roll went, degrees from north and degrees; empty without a position."""
    north, east = last.latitude - first.latitude, last.longitude - first.longitude
    east *= math.cos(math.radians(first.latitude)) if not math.isnan(first.latitude) else 1.0
    if math.isnan(north) or math.isnan(east) or (north == 0.0 and east == 0.0):
        return {}
    return {
        "heading_deg": math.degrees(math.atan2(east, north)) % 360.0,
        "length_m": METRES_A_DEGREE * math.hypot(north, east),
        "latitude": (first.latitude + last.latitude) / 2,
        "longitude": (first.longitude + last.longitude) / 2,
    }


class ElectricBraking(Manoeuvre):
    """Recognises stops by electric braking."""

    def __init__(self) -> None:
        self._moments: list[Moment] = []
        self._into_s = 0.0
        self._into_until = 0
        self._released: list[Moment] = []

    @property
    def share(self) -> float:
        """How far the stop has come."""
        if not self._moments:
            return 0.0
        first = max(self._moments[0].row.speed, STOPS_KM_H)
        return max(0.0, min(1.0, 1.0 - self._moments[-1].row.speed / first))

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        if not self._moments:
            if now.loaded or math.isnan(now.over_a):
                self._released = []
            self._released.append(now)
            if row.t - self._released[0].row.t > BEGINS_S * MICROSECONDS:
                self._released = self._released[1:]
            if _brakes(now) and row.speed > STOPS_KM_H:
                self._moments, self._into_until, self._into_s = self._released, row.t, ROW_S
                self._released = []
            return
        self._into_s += ROW_S * _brakes(now)
        self._moments.append(now)
        if _brakes(now):
            self._into_until = row.t
        elif math.isnan(row.speed) or now.loaded or row.t - self._into_until > WAITS_S * MICROSECONDS:
            yield from self._over(f"it did not stop: {row.speed:.1f} km/h were left")
        if self._moments and row.speed < STOPS_KM_H and not _brakes(now):
            yield from self._over("")

    def end(self) -> Iterator[Attempt]:
        """Give the stop that ended."""
        yield from self._over("it did not stop before the recording ended or broke off")

    def _over(self, moving: str) -> Iterator[Attempt]:
        moments, self._moments = self._moments, []
        if not moments or self._into_s < BRAKES_S / 2:
            return
        braking = [place for place, each in enumerate(moments) if _brakes(each)]
        into = moments[braking[0] : braking[-1] + 1]
        facts = {"from_km_h": moments[0].row.speed} | _returned(into[1:-1])
        short = f"too short: current flowed into the pack for {self._into_s:.1f} of {BRAKES_S} s; brake more gently"
        refused = too_slow(max(each.row.age_s for each in moments)) or (short if self._into_s < BRAKES_S else "")
        yield Attempt("braking", into[0].row.t - ROW, into[-1].row.t, "", refused or moving, facts)


def _brakes(now: Moment) -> bool:
    """Return whether more flows into the pack than noise."""
    return now.over_a < -now.noise_a


def _returned(moments: Sequence[Moment]) -> dict[str, float]:
    """Return what came back from the middle of the first row to the middle of the last, and the speeds there.

    Beyond what flows standing: so the offset of the sensor drops out. Empty for too few rows, or too slow ones.
    """
    watts = [-each.over_a * each.row.voltage for each in moments]
    if len(moments) < LEAST_BRAKING_ROWS or any(map(math.isnan, watts)):
        return {}
    joules = ROW_S * (sum(watts) - (watts[0] + watts[-1]) / 2.0)
    return {
        "braked_from_km_h": moments[0].row.speed,
        "braked_to_km_h": moments[-1].row.speed,
        "returned_j": joules,
    }
