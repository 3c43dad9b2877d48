"""The limits that follow from a machine file: what is held against what, from when on, and why.

A ``trip`` is the bound itself: beyond it the pack's own electronics, or the controller, act or should have acted. A
``warn`` lies before it, where letting go of the pedal still helps. This program only tells: it switches nothing.

Sign rule: discharge limits watch ``pack_current`` on the high side, charge limits on the low side with negative
numbers.

The delays are ours, chosen for small machines: a pull-away loads the pack for about a second, a pack's electronics
act on a voltage after one to some seconds (common practice, from memory), so low voltage must last 2 s and high
voltage 1 s. Temperatures move slowly and sensors glitch, so 10 s. An alarm clears after 10 s well inside, so that
one rough field does not make an alarm of every bump.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Literal

from telemetry.machine.sections import LimitOverride, Machine, missing

LOW_WARN_SHARE = 0.05
"""A stated low cut-off is warned of this share above it: on a 16-cell iron phosphate pack cut off at 44.8 V that is
2.2 V, about what the pack gives back when the pedal is let go. Common practice, from memory."""
HIGH_WARN_SHARE = 0.01
"""A stated high cut-off is warned of this share below it: chargers hold their voltage within one percent."""
CURRENT_WARN_SHARE = 0.9
"""Discharge is warned of at this share of the rating; shunts of pack electronics are good for a few percent."""
CHARGE_WARN_SHARE = 0.95
"""A charger holds its current more evenly than a pedal does."""
PEAK_TIME_SHARE = 0.8
"""Overload is reported at this share of the time that the pack allows it, so that some is left to let go in."""
UNSTATED_PEAK_S = 5.0
"""Overload that is reported where the sheet says nothing of its time: longer than a pull-away."""
TEMPERATURE_MARGIN_C = 5.0


@dataclass(frozen=True)
class Limit:
    """One bound on one signal; see :mod:`telemetry.alarms.comparator` for what margin and delays mean.

    Attributes:
        name: what it is called in the machine file, alarms and reports.
        signal: a signal's name, or a shell-style pattern of names such as ``pack_temperature_*``.
        side: ``high``: beyond is above the bound; ``low``: beyond is below it.
        warn, trip: bounds in the signal's unit; None for no such level.
        clear_margin: how far inside the bound a value must lie to count as back, same unit.
        raise_delay_s, clear_delay_s: how long it must be beyond, or back.
        origin: where the numbers come from, one sentence.

    """

    name: str
    signal: str
    side: Literal["high", "low"]
    warn: float | None
    trip: float | None
    clear_margin: float
    raise_delay_s: float
    clear_delay_s: float
    origin: str


@dataclass(frozen=True)
class _Frame:
    """What is fixed of a limit before any number is known, and how its numbers are found."""

    name: str
    signal: str
    side: Literal["high", "low"]
    build: Callable[[Machine, _Frame], Limit | None]
    ground: tuple[str, str] | None = None

    def limit(
        self,
        warn: float | None,
        trip: float | None,
        origin: str,
        *,
        margin: float,
        raise_s: float,
        clear_s: float = 10.0,
    ) -> Limit:
        """Return the limit with its numbers, rounded to what a message can show."""
        rounded = [None if bound is None else round(float(bound), 3) for bound in (warn, trip)]
        return Limit(
            self.name, self.signal, self.side, rounded[0], rounded[1], round(margin, 3), raise_s, clear_s, origin
        )


def _pack_voltage_low(machine: Machine, frame: _Frame) -> Limit:
    pack, vehicle = machine.pack, machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    if pack.low_cutoff_v is not None:
        trip = pack.low_cutoff_v
        warn, where = _above(trip, pack.nominal_v)
        origin = f"pack low cut-off {trip:.1f} V from [pack] low_cutoff_v; {where}"
    else:
        trip, warn = cells * cell.minimum_v, cells * cell.low_warn_v
        least, early = f"{cell.minimum_v:.2f} V", f"{cell.low_warn_v:.2f} V a cell"
        origin = f"{cells} {cell.name} cells at {least}, common practice; warn at {early}"
    if vehicle.minimum_voltage_v is not None and vehicle.minimum_voltage_v > trip:
        trip = vehicle.minimum_voltage_v
        warn, where = _above(trip, pack.nominal_v)
        origin = f"controller stops below {trip:.1f} V, before the pack, by [machine] minimum_voltage_v; {where}"
    foldback = vehicle.foldback_voltage_v
    if foldback is not None and foldback > trip and (warn is None or foldback > warn):
        warn = foldback
        origin = f"{origin.rsplit(';', 1)[0]}; warn at [machine] foldback_voltage_v, where power begins to fall"
    return frame.limit(warn, trip, origin, margin=0.01 * pack.nominal_v, raise_s=2.0)


def _above(trip: float, nominal: float) -> tuple[float | None, str]:
    """Return the warning above a low bound, with words: 5 %, within three quarters of the way to ``nominal``."""
    if nominal <= trip:
        return None, "no room for a warning below the nominal voltage"
    most = 0.75 * (nominal - trip)
    if LOW_WARN_SHARE * trip <= most + 1e-9:
        return (1 + LOW_WARN_SHARE) * trip, "warn 5 % above"
    return trip + most, f"warn three quarters of the way to the nominal {nominal:.1f} V"


def _pack_voltage_high(machine: Machine, frame: _Frame) -> Limit:
    pack, vehicle = machine.pack, machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    if pack.high_cutoff_v is not None:
        trip, warn = pack.high_cutoff_v, (1 - HIGH_WARN_SHARE) * pack.high_cutoff_v
        origin = f"pack high cut-off {trip:.1f} V from [pack] high_cutoff_v; warn 1 % below"
    else:
        trip, warn = cells * cell.maximum_v, cells * cell.high_warn_v
        most, early = f"{cell.maximum_v:.2f} V", f"{cell.high_warn_v:.2f} V a cell"
        origin = f"{cells} {cell.name} cells at {most}, common practice; warn at {early}"
    if vehicle.maximum_voltage_v is not None and vehicle.maximum_voltage_v < trip:
        trip = vehicle.maximum_voltage_v
        warn = (1 - HIGH_WARN_SHARE) * trip
        origin = f"controller stands {trip:.1f} V by [machine] maximum_voltage_v, less than the pack; warn 1 % below"
    return frame.limit(warn, trip, origin, margin=0.01 * pack.nominal_v, raise_s=1.0)


def _cell_voltage_low(machine: Machine, frame: _Frame) -> Limit:
    cell = machine.pack.cell
    least, early = f"{cell.minimum_v:.2f} V", f"{cell.low_warn_v:.2f} V"
    origin = f"{cell.name} cell, common practice: least {least}; warn at {early} under load"
    return frame.limit(cell.low_warn_v, cell.minimum_v, origin, margin=0.05, raise_s=2.0)


def _cell_voltage_high(machine: Machine, frame: _Frame) -> Limit:
    cell = machine.pack.cell
    origin = (
        f"{cell.name} cell, common practice: most {cell.maximum_v:.2f} V; "
        f"warn at {cell.high_warn_v:.2f} V, above an ordinary charge to {cell.charge_v:.2f} V"
    )
    return frame.limit(cell.high_warn_v, cell.maximum_v, origin, margin=0.02, raise_s=1.0)


def _cell_spread(machine: Machine, frame: _Frame) -> Limit:
    # A plain pair of numbers. What a spread means depends on load and on where on the curve the cells stand; who
    # judges it with those counted replaces this function and leaves the rest alone.
    cell = machine.pack.cell
    origin = (
        f"common practice for {cell.name}: warn at {1000 * cell.spread_warn_v:.0f} mV, "
        f"trip at {1000 * cell.spread_trip_v:.0f} mV, lasting 10 s so that no single pull counts"
    )
    return frame.limit(cell.spread_warn_v, cell.spread_trip_v, origin, margin=0.01, raise_s=10.0, clear_s=30.0)


def _discharge_current(machine: Machine, frame: _Frame) -> Limit | None:
    pack = machine.pack
    rating = pack.continuous_discharge_a
    if rating is None:
        return None
    if pack.peak_discharge_s is not None:
        delay = round(PEAK_TIME_SHARE * pack.peak_discharge_s, 3)
        lasting = f"lasting {delay:g} s of the {pack.peak_discharge_s:g} s in [pack] peak_discharge_s"
    else:
        delay, lasting = UNSTATED_PEAK_S, f"lasting {UNSTATED_PEAK_S:g} s, longer than a pull-away"
    origin = f"[pack] continuous_discharge_a {rating:g} A, {lasting}; warn at 90 %"
    return frame.limit(CURRENT_WARN_SHARE * rating, rating, origin, margin=0.05 * rating, raise_s=delay)


def _discharge_peak(machine: Machine, frame: _Frame) -> Limit | None:
    rating = machine.pack.peak_discharge_a
    if rating is None:
        return None
    origin = f"[pack] peak_discharge_a {rating:g} A, beyond which the pack may cut out at once; warn at 90 %"
    return frame.limit(CURRENT_WARN_SHARE * rating, rating, origin, margin=0.05 * rating, raise_s=0.2)


def _charge_current(machine: Machine, frame: _Frame) -> Limit | None:
    rating = machine.pack.continuous_charge_a
    if rating is None:
        return None
    origin = f"[pack] continuous_charge_a {rating:g} A, charging counted negative, lasting 2 s; warn at 95 %"
    return frame.limit(-CHARGE_WARN_SHARE * rating, -rating, origin, margin=0.05 * rating, raise_s=2.0)


def _pack_temperature_high(machine: Machine, frame: _Frame) -> Limit:
    cell = machine.pack.cell
    trip = cell.discharge_high_c
    warn = min(cell.charge_high_c, trip - TEMPERATURE_MARGIN_C)
    why = "no charging above" if warn == cell.charge_high_c else "5 °C before it"
    origin = f"{cell.name}, common practice: no use above {trip:g} °C; warn at {warn:g} °C, {why}"
    return frame.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


def _pack_temperature_low(machine: Machine, frame: _Frame) -> Limit:
    cell = machine.pack.cell
    trip = cell.discharge_low_c
    warn = max(cell.charge_low_c, trip + TEMPERATURE_MARGIN_C)
    why = "no charging below, braking included" if warn == cell.charge_low_c else "5 °C before it"
    origin = f"{cell.name}, common practice: no use below {trip:g} °C; warn at {warn:g} °C, {why}"
    return frame.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


_FRAMES = (
    _Frame("pack-voltage-low", "pack_voltage", "low", _pack_voltage_low),
    _Frame("pack-voltage-high", "pack_voltage", "high", _pack_voltage_high),
    _Frame("cell-voltage-low", "cell_min_voltage", "low", _cell_voltage_low),
    _Frame("cell-voltage-high", "cell_max_voltage", "high", _cell_voltage_high),
    _Frame("cell-spread", "cell_spread", "high", _cell_spread),
    _Frame("discharge-current", "pack_current", "high", _discharge_current, ("pack", "continuous_discharge_a")),
    _Frame("discharge-peak", "pack_current", "high", _discharge_peak, ("pack", "peak_discharge_a")),
    _Frame("charge-current", "pack_current", "low", _charge_current, ("pack", "continuous_charge_a")),
    _Frame("pack-temperature-high", "pack_temperature_*", "high", _pack_temperature_high),
    _Frame("pack-temperature-low", "pack_temperature_*", "low", _pack_temperature_low),
)
LIMIT_NAMES = tuple(frame.name for frame in _FRAMES)
"""Every name that ``[limits.NAME]`` may have, in the order in which limits are shown."""
LIMIT_SIGNALS = {frame.name: frame.signal for frame in _FRAMES}
LIMIT_SIDES: dict[str, Literal["high", "low"]] = {frame.name: frame.side for frame in _FRAMES}
"""The signal, or pattern of signals, that each limit watches, and on which side."""


def limits_for(machine: Machine) -> tuple[Limit, ...]:
    """Return the limits in force for ``machine``: what follows from its figures, with the owner's overrides.

    A limit without ground (no rating stated, none set by the owner) or switched off is left out; :func:`unjudged`
    says why.
    """
    return tuple(limit for limit in _built(machine, _FRAMES) if limit is not None)


def default_limits(machine: Machine) -> tuple[Limit, ...]:
    """Return the limits as they would be in force without any override."""
    return limits_for(replace(machine, limit_overrides={}))


def unjudged(machine: Machine) -> dict[str, str]:
    """Return for each limit that is not in force one sentence that says why, by the limit's name."""
    reasons = {}
    for frame, limit in zip(_FRAMES, _built(machine, _FRAMES), strict=True):
        if limit is None:
            override = machine.limit_overrides.get(frame.name)
            if override is not None and not override.enabled:
                before = frame.build(machine, frame)
                was = f"; it would be: {before.origin}" if before is not None else ""
                reasons[frame.name] = f"switched off by [limits.{frame.name}] enabled = false{was}"
            elif frame.ground is not None:
                reasons[frame.name] = missing(*frame.ground)
    return reasons


def _built(machine: Machine, frames: Iterable[_Frame]) -> list[Limit | None]:
    built = []
    for frame in frames:
        limit, override = frame.build(machine, frame), machine.limit_overrides.get(frame.name)
        built.append(limit if override is None else _overridden(frame, limit, override))
    return built


def _overridden(frame: _Frame, limit: Limit | None, override: LimitOverride) -> Limit | None:
    """Return ``limit`` with what the owner set; None where switched off, or neither side gives a bound."""
    if not override.enabled:
        return None
    names = ("warn", "trip", "clear_margin", "raise_delay_s", "clear_delay_s")
    changed = {name: getattr(override, name) for name in names if getattr(override, name) is not None}
    if limit is None:
        if "warn" not in changed and "trip" not in changed:
            return None
        origin = f"set by [limits.{frame.name}]; no rating is stated to hold it against"
        blank = frame.limit(None, None, origin, margin=0.0, raise_s=2.0)
        return replace(blank, **changed)
    if not changed:
        return limit
    stated = ", ".join(f"{name} {_shown(getattr(limit, name))} to {value:g}" for name, value in changed.items())
    return replace(limit, **changed, origin=f"{limit.origin}; changed by [limits.{frame.name}]: {stated}")


def _shown(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"
