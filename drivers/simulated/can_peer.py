"""A simulated machine on a CAN bus: RV-C frames for the pack, and its other signals by a catalogue made to fit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AsyncExitStack
from typing import Any, ClassVar, Protocol

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock
from telemetry.model.signals import cell_number, find_signal

from ..decode.can_frames import EXTENDED
from ..decode.can_signals import Field
from ..decode.can_standards import FOLDER
from ..decode.message_catalogue import Layout, read_catalogue
from ..links.can_bus import SendingBus
from .peer import Machine, Peer

FIRST_IDENTIFIER = 0x300
_SIGNALS_A_MESSAGE = 4
_RV_C_SENT = {
    "DcSourceStatus1": {"Voltage": "pack_voltage", "Current": "pack_current"},
    "DcSourceStatus2": {"Temperature": "pack_temperature_1", "StateOfCharge": "soc_reported"},
}
# By unit: bits, signed, scale. The highest count says that there is no reading.
_COUNTED = {
    "V": (16, True, 0.01),
    "A": (16, True, 0.1),
    "%": (16, False, 0.01),
    "degC": (16, True, 0.1),
    "km/h": (16, True, 0.01),
    "rpm": (16, True, 1.0),
    "W": (16, False, 1.0),
}
_ELSE = (32, True, 0.001)


class Bus(Protocol):
    """What frames are put on."""

    def send(self, key: int, data: bytes) -> None:
        """Send a frame."""


class CanPeer(Peer):
    """The machine's devices on a bus over UDP multicast that does not leave this computer; see :class:`.peer.Peer`.

    Args:
        machine, clock: as for every peer.
        rv_c: send the pack's own signals as RV-C; else everything goes by the catalogue.

    Attributes:
        catalogue: path of the catalogue of what is sent.
        bus: what they are plugged into; None: nothing.
        sent: frames sent so far.

    """

    every_us: ClassVar[int] = 10_000
    way: ClassVar[Mapping[str, Any]] = {"interface": "udp_multicast", "channel": "239.74.163.2"}
    """How a reader reaches the bus."""

    def __init__(self, machine: Machine, clock: Clock, rv_c: bool = True) -> None:
        super().__init__(machine, clock)
        self._rv_c = rv_c
        self.catalogue = self.folder / "simulated-machine.dbc"
        covered = {signal for parts in _RV_C_SENT.values() for signal in parts.values()} if rv_c else set()
        own = [[signal for signal in group.signals if signal not in covered] for group in machine.groups]
        self.catalogue.write_text(catalogue_text(own), encoding="utf-8")
        self._layouts = read_catalogue(self.catalogue)
        rv_c_layouts = {layout.name: layout for layout in read_catalogue(FOLDER / "rv_c.dbc")}
        self._rv_c_layouts = [(rv_c_layouts[name], parts) for name, parts in _RV_C_SENT.items()]
        self._latest: dict[str, float] = {}
        self.bus: Bus | None = None
        self.sent = 0

    async def begin(self, stack: AsyncExitStack) -> None:
        """Join the bus."""
        options = {**self.way.get("options", {}), "hop_limit": 0}
        bus = SendingBus(self.way["interface"], self.way["channel"], **options)
        stack.callback(bus.close)
        self.bus = bus

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach these devices."""
        standard = {"standard": ["rv-c"]} if self._rv_c else {}
        return {**self.way, "catalogue": str(self.catalogue), **standard}

    def say(self, piece: tuple[int, bytes]) -> None:
        """Send a frame: its identifier and its bytes."""
        if self.bus is not None:
            self.bus.send(*piece)
            self.sent += 1

    def pieces(self, batches: Sequence[Batch]) -> Iterator[tuple[int, bytes]]:
        """Give the frames of each row: those of the catalogue, and RV-C where a part of it is new."""
        for batch in batches:
            for row in batch.values.tolist():
                values = dict(zip(batch.group.signals, row, strict=True))
                self._latest |= values
                for layout in self._layouts:
                    if not values.keys().isdisjoint(layout.fields):
                        yield layout.key, encoded(layout, values)
                if self._rv_c:
                    yield from self._rv_c_frames(values)

    def _rv_c_frames(self, values: Mapping[str, float]) -> Iterator[tuple[int, bytes]]:
        for layout, parts in self._rv_c_layouts:
            if not values.keys().isdisjoint(parts.values()):
                known = {field: self._latest.get(signal, math.nan) for field, signal in parts.items()}
                yield layout.key, encoded(layout, known | {"Instance": 1, "Priority": 120})


def encoded(layout: Layout, values: Mapping[str, float]) -> bytes:
    """Return a message of little-endian fields; what is not known, or not stated, is all ones or the code for it."""
    length = max(field.bytes_needed for field in layout.fields.values())
    number = (1 << 64) - 1
    for name, field in layout.fields.items():
        mask = (1 << field.bits) - 1
        count = _count(field, values.get(name, math.nan))
        number = number & ~(mask << field.start) | (count & mask) << field.start
    return number.to_bytes(8, "little")[: length if layout.key < EXTENDED else 8]


def _count(field: Field, value: float) -> int:
    if not math.isfinite(value):
        return next(iter(field.unknown), (1 << field.bits) - 1)
    top = (1 << (field.bits - 1 if field.signed else field.bits)) - 2
    return max(-top if field.signed else 0, min(top, round((value - field.offset) / field.scale)))


def catalogue_text(groups: Sequence[Sequence[str]]) -> str:
    """Return a DBC file that carries the signals of each group, four in a message, by their own names."""
    lines = ['VERSION "simulated machine"', "", "NS_ :", "", "BS_:", "", "BU_: Device Recorder", ""]
    values: list[str] = []
    identifier = FIRST_IDENTIFIER
    for group in groups:
        for first in range(0, len(group), _SIGNALS_A_MESSAGE):
            signals = _fitting(group[first : first + _SIGNALS_A_MESSAGE])
            lines.append(f"BO_ {identifier} Machine{identifier:X}: {-(-signals[-1][1] // 8)} Device")
            for name, end, (bits, signed, scale), unit in signals:
                sign = "-" if signed else "+"
                lines.append(f' SG_ {name} : {end - bits}|{bits}@1{sign} ({scale:g},0) [0|0] "{unit}" Recorder')
                none = (1 << (bits - 1 if signed else bits)) - 1
                values.append(f'VAL_ {identifier} {name} {none} "Not available" ;')
            lines.append("")
            identifier += 1
    return "\n".join([*lines, *values, ""])


def _fitting(names: Sequence[str]) -> list[tuple[str, int, tuple[int, bool, float], str]]:
    """Return name, last bit + 1, way of counting and unit of signals laid end to end."""
    placed, end = [], 0
    for name in names:
        signal = find_signal(name)
        unit = "" if signal is None else signal.unit
        how = (16, False, 0.001) if cell_number(name) else _COUNTED.get(unit, _ELSE)
        if signal is not None and signal.is_switch:
            how = (8, False, 1.0)
        if len(names) > 2 and how[0] > 16:
            how = (16, True, 0.01)
        end += how[0]
        placed.append((name, end, how, unit))
    return placed
