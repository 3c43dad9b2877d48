"""What is measured of the machine: groups, noise of the sensors, and the digits that they send."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import Batch, Group, Values
from telemetry.model.signals import cell_name

PACK_SENSORS = 4
Reading = Callable[[], "list[float] | Values"]


@dataclass(frozen=True)
class Channel:
    """One signal: what it reads, one standard deviation of its noise, the decimals that it sends, its errors."""

    signal: str
    noise: float
    decimals: int
    gain: float = 1.0
    offset: float = 0.0


PACK = (
    Channel("pack_voltage", 0.012, 2),
    Channel("pack_current", 0.06, 1),
    Channel("soc_reported", 0.0, 1),
    Channel("discharge_allowed", 0.0, 0),
    Channel("charge_allowed", 0.0, 0),
)
VEHICLE = (
    Channel("throttle_voltage", 0.006, 3),
    Channel("controller_voltage", 0.03, 2),
    Channel("motor_current", 0.4, 1),
    Channel("motor_speed", 1.5, 0),
    Channel("vehicle_speed", 0.02, 2),
    Channel("implement_engaged", 0.0, 0),
    Channel("controller_temperature", 0.05, 1),
    Channel("motor_temperature", 0.05, 1),
)
ENABLE = (Channel("enable_voltage", 0.01, 2),)
WALL = (Channel("charger_input_power", 0.8, 0),)
TRUTH = tuple(Channel(f"extra_truth_{name}", 0.0, 15) for name in ("soc", "current", "resistance"))


def cell_channels(count: int) -> tuple[Channel, ...]:
    """Return the channels of ``count`` cells and of the pack's temperature sensors."""
    cells = (Channel(cell_name(number), 0.0005, 3) for number in range(1, count + 1))
    temperatures = (Channel(f"pack_temperature_{number}", 0.04, 1) for number in range(1, PACK_SENSORS + 1))
    return (*cells, *temperatures)


class Instrument:
    """One group being measured: every ``every`` steps a row.

    Args:
        group: its source, name and signals, which are those of ``channels``.
        channels: what it reads.
        every: steps from row to row.
        read: gives the true values, one a channel.
        seed: of the noise; drawn in a sequence of its own, so that no group's rows depend on another's.

    """

    def __init__(
        self,
        group: Group,
        channels: tuple[Channel, ...],
        every: int,
        read: Reading,
        seed: int,
    ) -> None:
        self.group = group
        self.every = every
        self._read = read
        self._rng = np.random.default_rng([seed, len(channels)])
        self._noise = np.array([channel.noise for channel in channels])
        self._noisy = bool(self._noise.any())
        self._gain = np.array([channel.gain for channel in channels])
        self._offset = np.array([channel.offset for channel in channels])
        self._exact = bool((self._gain == 1.0).all() and (self._offset == 0.0).all())
        self._scale = np.array([10.0**channel.decimals for channel in channels])
        self._t: list[int] = []
        self._rows: list[Values] = []

    def measure(self, t: int) -> None:
        """Take a row at ``t``."""
        row = np.asarray(self._read(), dtype=np.float64)
        if self._noisy:
            read = row if self._exact else row * self._gain + self._offset
            read = read + self._noise * self._rng.standard_normal(len(row))
            row = np.rint(read * self._scale) / self._scale + 0.0  # no minus zero
        self._t.append(t)
        self._rows.append(row)

    def taken(self) -> Batch | None:
        """Give out the rows taken since the last call; None where there are none."""
        if not self._t:
            return None
        batch = Batch(self.group, np.array(self._t, dtype=np.int64), np.array(self._rows))
        self._t, self._rows = [], []
        return batch
