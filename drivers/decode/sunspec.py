"""SunSpec battery models 802, 803 and 804: found by their marker, decoded with scale factors. Pure.

Source of the layouts: the models as the SunSpec Alliance publishes them (JSON, Apache 2.0 licence); points bear the
models' own names. A device holds the marker "SunS" at register 40000, 50000 or 0, behind it one model after the
other, each with its number and its length, and at the end the number FFFF.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean

from telemetry.model.signals import EXTRA_PREFIX

MARKER = (0x5375, 0x6E53)
"""The letters SunS."""
BASES = (40000, 50000, 0)
"""Registers where the marker may stand, in the order in which they are tried."""
END = 0xFFFF
MOST_MODELS = 200
"""Far more than any device has; keeps a device that answers anything from being read for ever."""
WIDTHS = {"u16": 1, "s16": 1, "e16": 1, "sf": 1, "u32": 2, "b32": 2}
"""Registers of each type."""
MISSING = {"u16": 0xFFFF, "s16": 0x8000, "e16": 0xFFFF, "sf": 0x8000, "u32": 0xFFFFFFFF, "b32": 0xFFFFFFFF}
"""What stands for "not implemented", by type; the same document."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a model.

    Attributes:
        name: as the model has it.
        place: registers from the start of the model, or of the part that is repeated.
        type: ``u16``, ``s16``, ``u32``; ``e16`` a number of a list; ``b32`` bits; ``sf`` a scale factor.
        scale: name of the scale factor; empty where there is none.

    """

    name: str
    place: int
    type: str
    scale: str


@dataclass(frozen=True, slots=True)
class Layout:
    """How a model is laid out: a fixed part, and behind it a part that is repeated."""

    fixed: tuple[Point, ...]
    fixed_width: int
    repeated: tuple[Point, ...]
    repeated_width: int


def _points(text: str) -> tuple[tuple[Point, ...], int]:
    """Return the points of a table (``-`` is a register of padding) and the registers that they take."""
    found, place = [], 0
    for word in text.split():
        if word == "-":
            place += 1
            continue
        name, kind, scale = (*word.split(":"), "")[:3]
        found.append(Point(name, place, kind, scale))
        place += WIDTHS[kind]
    return tuple(found), place


_BATTERY = """
    ID:u16 L:u16 AHRtg:u16:AHRtg_SF WHRtg:u16:WHRtg_SF WChaRteMax:u16:WChaDisChaMax_SF
    WDisChaRteMax:u16:WChaDisChaMax_SF DisChaRte:u16:DisChaRte_SF SoCMax:u16:SoC_SF SoCMin:u16:SoC_SF
    SocRsvMax:u16:SoC_SF SoCRsvMin:u16:SoC_SF SoC:u16:SoC_SF DoD:u16:DoD_SF SoH:u16:SoH_SF NCyc:u32 ChaSt:e16
    LocRemCtl:e16 Hb:u16 CtrlHb:u16 AlmRst:u16 Typ:e16 State:e16 StateVnd:e16 WarrDt:u32 Evt1:b32 Evt2:b32
    EvtVnd1:b32 EvtVnd2:b32 V:u16:V_SF VMax:u16:V_SF VMin:u16:V_SF CellVMax:u16:CellV_SF CellVMaxStr:u16
    CellVMaxMod:u16 CellVMin:u16:CellV_SF CellVMinStr:u16 CellVMinMod:u16 CellVAvg:u16:CellV_SF A:s16:A_SF
    AChaMax:u16:AMax_SF ADisChaMax:u16:AMax_SF W:s16:W_SF ReqInvState:e16 ReqW:s16:W_SF SetOp:e16
    SetInvState:e16 AHRtg_SF:sf WHRtg_SF:sf WChaDisChaMax_SF:sf DisChaRte_SF:sf SoC_SF:sf DoD_SF:sf SoH_SF:sf
    V_SF:sf CellV_SF:sf A_SF:sf AMax_SF:sf W_SF:sf
"""
_BANK = """
    ID:u16 L:u16 NStr:u16 NStrCon:u16 ModTmpMax:s16:ModTmp_SF ModTmpMaxStr:u16 ModTmpMaxMod:u16
    ModTmpMin:s16:ModTmp_SF ModTmpMinStr:u16 ModTmpMinMod:u16 ModTmpAvg:s16:ModTmp_SF StrVMax:u16:V_SF
    StrVMaxStr:u16 StrVMin:u16:V_SF StrVMinStr:u16 StrVAvg:u16:V_SF StrAMax:s16:A_SF StrAMaxStr:u16
    StrAMin:s16:A_SF StrAMinStr:u16 StrAAvg:s16:A_SF NCellBal:u16 CellV_SF:sf ModTmp_SF:sf A_SF:sf SoH_SF:sf
    SoC_SF:sf V_SF:sf
"""
_BANK_STRING = """
    StrNMod:u16 StrSt:b32 StrConFail:e16 StrSoC:u16:SoC_SF StrSoH:u16:SoH_SF StrA:s16:A_SF
    StrCellVMax:u16:CellV_SF StrCellVMaxMod:u16 StrCellVMin:u16:CellV_SF StrCellVMinMod:u16
    StrCellVAvg:u16:CellV_SF StrModTmpMax:s16:ModTmp_SF StrModTmpMaxMod:u16 StrModTmpMin:s16:ModTmp_SF
    StrModTmpMinMod:u16 StrModTmpAvg:s16:ModTmp_SF StrDisRsn:e16 StrConSt:b32 StrEvt1:b32 StrEvt2:b32
    StrEvtVnd1:b32 StrEvtVnd2:b32 StrSetEna:e16 StrSetCon:e16 - -
"""
_STRING = """
    ID:u16 L:u16 Idx:u16 NMod:u16 St:b32 ConFail:e16 NCellBal:u16 SoC:u16:SoC_SF DoD:u16:DoD_SF NCyc:u32
    SoH:u16:SoH_SF A:s16:A_SF V:u16:V_SF CellVMax:u16:CellV_SF CellVMaxMod:u16 CellVMin:u16:CellV_SF
    CellVMinMod:u16 CellVAvg:u16:CellV_SF ModTmpMax:s16:ModTmp_SF ModTmpMaxMod:u16 ModTmpMin:s16:ModTmp_SF
    ModTmpMinMod:u16 ModTmpAvg:s16:ModTmp_SF - ConSt:b32 Evt1:b32 Evt2:b32 EvtVnd1:b32 EvtVnd2:b32 SetEna:e16
    SetCon:e16 SoC_SF:sf SoH_SF:sf DoD_SF:sf A_SF:sf V_SF:sf CellV_SF:sf ModTmp_SF:sf - - -
"""
_STRING_MODULE = """
    ModNCell:u16 ModSoC:u16:SoC_SF ModSoH:u16:SoH_SF ModCellVMax:u16:CellV_SF ModCellVMaxCell:u16
    ModCellVMin:u16:CellV_SF ModCellVMinCell:u16 ModCellVAvg:u16:CellV_SF ModCellTmpMax:s16:ModTmp_SF
    ModCellTmpMaxCell:u16 ModCellTmpMin:s16:ModTmp_SF ModCellTmpMinCell:u16 ModCellTmpAvg:s16:ModTmp_SF - - -
"""

LAYOUTS = {
    number: Layout(*_points(fixed), *_points(repeated))
    for number, fixed, repeated in (
        (802, _BATTERY, ""),
        (803, _BANK, _BANK_STRING),
        (804, _STRING, _STRING_MODULE),
    )
}


@dataclass(frozen=True, slots=True)
class Model:
    """Where a model stands in a device.

    Attributes:
        number: 802, 803, 804, or one that is not for us.
        address: of its first register, which holds its number.
        length: registers behind number and length.

    """

    number: int
    address: int
    length: int

    @property
    def repeats(self) -> int:
        """How many times the repeated part is there."""
        layout = LAYOUTS[self.number]
        if not layout.repeated_width:
            return 0
        return max(0, self.length + 2 - layout.fixed_width) // layout.repeated_width

    def parts(self) -> list[tuple[int, int]]:
        """Return first register and count of each part that is to be read whole."""
        layout = LAYOUTS[self.number]
        behind = self.address + layout.fixed_width
        width = layout.repeated_width
        return [(self.address, layout.fixed_width), *((behind + n * width, width) for n in range(self.repeats))]

    @property
    def is_whole(self) -> bool:
        """Whether it is as long as its number says at the least."""
        return self.number in LAYOUTS and self.length + 2 >= LAYOUTS[self.number].fixed_width


@dataclass(frozen=True, slots=True)
class Values:
    """A model's values: of the fixed part, and of each repeat, by the points' names; NaN where not implemented."""

    model: Model
    fixed: dict[str, float]
    repeated: tuple[dict[str, float], ...]


def decoded(model: Model, registers: Sequence[int]) -> Values:
    """Return the values of a model from its registers, number and length included: raw * 10 ** scale factor.

    A scale factor that is not implemented counts as none, as the SunSpec Alliance's own decoder has it; one out of
    its range, -10 to 10, leaves the value unknown.
    """
    layout = LAYOUTS[model.number]
    factors = {point.name: _raw(point, registers) for point in layout.fixed if point.type == "sf"}
    fixed = _scaled(layout.fixed, registers, factors)
    width, start = layout.repeated_width, layout.fixed_width
    repeats = range(min(model.repeats, (len(registers) - start) // width)) if width else ()
    return Values(
        model,
        fixed,
        tuple(
            _scaled(layout.repeated, registers[start + n * width : start + (n + 1) * width], factors) for n in repeats
        ),
    )


def not_read(model: Model) -> Values:
    """Return a model's values where it could not be read: all unknown."""
    layout = LAYOUTS[model.number]
    return Values(
        model,
        {point.name: math.nan for point in layout.fixed},
        tuple({point.name: math.nan for point in layout.repeated} for _ in range(model.repeats)),
    )


def _raw(point: Point, registers: Sequence[int]) -> int | None:
    """Return the number as it stands, signed where the type is; None where not implemented."""
    raw = 0
    for word in registers[point.place : point.place + WIDTHS[point.type]]:
        raw = raw << 16 | word
    if raw == MISSING[point.type]:
        return None
    return raw - 0x10000 if point.type in ("s16", "sf") and raw >= 0x8000 else raw


def _scaled(points: Iterable[Point], registers: Sequence[int], factors: dict[str, int | None]) -> dict[str, float]:
    values = {}
    for point in points:
        raw = _raw(point, registers)
        exponent = (factors[point.scale] or 0) if point.scale else 0
        if raw is None or not -10 <= exponent <= 10:
            values[point.name] = math.nan
        else:
            values[point.name] = float(raw * 10**exponent) if exponent >= 0 else raw / 10**-exponent
    return values


_OF_BATTERY = {
    "V": "pack_voltage",
    "A": "pack_current",
    "SoC": "soc_reported",
    "CellVMin": "cell_min_voltage",
    "CellVMax": "cell_max_voltage",
    "SoH": "extra_state_of_health",
    "NCyc": "extra_cycles",
    "ChaSt": "extra_charge_status",
    "State": "extra_state",
    "Evt1": "extra_events",
    "AChaMax": "extra_charge_current_limit",
    "ADisChaMax": "extra_discharge_current_limit",
}
_OF_STRING = {
    "A": "current",
    "V": "voltage",
    "SoC": "soc",
    "CellVMin": "cell_min_voltage",
    "CellVMax": "cell_max_voltage",
    "ModTmpMax": "temperature_max",
    "ModTmpMin": "temperature_min",
    "Evt1": "events",
    "ConFail": "contactor_failure",
}
_HOTTEST, _COLDEST = "pack_temperature_1", "pack_temperature_2"


def signals_of(models: Sequence[Values]) -> dict[str, float]:
    """Return what the models say of the pack, by signal, always the same signals for the same models.

    The battery's own model (802) goes first. What it lacks comes from the bank's (803) and the strings' (804):
    strings are in parallel, so their currents add up, the mean of their states of charge is the pack's, and so is
    the lowest of their lowest cells. The hottest module is pack temperature 1, the coldest pack temperature 2. Of a
    device with several batteries the first is the pack; what the others say is carried as ``extra_battery_N_...``,
    their banks' strings are numbered on.
    """
    found: dict[str, float] = {}
    for number, battery in enumerate((each for each in models if each.model.number == 802), 1):
        for name, signal in _OF_BATTERY.items():
            own = signal if number == 1 else f"{EXTRA_PREFIX}battery_{number}_{signal.removeprefix(EXTRA_PREFIX)}"
            _fill(found, own, battery.fixed[name])
    banks = [each for each in models if each.model.number == 803]
    for place, bank in enumerate(banks):
        _fill_from_bank(found, bank, sum(len(each.repeated) for each in banks[:place]), is_pack=place == 0)
    strings = [each for each in models if each.model.number == 804]
    if len(strings) == 1:  # of several, some may be switched off and stand at another voltage
        _fill(found, "pack_voltage", strings[0].fixed["V"])
    _fill_joined(found, [each.fixed for each in strings], prefix="")
    for number, string in enumerate(strings, start=1):
        _fill_string(found, number, string.fixed, prefix="")
        for place, module in enumerate(string.repeated, start=1):
            for name, word in (("ModCellVMin", "cell_min_voltage"), ("ModCellVMax", "cell_max_voltage")):
                found[f"extra_string_{number}_module_{place}_{word}"] = module[name]
    return found


def _fill_from_bank(found: dict[str, float], bank: Values, before: int, is_pack: bool) -> None:
    if is_pack:
        _fill(found, _HOTTEST, bank.fixed["ModTmpMax"])
        _fill(found, _COLDEST, bank.fixed["ModTmpMin"])
        all_in = bank.fixed["NStr"] == bank.fixed["NStrCon"]  # else the mean takes in strings that are switched off
        _fill(found, "pack_voltage", bank.fixed["StrVAvg"] if all_in else math.nan)
        _fill_joined(found, bank.repeated, prefix="Str")
    for number, values in enumerate(bank.repeated, start=before + 1):
        _fill_string(found, number, values, prefix="Str")


def _fill_string(found: dict[str, float], number: int, values: dict[str, float], prefix: str) -> None:
    for name, word in _OF_STRING.items():
        if prefix + name in values:
            _fill(found, f"extra_string_{number}_{word}", values[prefix + name])


def _fill_joined(found: dict[str, float], strings: Sequence[dict[str, float]], prefix: str) -> None:
    """Fill in what strings in parallel say of the pack together."""
    ways: tuple[tuple[str, str, Callable[[Sequence[float]], float]], ...] = (
        ("pack_current", "A", sum),
        ("soc_reported", "SoC", fmean),
        ("cell_min_voltage", "CellVMin", min),
        ("cell_max_voltage", "CellVMax", max),
        (_HOTTEST, "ModTmpMax", max),
        (_COLDEST, "ModTmpMin", min),
    )
    for signal, name, join in ways:
        if strings:
            _fill(found, signal, _together([string[prefix + name] for string in strings], join))


def _together(values: Sequence[float], join: Callable[[Sequence[float]], float]) -> float:
    """Return the values joined; unknown where one of them is: a lowest of some is not the lowest."""
    return math.nan if any(map(math.isnan, values)) else join(values)


def _fill(found: dict[str, float], signal: str, value: float) -> None:
    if math.isnan(found.get(signal, math.nan)):
        found[signal] = value
