"""Whether the temperature limits of motor and controller are known: without them their alarms rest on guesses."""

from __future__ import annotations

from telemetry.machine.fit.findings import Finding, judged, unknown
from telemetry.machine.sections import Machine

_SOURCE = "the makers' sheets, defaults are common practice (see limits)"
_SENSORS = "A limit without a sensor protects nothing: read one on the motor's case and the controller's own."
_KEYS = ("motor_temperature_max_c", "controller_temperature_max_c")


def temperature_limits(machine: Machine) -> Finding | None:
    """Check that the temperature limits of motor and controller are stated, as advice; None for a pack on a bench."""
    if machine.bench:
        return None
    lacking = [("machine", key) for key in _KEYS if getattr(machine.vehicle, key) is None]
    if lacking:
        return unknown(*lacking, unit="°C", source=_SOURCE, note=_SENSORS)
    motor, controller = (getattr(machine.vehicle, key) for key in _KEYS)
    why = f"the motor may reach {motor:g} °C and the controller {controller:g} °C. {_SENSORS}"
    return judged("ok", why, _SOURCE, unit="°C")
