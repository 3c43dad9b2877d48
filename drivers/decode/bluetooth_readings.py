"""From the standard characteristics of one device to batches of signals. Pure.

Each characteristic is a group of its own, since each arrives by itself. What a device tells twice is not mixed: the
first of these that it has gives our signal, and the others are carried beside it as extras:

* ``soc_reported``: Battery Level, Battery Level Status;
* ``pack_voltage``: Voltage, High Voltage, the voltage of Battery Energy Status.

Every temperature is a sensor of its own, ``pack_temperature_1`` and on. Electric Current has no direction on the
wire: ``pack_current`` is given only while Battery Level Status says which way charge flows.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from telemetry.model.batch import Batch, Group
from telemetry.model.signals import extra_name

from . import bluetooth_characteristics as standard
from .bluetooth_characteristics import CHARACTERISTICS, BadValue, Characteristic

_PREFERRED = {
    "level": ("soc_reported", (standard.BATTERY_LEVEL, standard.BATTERY_LEVEL_STATUS)),
    "voltage": ("pack_voltage", (standard.VOLTAGE, standard.HIGH_VOLTAGE, standard.BATTERY_ENERGY_STATUS)),
}
_SENSORS = (standard.TEMPERATURE, standard.BATTERY_HEALTH_STATUS)


@dataclass(slots=True)
class ReadingFigures:
    """What came so far.

    Attributes:
        values: characteristic values understood.
        bad: characteristic values that their layout does not allow, by characteristic and reason.

    """

    values: int = 0
    bad: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class _Place:
    """One characteristic of the device: what it is, its group so far, and the signal of each quantity."""

    characteristic: Characteristic
    group: Group
    suffix: str
    signals: dict[str, str]


class StandardReadings:
    """Decodes the values of one device's standard characteristics.

    Args:
        source: the source's name, for the groups.
        present: the assigned number of each characteristic, by the handle that tells it from others of the device;
            in the device's order. Numbers that are not understood are left out.
        state_holds_us: how long a direction told by Battery Level Status is taken to hold, microseconds.

    Attributes:
        figures: what came so far.

    """

    def __init__(self, source: str, present: Mapping[int, int], state_holds_us: int) -> None:
        self.figures = ReadingFigures()
        self._state_holds_us = state_holds_us
        self._state: tuple[float, int] | None = None
        self._places: dict[int, _Place] = {}
        seen: Counter[int] = Counter()
        for handle, number in present.items():
            characteristic = CHARACTERISTICS.get(number)
            if characteristic is None:
                continue
            seen[number] += 1
            suffix = "" if seen[number] == 1 else f"_{seen[number]}"
            name = characteristic.name.lower().replace(" ", "_") + suffix
            self._places[handle] = _Place(characteristic, Group(source, name, ()), suffix, {})
        self._give_signals()

    @property
    def handles(self) -> tuple[int, ...]:
        """The handles of the characteristics understood."""
        return tuple(self._places)

    def _ordered(self, numbers: Sequence[int]) -> list[_Place]:
        return [
            place for number in numbers for place in self._places.values() if place.characteristic.number == number
        ]

    def _give_signals(self) -> None:
        """Say once, for this device, which characteristic gives which signal of the vocabulary."""
        for quantity, (signal, numbers) in _PREFERRED.items():
            for place in self._ordered(numbers)[:1]:
                place.signals[quantity] = signal
        for number, place in enumerate(self._ordered(_SENSORS), start=1):
            place.signals["temperature"] = f"pack_temperature_{number}"

    def _signal(self, place: _Place, quantity: str) -> str:
        """Return the signal of a quantity: ours, or an extra named for characteristic and quantity."""
        if quantity not in place.signals:
            name = quantity if quantity not in _PREFERRED else f"{place.characteristic.name} {quantity}"
            place.signals[quantity] = extra_name(name + place.suffix)
        return place.signals[quantity]

    def feed(self, handle: int, data: bytes, arrival: int) -> Batch | None:
        """Return the row that a value gives, or None for bytes that its layout does not allow (they are counted).

        Args:
            handle: one of :attr:`handles`.
            data: the value, whole.
            arrival: microseconds since the Unix epoch.

        """
        place = self._places[handle]
        try:
            found = place.characteristic.decode(data)
        except BadValue as error:
            self.figures.bad[f"{place.characteristic.name}: {error}"] += 1
            return None
        self.figures.values += 1
        if "charge_state" in found and not place.suffix:
            self._state = (found["charge_state"], arrival)
        row = {self._signal(place, quantity): value for quantity, value in found.items()}
        if place.characteristic.number == standard.ELECTRIC_CURRENT and not place.suffix:
            row["pack_current"] = self._directed(found["current"], arrival)
        place.group = place.group.widened(row)
        return Batch.of_rows(place.group, [arrival], [[row.get(signal, math.nan) for signal in place.group.signals]])

    def _directed(self, current: float, arrival: int) -> float:
        """Return the current with our sign (positive out of the pack), NaN while its direction is not known."""
        if current == 0:
            return 0.0
        if self._state is None or arrival - self._state[1] > self._state_holds_us:
            return math.nan
        if self._state[0] == standard.CHARGING:
            return -current
        return current if self._state[0] == standard.DISCHARGING_ACTIVE else math.nan
