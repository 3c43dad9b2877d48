"""Standard Bluetooth characteristics that tell of a battery: from their bytes to quantities. Pure, no state.

Layouts, units and codes for "not known" are those of the Bluetooth SIG's *GATT Specification Supplement* and
*Assigned Numbers*; all numbers are little-endian. A quantity that the device says it does not know, or that is
beyond what the field can tell, is NaN. Bytes that the specification does not allow raise :class:`BadValue`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

BATTERY_SERVICE = 0x180F
BATTERY_LEVEL = 0x2A19
BATTERY_LEVEL_STATUS = 0x2BED
BATTERY_CRITICAL_STATUS = 0x2BE9
BATTERY_HEALTH_STATUS = 0x2BEA
BATTERY_HEALTH_INFORMATION = 0x2BEB
BATTERY_INFORMATION = 0x2BEC
BATTERY_TIME_STATUS = 0x2BEE
BATTERY_ENERGY_STATUS = 0x2BF0
VOLTAGE = 0x2B18
HIGH_VOLTAGE = 0x2BE0
ELECTRIC_CURRENT = 0x2AEE
TEMPERATURE = 0x2A6E
POWER = 0x2B05
ENERGY = 0x2AF2
ENERGY_32 = 0x2BA8

CHARGING = 1
DISCHARGING_ACTIVE = 2

NAN = math.nan
_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"


class BadValue(ValueError):
    """Bytes that the characteristic's layout does not allow; ``str`` is a short reason, fit to count by."""


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One standard characteristic.

    Attributes:
        number: the assigned 16-bit number.
        name: its name in the assigned numbers.
        decode: from its bytes to quantities by name, in the unit that the name or :mod:`.bluetooth_readings`
            states, NaN for not known; raises :class:`BadValue`.

    """

    number: int
    name: str
    decode: Callable[[bytes], dict[str, float]]


def full_uuid(number: int) -> str:
    """Return the 128-bit form of an assigned 16-bit number, in lower case."""
    return f"0000{number:04x}{_UUID_TAIL}"


def short_number(uuid: str) -> int | None:
    """Return the assigned 16-bit number that a 128-bit ``uuid`` stands for, or None for any other."""
    text = uuid.lower()
    if len(text) != 36 or not text.startswith("0000") or text[8:] != _UUID_TAIL:
        return None
    try:
        return int(text[4:8], 16)
    except ValueError:
        return None


def sfloat(raw: int) -> float:
    """Return the value of a 16-bit SFLOAT of IEEE 11073-20601 (``medfloat16``).

    The upper 4 bits are the exponent, the lower 12 the mantissa, **both two's complement**; the value is
    mantissa * 10 ** exponent. The mantissas 7FF (not a number), 800 (not at this resolution) and 801 (reserved) with
    exponent 0 give NaN, 7FE and 802 plus and minus infinity.

    Args:
        raw: 0 to FFFF.

    """
    if raw in (0x07FF, 0x0800, 0x0801):
        return NAN
    if raw == 0x07FE:
        return math.inf
    if raw == 0x0802:
        return -math.inf
    exponent = _signed(raw >> 12, 4)
    mantissa = _signed(raw & 0xFFF, 12)
    # dividing by a power of ten that is exact gives the nearest float; multiplying by 0.1 would not
    return float(mantissa * 10**exponent) if exponent >= 0 else mantissa / 10**-exponent


def _signed(raw: int, bits: int) -> int:
    return raw - (1 << bits) if raw >> (bits - 1) else raw


class _Fields:
    """Takes little-endian fields off the front of a value, and says when it is too short or too long."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def unsigned(self, octets: int) -> int:
        end = self._at + octets
        if end > len(self._data):
            raise BadValue("shorter than its layout")
        value = int.from_bytes(self._data[self._at : end], "little")
        self._at = end
        return value

    def signed(self, octets: int) -> int:
        return _signed(self.unsigned(octets), 8 * octets)

    def sfloat(self) -> float:
        value = sfloat(self.unsigned(2))
        return NAN if math.isinf(value) else value

    def end(self, reserved_flags: int = 0) -> None:
        """Say that nothing may follow, unless flags that a later edition gave a meaning announce more fields."""
        if self._at != len(self._data) and not reserved_flags:
            raise BadValue("longer than its layout")


def _whole(data: bytes, octets: int) -> int:
    fields = _Fields(data)
    value = fields.unsigned(octets)
    fields.end()
    return value


def _level(value: int) -> float:
    if value > 100:
        raise BadValue("level above 100 %")
    return float(value)


def _unless(value: int, *unknown: int, scale: float = 1.0) -> float:
    return NAN if value in unknown else value * scale


def _battery_level(data: bytes) -> dict[str, float]:
    return {"level": _level(_whole(data, 1))}


def _power_state(state: int) -> dict[str, float]:
    """The 16 bits of the power state; a source whose state is unknown (2) or reserved (3) is NaN."""
    charge_state = state >> 5 & 3
    charge_level = state >> 7 & 3
    return {
        "battery_present": float(state & 1),
        "wired_power": _unless(state >> 1 & 3, 2, 3),
        "wireless_power": _unless(state >> 3 & 3, 2, 3),
        "charge_state": _unless(charge_state, 0),
        "charge_level": _unless(charge_level, 0),
        "charge_type": float(state >> 9 & 7),
        "battery_fault": float(state >> 12 & 1),
        "external_power_fault": float(state >> 13 & 1),
        "other_fault": float(state >> 14 & 1),
    }


def _battery_level_status(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(1)
    found = _power_state(fields.unsigned(2))
    if flags & 1:
        fields.unsigned(2)  # the identifier of the battery within its service: no quantity
    if flags & 2:
        found["level"] = _level(fields.unsigned(1))
    if flags & 4:
        more = fields.unsigned(1)
        found["service_required"] = _unless(more & 3, 2, 3)
        found["battery_fault"] = max(found["battery_fault"], float(more >> 2 & 1))
    fields.end(flags & 0xF8)
    return found


def _battery_critical_status(data: bytes) -> dict[str, float]:
    flags = _whole(data, 1)
    return {"critical_power": float(flags & 1), "immediate_service_required": float(flags >> 1 & 1)}


def _small_temperature(value: int) -> float:
    """Degrees; 7F (above 126) and 80 (below -127) say only that the field cannot tell."""
    return _unless(value, 127, -128)


def _battery_health_status(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(1)
    found: dict[str, float] = {}
    if flags & 1:
        found["battery_health"] = _level(fields.unsigned(1))
    if flags & 2:
        found["charge_cycles"] = float(fields.unsigned(2))
    if flags & 4:
        raw = fields.signed(1)
        found["temperature"] = _small_temperature(raw)
        # a pack hotter than the field can tell must not look merely unknown
        found["temperature_beyond_field"] = {127: 1.0, -128: -1.0}.get(raw, 0.0)
    if flags & 8:
        found["deep_discharges"] = float(fields.unsigned(2))
    fields.end(flags & 0xF0)
    return found


def _battery_health_information(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(1)
    found: dict[str, float] = {}
    if flags & 1:
        found["design_cycles"] = float(fields.unsigned(2))
    if flags & 2:
        found["design_temperature_min"] = _small_temperature(fields.signed(1))
        found["design_temperature_max"] = _small_temperature(fields.signed(1))
    fields.end(flags & 0xFC)
    return found


def _battery_information(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(2)
    features = fields.unsigned(1)
    found = {"replaceable": float(features & 1), "rechargeable": float(features >> 1 & 1)}
    for bit, name in ((0, "made_day"), (1, "expires_day")):
        if flags >> bit & 1:
            found[name] = _unless(fields.unsigned(3), 0)
    for bit, name in ((2, "design_energy_kwh"), (3, "low_energy_kwh"), (4, "critical_energy_kwh")):
        if flags >> bit & 1:
            found[name] = fields.sfloat()
    if flags & 0x20:
        found["chemistry_code"] = _unless(fields.unsigned(1), 0)
    if flags & 0x40:
        found["nominal_voltage"] = fields.sfloat()
    if flags & 0x80:
        found["aggregation_group"] = float(fields.unsigned(1))
    fields.end(flags & 0xFF00)
    return found


def _minutes(value: int) -> float:
    return _unless(value, 0xFFFFFF, 0xFFFFFE)


def _battery_time_status(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(1)
    found = {"time_to_empty_min": _minutes(fields.unsigned(3))}
    if flags & 1:
        found["time_to_empty_standby_min"] = _minutes(fields.unsigned(3))
    if flags & 2:
        found["time_to_full_min"] = _minutes(fields.unsigned(3))
    fields.end(flags & 0xFC)
    return found


_ENERGY_FIELDS = (
    "external_power_w",
    "voltage",
    "available_energy_kwh",
    "full_charge_energy_kwh",
    "charge_rate_w",
    "energy_at_last_charge_kwh",
)


def _battery_energy_status(data: bytes) -> dict[str, float]:
    fields = _Fields(data)
    flags = fields.unsigned(1)
    found = {name: fields.sfloat() for bit, name in enumerate(_ENERGY_FIELDS) if flags >> bit & 1}
    fields.end(flags & 0xC0)
    return found


def _voltage(data: bytes) -> dict[str, float]:
    raw = _whole(data, 2)
    if 1022 * 64 < raw < 0xFFFF:
        raise BadValue("voltage above 1022 V")
    return {"voltage": _unless(raw, 0xFFFF, scale=1 / 64)}


def _high_voltage(data: bytes) -> dict[str, float]:
    return {"voltage": _unless(_whole(data, 3), 0xFFFFFF, scale=1 / 64)}


def _hundredths(raw: int, unknown: int) -> float:
    return NAN if raw == unknown else raw / 100


def _electric_current(data: bytes) -> dict[str, float]:
    return {"current": _hundredths(_whole(data, 2), 0xFFFF)}


def _temperature(data: bytes) -> dict[str, float]:
    raw = _signed(_whole(data, 2), 16)
    if -0x8000 < raw < -27315:
        raise BadValue("temperature below absolute zero")
    return {"temperature": _hundredths(raw, -0x8000)}


def _power(data: bytes) -> dict[str, float]:
    raw = _whole(data, 3)
    return {"power_w": NAN if raw in (0xFFFFFE, 0xFFFFFF) else raw / 10}


def _energy(data: bytes) -> dict[str, float]:
    return {"energy_kwh": _unless(_whole(data, 3), 0xFFFFFF)}


def _energy_32(data: bytes) -> dict[str, float]:
    return {"energy_wh": _unless(_whole(data, 4), 0xFFFFFFFF, 0xFFFFFFFE)}


_ALL = (
    Characteristic(BATTERY_LEVEL, "Battery Level", _battery_level),
    Characteristic(BATTERY_LEVEL_STATUS, "Battery Level Status", _battery_level_status),
    Characteristic(BATTERY_CRITICAL_STATUS, "Battery Critical Status", _battery_critical_status),
    Characteristic(BATTERY_HEALTH_STATUS, "Battery Health Status", _battery_health_status),
    Characteristic(BATTERY_HEALTH_INFORMATION, "Battery Health Information", _battery_health_information),
    Characteristic(BATTERY_INFORMATION, "Battery Information", _battery_information),
    Characteristic(BATTERY_TIME_STATUS, "Battery Time Status", _battery_time_status),
    Characteristic(BATTERY_ENERGY_STATUS, "Battery Energy Status", _battery_energy_status),
    Characteristic(VOLTAGE, "Voltage", _voltage),
    Characteristic(HIGH_VOLTAGE, "High Voltage", _high_voltage),
    Characteristic(ELECTRIC_CURRENT, "Electric Current", _electric_current),
    Characteristic(TEMPERATURE, "Temperature", _temperature),
    Characteristic(POWER, "Power", _power),
    Characteristic(ENERGY, "Energy", _energy),
    Characteristic(ENERGY_32, "Energy 32", _energy_32),
)
CHARACTERISTICS: Mapping[int, Characteristic] = {one.number: one for one in _ALL}
"""The characteristics understood, by their assigned number."""
