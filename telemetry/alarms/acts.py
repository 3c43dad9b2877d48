"""What to do about each alarm: one table, used by the screen, ``shakedown alarms``, the reports and every JSON.

An act for a moving machine is one action that needs no look at the screen. No act sends anybody to a joint, a plug or
a cell: cell joints stay live with the key off, and a plug pulled under load draws an arc. Work of that sort belongs
in the report and the docs, with their cautions. Acts are common practice, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase

from telemetry.machine.limits import LIMIT_SIGNALS
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange, AlarmLevel, Situation
from telemetry.model.signals import cell_number, find_signal, pack_temperature_number

__all__ = [
    "ACT_TABLE",
    "ALARM_NAMES",
    "MOVING",
    "SITUATIONS",
    "Act",
    "ActRow",
    "Situation",
    "act_for",
    "act_of",
    "alarm_name",
]

SITUATIONS: tuple[Situation, ...] = ("driving", "braking", "charging", "resting")
MOVING: tuple[Situation, ...] = ("driving", "braking")
_PARKED: tuple[Situation, ...] = ("charging", "resting")
_REST: tuple[Situation, ...] = ("resting",)
_CHARGE: tuple[Situation, ...] = ("charging",)
_BOTH: tuple[AlarmLevel, ...] = ("warn", "trip")
_WARN: tuple[AlarmLevel, ...] = ("warn",)
_TRIP: tuple[AlarmLevel, ...] = ("trip",)


@dataclass(frozen=True)
class Act:
    """What to do about one alarm.

    Attributes:
        word: the one large word; empty where the alarm can wait for the next stop.
        where: the place in capitals, such as ``CELL 17``; never empty.
        do: one or more full sentences; one where the machine moves.

    """

    word: str
    where: str
    do: str

    @property
    def first(self) -> str:
        """What to do first, in two or three words for large letters; empty where the one word says it."""
        first = next((short for begin, short in _FIRST if self.do.startswith(begin)), "")
        return "" if first == self.where else first


@dataclass(frozen=True)
class ActRow:
    """One row of the table.

    Attributes:
        limit: a limit's name or pattern.
        levels, situations: when the row counts.
        word: as of :class:`Act`.
        do: as of :class:`Act`, with ``{bound}`` for the bound in force.

    """

    limit: str
    levels: tuple[AlarmLevel, ...]
    situations: tuple[Situation, ...]
    word: str
    do: str


_FIRST = (
    ("Release the throttle", "NO THROTTLE"),
    ("Stop where it is safe", "NO THROTTLE"),
    ("Half throttle", "EASE OFF"),
    ("Brake with the mechanical brake only", "NO REGEN"),
    ("Brake gently", "GENTLY"),
    ("Key off", "KEY OFF"),
    ("Switch the charger off", "AT THE WALL"),
    ("Switch the implement off", "LESS LOAD"),
    ("Set the charger below", "LESS CURRENT"),
    ("Charge at the lowest current", "LESS CURRENT"),
    ("Drive", "DRIVE ON"),
)
"""How an act begins, and that in large letters. What comes later is not there: a key is not turned while it rolls."""
_OFF = "Switch the charger off at the wall socket."
_THEN_OFF = "switch the charger off at the wall socket."
_OFF_ARC = f"{_OFF} Never pull a plug under load."
_FIRE = "Smoke, hiss or smell: keep away and call the fire service."
_NO_REGEN = "Brake with the mechanical brake only."
_STOP = "Release the throttle and stop where it is safe."
_STOP_OFF = "Stop where it is safe and key off."
_COAST_OFF = "Stop with the mechanical brake where it is safe, then key off."
DEEP_BELOW_V = 0.5
"""So far below the voltage at which a discharge has to end a resting lithium cell may be damaged within, and short
when it is charged: iron phosphate 2.0 V, nickel types 2.5 V. Common practice, from memory."""
_BELOW = "Half throttle until it is below {bound}."
_NEXT_STOP = "Drive gently until the next stop."

ACT_TABLE: tuple[ActRow, ...] = (
    ActRow("cell-voltage-low", _WARN, MOVING, "SLOW", "Half throttle until it is above {bound}."),
    ActRow("cell-voltage-low", _WARN, _CHARGE, "", "Keep charging, and check that this cell rises with the others."),
    ActRow("cell-voltage-low", _WARN, _REST, "", "Charge the pack before the next drive."),
    ActRow("cell-voltage-low", _TRIP, MOVING, "STOP", _STOP),
    ActRow("cell-voltage-low", _TRIP, _CHARGE, "SLOW", f"Charge at the lowest current. Below {{deep}}: {_THEN_OFF}"),
    ActRow(
        "cell-voltage-low",
        _TRIP,
        _REST,
        "STOP",
        "Key off. Charge slowly; but if it rests below {deep}, do not charge it: have it tested.",
    ),
    ActRow("cell-voltage-high", _BOTH, MOVING, "COAST", _NO_REGEN),
    ActRow(
        "cell-voltage-high",
        _WARN,
        _CHARGE,
        "",
        f"Stay with the charger. If it rises further: {_THEN_OFF}",
    ),
    ActRow("cell-voltage-high", _TRIP, _CHARGE, "OFF", _OFF_ARC),
    ActRow("cell-voltage-high", _WARN, _REST, "", "Do not charge until it is below {bound}."),
    ActRow("cell-voltage-high", _TRIP, _REST, "OFF", f"Key off and do not charge. {_FIRE}"),
    ActRow("pack-voltage-low", _WARN, MOVING, "SLOW", "Head back at half throttle."),
    ActRow("pack-voltage-low", _TRIP, MOVING, "STOP", _STOP),
    ActRow("pack-voltage-low", _BOTH, _CHARGE, "", f"Keep charging. If it does not rise: {_THEN_OFF}"),
    ActRow("pack-voltage-low", _WARN, _REST, "", "Charge the pack before the next drive."),
    ActRow("pack-voltage-low", _TRIP, _REST, "STOP", "Key off. Charge the pack before you drive on."),
    ActRow("pack-voltage-high", _BOTH, MOVING, "COAST", _NO_REGEN),
    ActRow(
        "pack-voltage-high",
        _WARN,
        _CHARGE,
        "",
        f"Stay with the charger. If it rises further: {_THEN_OFF}",
    ),
    ActRow("pack-voltage-high", _TRIP, _CHARGE, "OFF", _OFF_ARC),
    ActRow("pack-voltage-high", _WARN, _REST, "", "Do not charge until it is below {bound}."),
    ActRow("pack-voltage-high", _TRIP, _REST, "OFF", "Key off and do not charge."),
    ActRow("discharge-disabled", _BOTH, MOVING, "BRAKE", _COAST_OFF),
    ActRow(
        "discharge-disabled", _BOTH, _CHARGE, "", "Keep charging, and check whether the BMS allows discharge again."
    ),
    ActRow("discharge-disabled", _BOTH, _REST, "STOP", "Key off. Find out why the BMS tripped before you drive on."),
    ActRow("supply-lost", _BOTH, MOVING, "BRAKE", _COAST_OFF),
    ActRow(
        "supply-lost",
        _BOTH,
        _PARKED,
        "STOP",
        "Key off. Cause not known: fuse, contactor, joint and seat switch look the same.",
    ),
    ActRow("charge-disabled", _BOTH, MOVING, "COAST", _NO_REGEN),
    ActRow("charge-disabled", _BOTH, _CHARGE, "OFF", f"{_OFF} The BMS allows no charge."),
    ActRow("charge-disabled", _BOTH, _REST, "", "Do not charge until the BMS allows it again."),
    ActRow("discharge-*", _BOTH, MOVING, "SLOW", _BELOW),
    ActRow("discharge-*", _BOTH, _PARKED, "SLOW", "Switch the implement off until it is below {bound}."),
    ActRow("charge-*", _BOTH, MOVING, "COAST", "Brake gently."),
    ActRow("charge-*", _WARN, _PARKED, "SLOW", "Set the charger below {bound}."),
    ActRow("charge-*", _TRIP, _PARKED, "OFF", f"{_OFF} Then set it below {{bound}}."),
    ActRow("charging-cold", _BOTH, MOVING, "COAST", _NO_REGEN),
    ActRow("charging-cold", _BOTH, _CHARGE, "OFF", f"{_OFF} Warm the pack before you charge it."),
    ActRow("charging-cold", _BOTH, _REST, "", "Warm the pack before you charge it."),
    ActRow("charging-cool", _BOTH, MOVING, "COAST", "Brake gently."),
    ActRow("charging-cool", _BOTH, _CHARGE, "SLOW", "Set the charger below {bound} until the pack is above 10 °C."),
    ActRow("charging-cool", _BOTH, _REST, "", "Warm the pack, or set the charger below {bound}."),
    ActRow("charging-hot", _BOTH, MOVING, "COAST", _NO_REGEN),
    ActRow("charging-hot", _BOTH, _CHARGE, "OFF", f"{_OFF} {_FIRE}"),
    ActRow("charging-hot", _BOTH, _REST, "", "Let the pack cool before you charge it."),
    ActRow("charger-left-on", _BOTH, MOVING, "STOP", _STOP),
    ActRow("charger-left-on", _BOTH, _PARKED, "OFF", _OFF_ARC),
    ActRow("pack-temperature-high", _WARN, MOVING, "SLOW", _BELOW),
    ActRow("pack-temperature-high", _WARN, _CHARGE, "OFF", f"{_OFF} Let the pack cool below {{bound}}."),
    ActRow("pack-temperature-high", _WARN, _REST, "", "Let the pack cool below {bound} before you drive or charge."),
    ActRow("pack-temperature-high", _TRIP, MOVING, "STOP", "Stop where it is safe, key off and get off."),
    ActRow("pack-temperature-high", _TRIP, _CHARGE, "OFF", f"{_OFF} {_FIRE}"),
    ActRow("pack-temperature-high", _TRIP, _REST, "STOP", f"Key off and get off. {_FIRE}"),
    ActRow("pack-temperature-low", _WARN, MOVING, "COAST", _NO_REGEN),
    ActRow("pack-temperature-low", _TRIP, MOVING, "HOME", "Head back at half throttle."),
    ActRow("pack-temperature-low", _BOTH, _CHARGE, "OFF", f"{_OFF} Warm the pack above {{bound}} first."),
    ActRow("pack-temperature-low", _BOTH, _REST, "", "Warm the pack above {bound} before you drive or charge."),
    ActRow("*-temperature-high", _WARN, MOVING, "SLOW", _BELOW),
    ActRow("*-temperature-high", _WARN, _PARKED, "", "Let it cool below {bound} before you drive on."),
    ActRow("*-temperature-high", _TRIP, MOVING, "STOP", _STOP_OFF),
    ActRow("*-temperature-high", _TRIP, _PARKED, "STOP", f"Key off and let it cool. {_FIRE}"),
    ActRow("joint-heating", _WARN, MOVING, "SLOW", "Half throttle to the next stop."),
    ActRow("joint-heating", _TRIP, MOVING, "STOP", _STOP_OFF),
    ActRow("joint-heating", _BOTH, _PARKED, "STOP", f"Key off and let it cool. {_FIRE}"),
    ActRow("insulation-low", _WARN, MOVING, "HOME", "Head back and park."),
    ActRow("insulation-low", _TRIP, MOVING, "STOP", _STOP_OFF),
    ActRow("insulation-low", _BOTH, _CHARGE, "OFF", f"{_OFF} Keep clear of the frame."),
    ActRow(
        "insulation-low",
        _BOTH,
        _REST,
        "STOP",
        "Key off and keep clear of the frame. Have a qualified person measure the insulation.",
    ),
    ActRow("auxiliary-voltage-low", _WARN, MOVING, "HOME", "Head back now."),
    ActRow("auxiliary-voltage-low", _TRIP, MOVING, "STOP", _STOP),
    ActRow("auxiliary-voltage-low", _BOTH, _PARKED, "", "Check the 12 V supply before you drive on."),
    ActRow("energy-left", _BOTH, MOVING, "HOME", "Turn back now."),
    ActRow("soc-low", _BOTH, MOVING, "HOME", "Turn back now."),
    ActRow("energy-left", _BOTH, _CHARGE, "", "Keep charging."),
    ActRow("soc-low", _BOTH, _CHARGE, "", "Keep charging."),
    ActRow("energy-left", _BOTH, _REST, "", "Charge the pack before you drive on."),
    ActRow("soc-low", _BOTH, _REST, "", "Charge the pack before you drive on."),
    ActRow("link", _BOTH, MOVING, "NO DATA", "Stop where it is safe."),
    ActRow("link", _BOTH, _CHARGE, "NO DATA", f"Stay with the charger, or {_THEN_OFF}"),
    ActRow("link", _BOTH, _REST, "NO DATA", "Check that it has power; it reconnects by itself."),
    ActRow("fault-code", _BOTH, MOVING, "SLOW", "Half throttle to the next stop."),
    ActRow("fault-code", _BOTH, _CHARGE, "", f"Stay with the charger, or {_THEN_OFF}"),
    ActRow("fault-code", _BOTH, _REST, "", "Find this fault in the device's manual before you drive on."),
    ActRow("source-frozen", _BOTH, MOVING, "NO DATA", "Stop where it is safe."),
    ActRow("source-frozen", _BOTH, _CHARGE, "NO DATA", f"Stay with the charger, or {_THEN_OFF}"),
    ActRow("source-frozen", _BOTH, _REST, "NO DATA", "Its values no longer change. Switch that device off and on."),
    ActRow("recording", _BOTH, MOVING, "NOT SAVED", "Drive on; free the disk at the next stop."),
    ActRow("recording", _BOTH, _PARKED, "NOT SAVED", "Check whether the disk is full, and make room."),
    ActRow("program-error", _BOTH, MOVING, "NO DATA", "Stop where it is safe."),
    ActRow("program-error", _BOTH, _CHARGE, "NO DATA", f"Stay with the charger, or {_THEN_OFF}"),
    ActRow("program-error", _BOTH, _REST, "NO DATA", "Start this program again, and report the error with its log."),
    ActRow("cell-resistance", _BOTH, MOVING, "SLOW", "Half throttle to the next stop."),
    ActRow(
        "cell-resistance", _BOTH, _PARKED, "", "Let it cool. The report says what to check, and how to do it safely."
    ),
    ActRow("cell-imbalance-top", _BOTH, MOVING, "", "Drive on, and let the pack balance at the next charge."),
    ActRow("cell-imbalance-top", _BOTH, _PARKED, "", "Leave the charger on after full, so that the BMS can balance."),
    ActRow("cell-*", _BOTH, MOVING, "", _NEXT_STOP),
    ActRow("cell-spread-top", _BOTH, _PARKED, "", "Leave the charger on after full, so that the BMS can balance."),
    ActRow("cell-*", _BOTH, _PARKED, "", "The report names the cell and its likely cause."),
    ActRow("resistance-up", _BOTH, MOVING, "", _NEXT_STOP),
    ActRow("resistance-up", _BOTH, _PARKED, "", "The report says what to check first."),
    ActRow("*", _BOTH, MOVING, "STOP", _STOP),
    ActRow("*", _BOTH, _PARKED, "", "Read the reason, and find the cause before you drive on."),
)
"""The first row that fits counts; the last two are for names that only a newer program knows."""

ALARM_NAMES: Mapping[str, str] = {
    "pack-voltage-low": "low pack voltage",
    "pack-voltage-high": "high pack voltage",
    "cell-voltage-low": "low cell voltage",
    "cell-voltage-high": "high cell voltage",
    "pack-temperature-high": "hot pack",
    "pack-temperature-low": "cold pack",
    "motor-temperature-high": "hot motor",
    "controller-temperature-high": "hot controller",
    "auxiliary-voltage-low": "low 12 V supply",
    "discharge-current": "high discharge current",
    "discharge-peak": "high peak discharge current",
    "charge-current": "high charge current",
    "charge-peak": "high peak charge current",
    "cell-spread": "wide cell voltage spread",
    "cell-spread-rest": "wide cell voltage spread at rest",
    "cell-spread-load": "wide cell voltage spread under load",
    "cell-spread-top": "wide cell voltage spread near full",
    "cell-imbalance-top": "cell imbalance near full",
    "cell-charge-low": "cell with little charge",
    "cell-resistance": "cell with high resistance",
    "charging-cold": "charging below freezing",
    "charging-cool": "fast charging of a cool pack",
    "charging-hot": "charging a hot pack",
    "charger-left-on": "charger left on",
    "soc-low": "low state of charge",
    "energy-left": "not enough energy for the work",
    "resistance-up": "risen pack resistance",
    "joint-heating": "heat between pack and controller",
    "insulation-low": "low insulation resistance",
    "discharge-disabled": "BMS trip, discharge disabled",
    "charge-disabled": "charge disabled by the BMS",
    "supply-lost": "power lost under throttle",
    "link": "link lost",
    "fault-code": "fault reported",
    "source-frozen": "frozen values",
    "recording": "values not saved",
    "program-error": "internal error",
}
"""What each alarm is called, by the limit's name."""

_PLACES: Mapping[str, str] = {
    "pack-temperature-high": "HOT PACK",
    "pack-temperature-low": "COLD PACK",
    "motor-temperature-high": "HOT MOTOR",
    "controller-temperature-high": "HOT CONTROLLER",
    "auxiliary-voltage-low": "12 V SUPPLY",
    "discharge-current": "CURRENT",
    "discharge-peak": "CURRENT",
    "charge-current": "CURRENT",
    "charge-peak": "CURRENT",
    "charging-cold": "COLD PACK",
    "charging-cool": "COLD PACK",
    "charging-hot": "HOT PACK",
    "charger-left-on": "CHARGER",
    "soc-low": "CHARGE",
    "energy-left": "ENERGY",
    "joint-heating": "HOT JOINT",
    "insulation-low": "INSULATION",
    "discharge-disabled": "BMS TRIP",
    "charge-disabled": "NO REGEN",
    "supply-lost": "POWER LOST",
    "fault-code": "FAULT",
    "recording": "DISK",
    "program-error": "THIS PROGRAM",
}


def act_for(
    limit: str,
    level: AlarmLevel,
    situation: Situation,
    signal: str = "",
    number: int | None = None,
    bound: float = math.nan,
    pack_link: bool = True,
) -> Act:
    """Return what to do about an alarm.

    Args:
        limit: the limit's name; one that this program does not know gets the cautious act.
        level: warn or trip.
        situation: what the machine is doing.
        signal: the signal judged, or the source that failed.
        number: the cell's number, where one is known.
        bound: of that level, in the signal's unit; the act says *the limit* where it is NaN.
        pack_link: of a source that failed: whether the pack's values came from it, so that nothing watches the pack.

    """
    row = next(
        r for r in ACT_TABLE if level in r.levels and situation in r.situations and fnmatchcase(limit, r.limit)
    )
    do = row.do.replace("{bound}", _amount(limit, signal, bound))
    do = do.replace("{deep}", _amount(limit, signal, bound - DEEP_BELOW_V))
    if limit in ("link", "source-frozen") and not pack_link and situation in (*MOVING, "charging"):
        do = "Drive on gently." if situation in MOVING else "Keep charging; the pack is still watched."
    return Act(row.word, _where(limit, situation, signal, number), do)


def act_of(change: AlarmChange, situation: Situation | None = None, pack_link: bool = True) -> Act:
    """Return what to do about an alarm as it changed; in another ``situation`` where one is given."""
    now = situation or change.situation
    return act_for(change.limit, change.level, now, change.signal, change.cell, change.bound, pack_link)


def alarm_name(limit: str) -> str:
    """Return what the alarm of that limit is called, in plain words."""
    return ALARM_NAMES.get(limit) or printable(limit.replace("-", " "), 30)


def _where(limit: str, situation: Situation, signal: str, number: int | None) -> str:
    number = number if number is not None else cell_number(signal)
    if number is not None:
        return f"CELL {number}"
    if limit in ("link", "source-frozen") and signal:
        return printable(signal, 14).upper()
    if limit == "charge-disabled" and situation not in MOVING:
        return "NO CHARGE"
    sensor = pack_temperature_number(signal)
    place = _PLACES.get(limit) or ("CELLS" if limit.startswith("cell-") else "PACK")
    return place if sensor is None else f"{place} {sensor}"


def _amount(limit: str, signal: str, bound: float) -> str:
    """Return a bound as an act names it: two decimals for a cell, one for a pack, none for amperes and degrees."""
    if not math.isfinite(bound):
        return "the limit"
    name = LIMIT_SIGNALS.get(limit, signal)
    known = find_signal(signal) or find_signal(name.replace("*", "1"))
    unit = known.unit if known is not None else ""
    decimals = 2 if name.startswith("cell_") else 1 if unit == "V" else 0
    # A charging current is negative, but nobody sets a charger to minus 40 A.
    shown = bound if unit == "degC" else abs(bound)
    return f"{shown:.{decimals}f} {'°C' if unit == 'degC' else unit}".rstrip()
