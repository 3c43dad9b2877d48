"""Which signal a column's name means, in the words that loggers and people use for them.

A unit must agree with the signal's; without one the name alone decides. The words are common practice, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from telemetry.model.signals import cell_name, find_signal
from telemetry.recordings.foreign.column_units import Conversion, conversion_of, parted

_PARTS = re.compile(r"[A-Z]+(?![^\W\d_A-Z])|[A-Z]?[^\W\d_A-Z]+|\d+")
_COMPOUND = re.compile(r"(?<=[a-z])(spannung|strom|temperatur|drehzahl)", re.IGNORECASE)
"""The last part of German compounds, such as Akkuspannung."""


@dataclass(frozen=True)
class Meaning:
    """What a column's name says.

    Attributes:
        signal: the signal's name; empty where none is meant.
        stated: the unit that name or units row states.
        words: the name in plain small words, without its unit.

    """

    signal: str
    stated: Conversion | None
    words: str


@dataclass(frozen=True)
class _Rule:
    signal: str
    unit: str
    words: re.Pattern[str]
    but_not: re.Pattern[str] | None = None


def _rule(signal: str, unit: str, words: str, but_not: str = "") -> _Rule:
    """Return a rule; in ``words`` and ``but_not`` a blank parts words, ``a+b`` wants both, in either order."""
    return _Rule(signal, unit, _pattern(words), _pattern(but_not) if but_not else None)


def _pattern(words: str) -> re.Pattern[str]:
    both = [word.split("+") for word in words.split() if "+" in word]
    alone = [word.replace("_", " ") for word in words.split() if "+" not in word]
    ways = [rf"\b(?:{'|'.join(alone)})\b"] if alone else []
    ways += [rf"\b(?:{a})\b.*\b(?:{b})\b|\b(?:{b})\b.*\b(?:{a})\b" for a, b in both]
    return re.compile("|".join(ways))


_OTHER = re.compile(
    r"\b(?:power|leistung|energy|energie|w|wh|k wh|ah|m ah|capacity|kapazität|remaining|resistance|cycles?|status"
    r"|state|health|soh|id|name|number|serial|index|count|code|error|fault|mode|gear|step|lap|time|runtime|humidity"
    r"|pressure|light|height)\b"
)
"""Other quantities, and what is none: beside the words of a rule one of these means that the column is that."""
_SET = "limit max maximum allowed set setpoint target request req avg average peak min minimum rated nominal "
_BATTERY = "battery pack batt bat akku"
_WARM = "temp temperature temperatur temperatura température t"
_HEAT = _WARM.replace(" ", "|")
_CELLS = "cell|cells|zelle|zellen|zell"
_AMPS = "current|amps|amp|ampere|strom|i"
_RULES = (
    _rule("cell_min_voltage", "V", f"{_CELLS}+min|minimum|lowest|low", "no " + _WARM),
    _rule("cell_max_voltage", "V", f"{_CELLS}+max|maximum|highest|high", "no " + _WARM),
    _rule(
        "soc_reported",
        "%",
        "soc so_c state_of_charge ladezustand füllstand charge+level|state battery+level|percent|charge",
        _SET,
    ),
    _rule("latitude", "deg", "lat latitude"),
    _rule("longitude", "deg", "lon lng long longitude"),
    _rule("motor_speed", "rpm", "rpm motor|shaft|rotor+speed|revs drehzahl", _SET),
    _rule(
        "vehicle_speed",
        "km/h",
        "speed velocity groundspeed geschwindigkeit vitesse velocidad",
        _SET + "motor shaft rotor fan wind",
    ),
    _rule("motor_temperature", "degC", f"motor|mot+{_HEAT}"),
    _rule("controller_temperature", "degC", f"controller|inverter|esc+{_HEAT}"),
    _rule("ambient_temperature", "degC", "ambient air outside outdoor environment"),
    _rule("motor_current", "A", f"motor|phase+{_AMPS}", _SET),
    _rule(
        "pack_current",
        "A",
        "current amps amp ampere amperes amperage strom stroom courant corriente corrente i ibat ibatt ipack shunt",
        _SET + "motor phase charger cell solar deck blade " + _WARM,
    ),
    _rule("throttle_voltage", "V", "throttle pedal accelerator potentiometer pot"),
    _rule("controller_voltage", "V", "controller inverter esc dc_link dc_bus bus", "temp temperature current amps"),
    _rule("auxiliary_voltage", "V", "aux auxiliary accessory lamp 12_v"),
    _rule(
        "pack_voltage",
        "V",
        "voltage volts volt spannung spanning tension voltaje u v ubat ubatt upack vbat vbatt vpack " + _BATTERY,
        _SET
        + "cell cells zelle zellen zell motor charger solar delta diff difference spread current amps soc "
        + _WARM,
    ),
    _rule("pack_current", "A", _BATTERY, _SET + _WARM),
    _rule(
        "charger_input_power",
        "W",
        "charger|wall|mains|grid|ac+power|watts|watt|leistung|input",
        _SET + "current amps voltage volts " + _WARM,
    ),
    _rule("implement_engaged", "", "deck blade blades implement pto", "current amps speed rpm voltage " + _WARM),
)
_VOLTS = "voltage|voltages|volts|volt|spannung|v|u"
_A_CELL = "cell|zelle|zell|vc|uc|cv|cellv|vcell|ucell"
_CELL = re.compile(rf"(?:.*\b)?(?:{_A_CELL})(?: (?:{_VOLTS}|no|nr))? 0*(\d{{1,3}})(?: (?:{_VOLTS}))?")
_SHORT_CELL = re.compile(r"(?:c|v|u|b) 0*(\d{1,3})")
_TEMPERATURE = re.compile(rf"\b(?:{_HEAT}|ntc|probe|thermistor)\b")
_OF_PACK = re.compile(r"\b(?:battery|pack|batt|bat|akku|cell|cells|zelle|bms)\b")
_OF_OTHERS = re.compile(r"\b(?:mosfet|fet|mos|sensor|shunt|charger|cpu|board|heatsink|coolant|water|oil)\b")
_PLACE = re.compile(r"\b0*(\d{1,2})\b")


def meaning_of(name: str, unit_row: str = "") -> Meaning:
    """Return what a column called ``name`` is; a row of units outranks the name."""
    plain, stated = (name, conversion_of(name)) if conversion_of(name) else parted(name)
    stated = conversion_of(unit_row) or stated
    own = re.sub(r"\W+", "_", name.strip().lower()).strip("_")
    words = " ".join(_PARTS.findall(_COMPOUND.sub(r" \1", plain))).lower()
    for candidate in (own, words.replace(" ", "_")):
        signal = find_signal(candidate)
        if signal is not None and not signal.is_derived and not candidate.startswith("extra_"):
            return Meaning(signal.name, stated, words)
    return Meaning(_signal(words, stated), stated, words)


def _signal(words: str, stated: Conversion | None) -> str:
    if (cell := _CELL.fullmatch(words)) and _agrees(stated, "V"):
        return cell_name(int(cell[1])) if int(cell[1]) else "cell_0"
    said = f"{words} {_SPOKEN.get(stated.unit, '')}".strip() if stated else words
    for rule in _RULES:
        if not _agrees(stated, rule.unit) or (rule.but_not and rule.but_not.search(words)):
            continue
        if stated is None and _OTHER.search(rule.words.sub("", words)):
            continue
        if rule.words.search(said) or (stated is not None and _alone(words) and rule.signal in _OF_UNIT):
            return rule.signal
    is_warm = _TEMPERATURE.search(words) or (stated is not None and _OF_PACK.search(words))
    if is_warm and _agrees(stated, "degC") and not _OF_OTHERS.search(words):
        place = _PLACE.search(words)
        return f"pack_temperature_{int(place[1] if place else 1) or 1}"
    return ""


def short_cell(words: str) -> int | None:
    """Return 7 for a column called ``C7`` or ``V07``, which is a cell only where its values say so."""
    match = _SHORT_CELL.fullmatch(words)
    return int(match[1]) if match else None


def _agrees(stated: Conversion | None, unit: str) -> bool:
    return stated is None or stated.unit == unit


_SPOKEN = {"rpm": "rpm", "%": "percent", "degC": "temp", "W": "power", "km/h": "speed"}
"""Units that say what is measured: a word of the name like any other."""
_OF_UNIT = ("pack_voltage", "pack_current", "soc_reported", "vehicle_speed", "motor_speed")
"""What a column is whose name is its unit and nothing else."""


def _alone(words: str) -> bool:
    return conversion_of(words.replace(" ", "")) is not None or not words
