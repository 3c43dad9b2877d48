"""Current limits, and the parts each current passes through with how fast they heat.

Heat in a conductor goes with the square of the current, and its temperature follows with a time constant. A current
that comes and goes loads a part as much as the steady current of the same root mean square, taken over a window that
fades with that time constant. So a short pull counts little for a cable and more for a fuse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from telemetry.machine.ampacity import Carries, carries_of
from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.conductors import BeyondTable, Conductor, stated_conductor
from telemetry.machine.limits_frame import Frame, Ground, Limit, all_missing
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.machine.sections import Machine, missing
from telemetry.model.time_text import length

CURRENT_WARN_SHARE = 0.9
"""Discharge is warned of at this share of the rating; shunts of pack electronics are good for a few percent."""
CHARGE_WARN_SHARE = 0.95
"""A charger holds its current more evenly than a pedal does."""
FUSE_SHARE = 0.8
"""A fuse carries this share of its rating without limit of time: its rating is to be 1.25 times the continuous
current (NEC, continuous loads; common practice for DC)."""
FUSE_WINDOW_S = 30.0
"""A fuse of these sizes opens at twice its rating after some 5 to 60 s; with its least opening current at 1.35 times
the rating that is a time constant of 8 to 100 s. From memory."""
CONNECTOR_WINDOW_S = 120.0
"""Contacts with their lugs: some minutes. From memory."""
UNSTATED_PACK_WINDOW_S = 30.0
"""Where the sheet does not say how long a peak may last. Peaks are rated for 3 to 30 s. From memory."""
COPPER_HEAT_J_PER_K_MM2_M = 3.45
"""Heat that one metre of one square millimetre of copper takes up: 8.96 g/cm3 times 0.385 J/(g K), handbook."""
COOLING_W_PER_K_M2 = 12.0
"""Still air at a cable, convection and radiation together: 10 to 15 W/(m2 K). From memory."""
INSULATION_MM = 1.2
STRANDED_FILL = 1.25
"""Diameter of a flexible conductor over that of a solid one of the same section. From memory."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part that a current goes through.

    Attributes:
        name: in words.
        rating_a: what it carries continuously, A.
        window_s: time constant with which it heats.
        origin: where the rating comes from, in a few words.

    """

    name: str
    rating_a: float
    window_s: float
    origin: str


def conductor_window_s(area_mm2: float) -> float:
    """Return the time constant of an insulated copper conductor in still air, s.

    Heat taken up over heat given off, both a metre and a kelvin: some 300 s for 35 mm2, 95 s for 6 mm2.
    """
    outer_m = (STRANDED_FILL * math.sqrt(4.0 * area_mm2 / math.pi) + 2.0 * INSULATION_MM) / 1000.0
    return COPPER_HEAT_J_PER_K_MM2_M * area_mm2 / (COOLING_W_PER_K_M2 * math.pi * outer_m)


def pack_window_s(continuous_a: float, peak_a: float | None, peak_s: float | None) -> float:
    """Return the window in which the stated peak, held for its stated time from cold, comes up to the rating, s.

    From ``continuous² = peak² (1 - exp(-time / window))``.
    """
    if peak_a is None or peak_s is None or peak_a <= continuous_a:
        return UNSTATED_PACK_WINDOW_S
    return peak_s / math.log(peak_a**2 / (peak_a**2 - continuous_a**2))


def cool_charge_a(pack: Pack) -> float | None:
    """Return the highest charge current of a cool pack, A: its chemistry's, or the stated one where that is less.

    None where the cells take their full current in the cold.
    """
    rate = CELL_PRACTICE[pack.chemistry].cool_rate
    return None if rate is None else min(rate * pack.capacity_ah, pack.continuous_charge_a or math.inf)


def carried_current(rating_a: float, window_s: float, seconds: float, before_a: float = 0.0) -> float:
    """Return the current that a part carries for ``seconds`` after a long time at ``before_a``, A.

    From ``rating² = before² exp(-time / window) + current² (1 - exp(-time / window))``: heat goes with the square of
    the current and fades with the time constant. ``inf`` seconds give the rating, as does a ``before_a`` above it.
    """
    kept = math.exp(-seconds / window_s)
    return math.sqrt((rating_a**2 - min(before_a, rating_a) ** 2 * kept) / (1.0 - kept))


def carried_time(rating_a: float, window_s: float, current_a: float, before_a: float = 0.0) -> float:
    """Return how long a part carries ``current_a`` after a long time at ``before_a``, s; ``inf`` up to its rating."""
    if current_a <= rating_a:
        return math.inf
    if before_a >= rating_a:
        return 0.0
    return window_s * math.log((current_a**2 - before_a**2) / (current_a**2 - rating_a**2))


def discharge_parts(machine: Machine) -> tuple[Part, ...]:
    """Return the parts in the discharge path, the weakest first; empty where no rating is stated."""
    pack, parts = machine.pack, _wiring_parts(machine.wiring, "wiring")
    if pack.continuous_discharge_a is not None:
        rating = pack.continuous_discharge_a
        window = pack_window_s(rating, pack.peak_discharge_a, pack.peak_discharge_s)
        parts.append(Part("pack", rating, window, "[pack] continuous_discharge_a"))
    return tuple(sorted(parts, key=lambda part: part.rating_a))


def charge_parts(machine: Machine) -> tuple[Part, ...]:
    """Return the parts in the charge path, the weakest first; empty where no rating is stated."""
    pack, parts = machine.pack, _wiring_parts(machine.charge_wiring, "charge_wiring")
    if pack.continuous_charge_a is not None:
        rating = pack.continuous_charge_a
        window = pack_window_s(rating, pack.peak_charge_a, pack.peak_charge_s)
        parts.append(Part("pack", rating, window, "[pack] continuous_charge_a"))
    return tuple(sorted(parts, key=lambda part: part.rating_a))


def _wiring_parts(wiring: Wiring, section: str) -> list[Part]:
    parts = []
    conductor = conductor_part(wiring, section)
    if conductor is not None:
        parts.append(conductor)
    if wiring.fuse_a is not None:
        parts.append(Part("fuse", FUSE_SHARE * wiring.fuse_a, FUSE_WINDOW_S, f"80 % of [{section}] fuse_a"))
    if wiring.connector_a is not None:
        parts.append(Part("connector", wiring.connector_a, CONNECTOR_WINDOW_S, f"[{section}] connector_a"))
    return parts


def conductor_part(wiring: Wiring, section: str) -> Part | None:
    """Return the conductor as ``fit`` judges it, by the least that the file leaves open; None outside the tables."""
    conductor = stated_conductor(wiring)
    try:
        carries = carries_of(wiring)
    except BeyondTable:
        return None
    if conductor is None or carries is None or carries.least.amperes <= 0.0:
        return None
    window = conductor_window_s(conductor_area_mm2(wiring, conductor))
    return Part(f"{conductor.label} conductor", carries.least.amperes, window, conductor_origin(carries, section))


def conductor_area_mm2(wiring: Wiring, conductor: Conductor) -> float:
    """Return the copper's cross-section, mm²: as stated, or of its gauge; the conductor is within the tables."""
    if wiring.conductor_mm2 is not None:
        return wiring.conductor_mm2
    assert conductor.gauge is not None  # the tables would not hold it
    return conductor.gauge.area_mm2


def conductor_origin(carries: Carries, section: str) -> str:
    """Return where a conductor's rating comes from: its section, how it lies, and the row of the table."""
    return f"[{section}] {carries.least.where}, {carries.least.words}"


def _discharge_current(on: Ground) -> Limit | str:
    parts = discharge_parts(on.machine)
    if not parts:
        return all_missing(("pack", "continuous_discharge_a"), ("wiring", "conductor_mm2"), ("wiring", "fuse_a"))
    rating = parts[0].rating_a
    return on.limit(CURRENT_WARN_SHARE * rating, rating, _weakest(parts, "90 %"), margin=0.05 * rating, raise_s=2.0)


def _charge_current(on: Ground) -> Limit | str:
    parts = charge_parts(on.machine)
    if not parts:
        return all_missing(
            ("pack", "continuous_charge_a"), ("charge_wiring", "conductor_mm2"), ("charge_wiring", "fuse_a")
        )
    rating = parts[0].rating_a
    origin = f"charging is negative; {_weakest(parts, '95 %')}"
    return on.limit(-CHARGE_WARN_SHARE * rating, -rating, origin, margin=0.05 * rating, raise_s=2.0)


def _weakest(parts: tuple[Part, ...], share: str) -> str:
    weakest, others = parts[0], parts[1:]
    words = f"weakest part: {weakest.name}, {weakest.rating_a:.4g} A ({weakest.origin}), "
    words += f"thermal time constant {length(weakest.window_s)}"
    if others:
        rest = ", ".join(f"{part.name} {part.rating_a:.4g} A ({length(part.window_s)})" for part in others)
        words += f"; also {rest}"
    return f"{words}; warn at {share}"


def _discharge_peak(on: Ground) -> Limit | str:
    rating = on.machine.pack.peak_discharge_a
    if rating is None:
        return missing("pack", "peak_discharge_a")
    origin = f"[pack] peak_discharge_a {rating:g} A: above it the BMS may trip at once; warn at 90 %"
    return on.limit(CURRENT_WARN_SHARE * rating, rating, origin, margin=0.05 * rating, raise_s=0.2)


def _charge_peak(on: Ground) -> Limit | str:
    pack = on.machine.pack
    if pack.continuous_charge_a is None and pack.peak_charge_a is None:
        return missing("pack", "continuous_charge_a")
    if pack.peak_charge_a is not None:
        rating, key, note = pack.peak_charge_a, "peak_charge_a", "braking counts"
    else:
        rating, key, note = pack.continuous_charge_a or 0.0, "continuous_charge_a", "no peak stated, regen counts"
    origin = f"[pack] {key} {rating:g} A, charging is negative; {note}"
    return on.limit(None, -rating, origin, margin=0.05 * rating, raise_s=2.0)


FRAMES = (
    Frame("discharge-current", "discharge_current_average", "high", _discharge_current),
    Frame("discharge-peak", "pack_current", "high", _discharge_peak),
    Frame("charge-current", "charge_current_average", "low", _charge_current, "negative"),
    Frame("charge-peak", "pack_current", "low", _charge_peak, "negative"),
)
