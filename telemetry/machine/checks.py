"""What cannot be true together: sections that contradict themselves, and overrides that contradict the limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from telemetry.machine.ampacity import MOST_IN_FREE_AIR
from telemetry.machine.between_sections import Contradiction
from telemetry.machine.chemistry import cell_of
from telemetry.machine.limits import CONDITION_NAMES, LIMIT_SIDES, LIMIT_SIGNS, Limit, default_limits
from telemetry.machine.sections import LimitOverride, Machine, find_key

_MOST_APART, _MOST_APART_SHARE = 5.0, 0.25
"""A sensor further off than 5 A or V and a quarter of the reading is broken or misread, not merely inexact. Ours."""


def section_contradictions(section: str, values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give the contradictions among one section's values, as far as they are right by themselves."""
    match section:
        case "pack":
            yield from _rising("pack", values, "continuous_discharge_a", "peak_discharge_a", equal=True)
            yield from _rising("pack", values, "continuous_charge_a", "peak_charge_a", equal=True)
            yield from _rising("pack", values, "ohmic_resistance_mohm", "internal_resistance_mohm", equal=True)
            yield from _rising("pack", values, "low_cutoff_v", "high_cutoff_v")
            yield from _rising("pack", values, "cell_low_cutoff_v", "cell_high_cutoff_v")
            yield from _rising("pack", values, "cell_charge_minimum_c", "cell_charge_maximum_c")
            yield from _cells(values)
            yield from _cutoffs(values)
            yield from _blocks(values)
        case "wiring" | "charge_wiring":
            yield from _conductor(section, values)
            yield from _fuse_curve(section, values)
            yield from _installation(section, values)
        case "machine":
            yield from _rising("machine", values, "minimum_voltage_v", "maximum_voltage_v")
            yield from _rising("machine", values, "minimum_voltage_v", "foldback_voltage_v", equal=True)
            yield from _rising("machine", values, "foldback_voltage_v", "maximum_voltage_v")
        case "charger":
            yield from _rising("charger", values, "end_current_a", "output_current_a")
        case "instruments":
            yield from _far_apart(values, "current_checks", "A")
            yield from _far_apart(values, "voltage_checks", "V")


def _far_apart(values: Mapping[str, Any], key: str, unit: str) -> Iterator[Contradiction]:
    """Give a contradiction where shown and measured are so far apart that no sensor error explains it."""
    for day, shown, measured in values.get(key, ()):
        if abs(shown - measured) > max(_MOST_APART, _MOST_APART_SHARE * max(abs(shown), abs(measured))):
            what = f"holds {shown:g} {unit} shown and {measured:g} {unit} measured on {day}"
            right = "check sign, unit and decimal point; the two belong to the same moment"
            yield Contradiction("instruments", key, what, right)


def _cutoffs(values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where a cut-off lies on the wrong side of the pack's nominal voltage."""
    if "chemistry" not in values or "cells_in_series" not in values:
        return
    nominal = values["cells_in_series"] * cell_of(values).nominal_v
    cells = f"{values['cells_in_series']} {cell_of(values).label} cells with a nominal {nominal:.1f} V"
    right = "check it, cells_in_series and chemistry against the nameplate; it is the voltage of the whole pack"
    low, high = values.get("low_cutoff_v"), values.get("high_cutoff_v")
    if low is not None and low >= nominal:
        yield Contradiction("pack", "low_cutoff_v", f"is {low:g} V, too high for {cells}", right)
    if high is not None and high <= nominal:
        yield Contradiction("pack", "high_cutoff_v", f"is {high:g} V, too low for {cells}", right)


def _cells(values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where the owner's figures of one cell are out of order, or not of that chemistry."""
    if "chemistry" not in values:
        return
    cell = cell_of(values)
    order = (
        ("cell_minimum_v", "lowest", cell.minimum_v),
        ("cell_nominal_v", "nominal", cell.nominal_v),
        ("cell_charge_v", "charge", cell.charge_v),
        ("cell_maximum_v", "highest", cell.maximum_v),
    )
    for (key, name, volts), (next_key, next_name, above) in pairwise(order):
        if volts > above or (volts == above and next_key != "cell_maximum_v"):
            stated = next_key if next_key in values else key
            what = (
                f"makes the {name} voltage of one {cell.label} cell {volts:g} V and the {next_name} one {above:g} V"
            )
            yield Contradiction("pack", stated, what, "check it and chemistry; it is the voltage of one cell")
    for key, low, high in (
        ("cell_low_cutoff_v", 0.0, cell.nominal_v),
        ("cell_high_cutoff_v", cell.nominal_v, math.inf),
    ):
        cutoff = values.get(key)
        if cutoff is not None and not low < cutoff < high:
            side = "too high" if cutoff >= high else "too low"
            what = f"is {cutoff:g} V, {side} for one {cell.label} cell with a nominal {cell.nominal_v:g} V"
            yield Contradiction("pack", key, what, "check it and chemistry; it is the voltage of one cell")


def _conductor(section: str, values: Mapping[str, Any]) -> Iterator[Contradiction]:
    if "conductor_mm2" in values and "conductor_awg" in values:
        stated = f"is {values['conductor_awg']} while conductor_mm2 says {values['conductor_mm2']:g}"
        yield Contradiction(section, "conductor_awg", f"{stated}: one cable has one size", "leave one of the two out")


def _fuse_curve(section: str, values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where a fuse would open at its own rated current."""
    points, rated = values.get("fuse_curve"), values.get("fuse_a")
    if points and rated is not None and points[0][0] <= rated:
        what = f"begins at {points[0][0]:g} A, not above fuse_a of {rated:g} A"
        yield Contradiction(section, "fuse_curve", what, "write amperes, not multiples of the rating, and seconds")


def _installation(section: str, values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where the cable cannot lie as stated together with so many others."""
    installation, together = values.get("installation"), values.get("bundled_conductors")
    if together is None:
        return
    if installation == "free-air" and together > MOST_IN_FREE_AIR:
        right = 'write installation = "bundled", or count only what touches this cable'
    elif installation == "bundled" and together == 1:
        right = 'write installation = "free-air", or count this cable and what it is tied to'
    else:
        return
    yield Contradiction(section, "installation", f'is "{installation}" while bundled_conductors is {together}', right)


def _blocks(values: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where the blocks in series cannot hold equally many cells."""
    blocks, cells = values.get("blocks_in_series"), values.get("cells_in_series")
    if blocks and cells and cells % blocks:
        what = f"is {blocks}, and {cells} cells_in_series do not divide into as many equal blocks"
        yield Contradiction("pack", "blocks_in_series", what, "write blocks in series; those side by side count once")


def _rising(
    section: str, values: Mapping[str, Any], lower: str, upper: str, *, equal: bool = False
) -> Iterator[Contradiction]:
    """Give a contradiction where ``upper`` does not lie above ``lower``, or at it where ``equal`` may be."""
    low, high = values.get(lower), values.get(upper)
    if low is None or high is None or low < high or (equal and low == high):
        return
    unit = find_key(section, upper).unit
    relation = "below" if high < low else "not above"
    what = f"is {high:g} {unit}, {relation} {lower} of {low:g} {unit}"
    yield Contradiction(section, upper, what, "correct one of the two")


def override_contradictions(override: LimitOverride, frame: Limit | None) -> Iterator[Contradiction]:
    """Give what is wrong with an override by itself; ``frame`` is the limit it changes, where there is one."""
    section = f"limits.{override.name}"
    if override.name not in CONDITION_NAMES:
        yield from _bounds(override, frame, section)
        return
    for key in ("warn", "trip", "clear_margin", "raise_delay_s", "clear_delay_s"):
        if getattr(override, key) is not None:
            right = "leave it out; only enabled and latched mean anything here"
            if override.name == "link":
                right += ", and silence_s of the [[source]]"
            yield Contradiction(section, key, f"has no meaning: no number decides {override.name}", right)


def _bounds(override: LimitOverride, frame: Limit | None, section: str) -> Iterator[Contradiction]:
    """Give what is wrong with the bounds of an override, by themselves and against ours."""
    side = LIMIT_SIDES[override.name]
    if (sign := LIMIT_SIGNS[override.name]) != "either":
        yield from _signed(override, section, positive=sign == "positive")
    if override.warn is not None and override.trip is not None and _beyond(side, override.warn, override.trip):
        yield _warn_beyond(section, side, f"{override.warn:g}", f"trip of {override.trip:g}")
    elif frame is not None and override.enabled:
        yield from _against_default(override, frame, section)


def _against_default(override: LimitOverride, ours: Limit, section: str) -> Iterator[Contradiction]:
    """Give a contradiction where an override of one bound crosses the other, which is ours."""
    match override.warn, override.trip, ours.warn, ours.trip:
        case float(warn), None, _, float(trip) if _beyond(ours.side, warn, trip):
            yield _warn_beyond(section, ours.side, f"{warn:g}", f"trip of {trip:g}, which is ours ({ours.origin})")
        case None, float(trip), float(warn), _ if _beyond(ours.side, warn, trip):
            reverse = "below" if ours.side == "high" else "above"
            what = f"is {trip:g}, {reverse} the warn of {warn:g}, which is ours ({ours.origin})"
            yield Contradiction(section, "trip", what, "set warn too, so that it comes first")


def _warn_beyond(section: str, side: str, warn: str, trip: str) -> Contradiction:
    relation = "above" if side == "high" else "below"
    reverse = "below" if side == "high" else "above"
    return Contradiction(
        section, "warn", f"is {warn}, {relation} the {trip}", f"a warning comes first: set it {reverse} the trip"
    )


def _signed(override: LimitOverride, section: str, *, positive: bool) -> Iterator[Contradiction]:
    for key in ("warn", "trip"):
        value = getattr(override, key)
        if value is not None and (value < 0 if positive else value > 0):
            counted = "cannot be negative" if positive else "counts charging as positive"
            right = f"write {key} = {-value:g}" + ("" if positive else ": current into the pack is negative here")
            yield Contradiction(section, key, f"is {value:g}, and {override.name} {counted}", right)


def _beyond(side: str, warn: float, trip: float) -> bool:
    return warn > trip if side == "high" else warn < trip


def machine_contradictions(machine: Machine) -> Iterator[Contradiction]:
    """Give the contradictions between the owner's overrides and the limits that follow from the rest of the file."""
    ours = {limit.name: limit for limit in default_limits(machine)}
    for name, override in machine.limit_overrides.items():
        yield from override_contradictions(override, ours.get(name))
