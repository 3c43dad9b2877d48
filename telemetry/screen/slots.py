"""The four smaller figures at the right: speed, power, charge, and the part that is nearest to being too hot."""

from __future__ import annotations

from telemetry.analysis.ranges import Z90
from telemetry.model.signals import pack_temperature_number
from telemetry.screen.formats import Places, age_text
from telemetry.screen.lanes import is_small
from telemetry.screen.parts import Slot
from telemetry.screen.scene import Scene

_COLD_C = 10.0
_SURE = 25.0
"""Per cent to either side above which an estimate of charge says too little to be shown."""
_HOT = {
    "MOTOR": ("motor-temperature-high", "motor_temperature"),
    "CONTROLLER": ("controller-temperature-high", "controller_temperature"),
}
_POWER = Places(True, 2, 1, 1000.0)
_REST_POWER = Places(True, 1, 2, 1000.0)
_SMALL_POWER = Places(True, 3, 0)


def slots_of(scene: Scene) -> tuple[Slot, Slot, Slot, Slot]:
    """Return the four at this moment, from the top."""
    charging = scene.phase == "CHARGING"
    return (_full_in(scene) if charging else _speed(scene), _power(scene), _charge(scene), _temperature(scene))


def _unknown(scene: Scene, signal: str) -> str:
    reading = scene.snapshot.reading(signal)
    return "not sent" if reading is None else f"{age_text(reading.age_s(scene.now))} old"


def _figure(scene: Scene, signal: str, places: Places, note: str) -> tuple[str, str]:
    """Return the digits and the note of a signal; the note says how old it is where it is not fresh."""
    value = scene.settled.digits(scene.snapshot, signal, scene.now)
    return places.text(value), note if value is not None else _unknown(scene, signal)


def _speed(scene: Scene) -> Slot:
    units, places = scene.units, Places(False, 2, 1)
    value = scene.settled.digits(scene.snapshot, "vehicle_speed", scene.now)
    if value is None:
        return Slot("SPEED", units.speed, places.text(None), _unknown(scene, "vehicle_speed"))
    low, high = scene.snapshot.extremes.get("vehicle_speed", (value, value))
    most = f"{units.speed_of(max(abs(low), abs(high))):.1f} at most"
    return Slot("SPEED", units.speed, places.text(units.speed_of(abs(value))), most)


def _full_in(scene: Scene) -> Slot:
    left = scene.snapshot.minutes_to_full(scene.now)
    if left is None:
        return Slot("FULL IN", "h:min", Places(False, 1, 0).text(None), "not known yet", "FULL IN")
    if left >= 600:
        return Slot("FULL IN", "h:min", Places(False, 1, 0).text(None), "over 10 h", "FULL IN")
    return Slot("FULL IN", "h:min", f"{left // 60:.0f}:{left % 60:02.0f}", "at this rate", "FULL IN")


def _power(scene: Scene) -> Slot:
    snapshot = scene.snapshot
    value = scene.settled.digits(snapshot, "pack_power", scene.now)
    unit, places = ("W", _SMALL_POWER) if is_small(scene) else ("kW", _POWER)
    if scene.phase == "AT REST" and unit == "kW":
        places = _REST_POWER
    if value is None:
        return Slot("POWER", unit, places.text(None), _unknown(scene, "pack_power"))
    if scene.phase == "CHARGING":
        wall = snapshot.fresh("charger_input_power", scene.now)
        note = "" if wall is None else f"wall {abs(wall) / places.divisor:.1f}"
        return Slot("POWER IN", unit, places.text(-value), note, "POWER")
    braking = snapshot.situation == "braking" and value < 0
    if scene.rest is not None and (draws := scene.rest.draws_text()):
        return Slot("POWER", unit, places.text(value), draws)
    highest = snapshot.peak_power
    peak = "" if highest is None or highest <= 0 else f"peak {places.text(highest)}"
    return Slot("POWER", unit, places.text(value), "braking gives" if braking else peak)


def _charge(scene: Scene) -> Slot:
    snapshot, now = scene.snapshot, scene.now
    estimate, doubt = (snapshot.fresh(name, now) for name in ("soc_estimated", "soc_uncertainty"))
    surer = scene.settled.made_surer(doubt if scene.phase == "AT REST" else None)
    if estimate is not None and doubt is not None and Z90 * doubt <= _SURE:
        digits, unit = Places(False, 3, 0).text(min(max(estimate, 0.0), 100.0)), f"% ±{Z90 * doubt:.0f}"
        return Slot("CHARGE", unit, digits, "from resting V" if surer else _charge_note(scene))
    digits, note = _figure(scene, "soc_reported", Places(False, 3, 0), _charge_note(scene) or "by the BMS")
    if snapshot.reading("soc_reported") is None:
        note = "needs a rest" if estimate is not None else "not sent"
    return Slot("CHARGE", "% BMS" if snapshot.reading("soc_reported") is not None else "%", digits, note)


def _charge_note(scene: Scene) -> str:
    """Return what the charge is good for; while charging what came in."""
    snapshot, now = scene.snapshot, scene.now
    if scene.phase == "CHARGING":
        taken = snapshot.fresh("charge_in", now)
        return "" if taken is None else f"+{taken:.1f} Ah"
    if snapshot.no_discharge:
        return ""
    area, least = (snapshot.fresh(name, now) for name in ("hectares_left", "minutes_left_low"))
    if scene.phase == "WORKING" and area is not None:
        return f"{scene.units.area_of(area):.2f} {scene.units.area} left"
    if least is None or (scene.phase == "AT REST" and least < 2):
        return ""  # there is nothing to turn back from
    return f"turn in {least / 2:.0f} min"


def pack_temperatures(scene: Scene) -> list[float]:
    """Return the fresh readings of the pack's temperature sensors, degC; empty where none is known."""
    names = (name for name in scene.snapshot.readings if pack_temperature_number(name) is not None)
    return [value for name in names if (value := scene.snapshot.fresh(name, scene.now)) is not None]


def _temperature(scene: Scene) -> Slot:
    """Return the part nearest to its limit; while charging the coldest sensor of the pack if it is below 10 °C."""
    snapshot, now, sensors = scene.snapshot, scene.now, pack_temperatures(scene)
    if scene.phase == "CHARGING" and sensors and min(sensors) < _COLD_C:
        return _degrees(scene, "COLDEST", min(sensors), None)
    parts: dict[str, tuple[float, float | None]] = {}
    for word, (limit, signal) in _HOT.items():
        if (value := snapshot.fresh(signal, now)) is not None:
            parts[word] = value, _trip(scene, limit)
    if sensors:
        parts["PACK"] = max(sensors), _trip(scene, "pack-temperature-high")
    if not parts:
        known = [r for name, r in snapshot.readings.items() if "_temperature" in name]
        note = "not sent" if not known else f"{age_text(min(r.age_s(now) for r in known))} old"
        return Slot("HOTTEST", scene.units.temperature, Places(True, 2, 0).text(None), note)
    wanted = min(parts, key=lambda word: (parts[word][1] or 999.0) - parts[word][0])
    word = scene.settled.hottest(now, wanted)
    word = word if word in parts else wanted
    return _degrees(scene, "HOTTEST" if scene.phase == "CHARGING" and word == "PACK" else word, *parts[word])


def _degrees(scene: Scene, word: str, value: float, limit: float | None) -> Slot:
    units = scene.units
    note = "" if limit is None else f"limit {units.temperature_of(limit):.0f}"
    return Slot(word, units.temperature, Places(True, 3, 0).text(units.temperature_of(value)), note, word[:7])


def _trip(scene: Scene, name: str) -> float | None:
    limit = scene.snapshot.limits.get(name)
    return None if limit is None else limit.trip if limit.trip is not None else limit.warn
