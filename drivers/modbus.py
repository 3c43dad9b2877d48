"""A device that answers Modbus reads, over TCP or a serial line: SunSpec batteries, or registers by a table.

See ``docs/modbus.md``. The driver only reads: no function code but 3 and 4 is ever sent.
"""

from __future__ import annotations

import asyncio
import itertools
from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, Protocol

from telemetry.driver import OPEN_LIMIT_S, DriverContext, Heard, Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.errors import LinkLost, LinkUnavailable
from telemetry.model.tables import settings_of

from .decode import sunspec
from .decode.register_table import Range, Registers, RegisterTable, planned
from .links import serial_port
from .links.modbus_link import REFUSALS, Answer, ModbusLink
from .links.modbus_settings import ModbusSettings

DEFAULT_LINE: dict[str, Any] = {"baud_rate": 19200, "parity": "even"}
"""Of a serial line: MODBUS over serial line specification V1.02, section 2.5.1, from memory."""
_ADDRESSES = 65_536
"""Of a unit: MODBUS Application Protocol V1.1b3."""
FRUITLESS_POLLS = 3
"""Polls in a row in which everything is refused, after which the link counts as lost."""


@dataclass
class ModbusFigures:
    """What the link is doing.

    Attributes:
        polls: rounds of reads begun.
        reads: reads sent.
        unanswered: reads that got no whole answer in time.
        refused: reads that the device refused, by the specification's word for it.
        rows: rows given out.
        models: SunSpec models that are read, by number.

    """

    polls: int = 0
    reads: int = 0
    unanswered: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    rows: int = 0
    models: tuple[int, ...] = ()


class Plan(Protocol):
    """What is to be read, and what becomes of it."""

    @property
    def signals(self) -> tuple[str, ...]:
        """What a row holds."""
        ...

    @property
    def parts(self) -> list[Range]:
        """The registers that are wanted, each part whole."""
        ...

    def row(self, registers: Registers) -> list[float]:
        """Return the values of a row; NaN for what was not read."""
        ...


class SunSpecPlan:
    """Reads the battery models that a device holds."""

    def __init__(self, models: Sequence[sunspec.Model]) -> None:
        self._models = models
        self.signals = tuple(sunspec.signals_of([sunspec.not_read(model) for model in models]))
        self.parts = [part for model in models for part in _parts_of(model)]

    def row(self, registers: Registers) -> list[float]:
        """Return the values of a row.

        Raises:
            LinkLost: another model stands where this one stood.

        """
        values = []
        for model in self._models:
            read = [registers.get(part) for part in _parts_of(model)]
            words = list(itertools.chain.from_iterable(part for part in read if part is not None))
            if any(part is None for part in read):
                values.append(sunspec.not_read(model))
            elif words[0] != model.number or words[1] != model.length:
                raise LinkLost(
                    f"SunSpec model {model.number} is no longer where it stood; it will be looked for anew"
                )
            else:
                values.append(sunspec.decoded(model, words))
        found = sunspec.signals_of(values)
        return [found[signal] for signal in self.signals]


def _parts_of(model: sunspec.Model) -> list[Range]:
    return [Range("holding", first, count) for first, count in model.parts()]


class ModbusDriver:
    """Polls a Modbus device; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    table: ClassVar = ModbusSettings

    def __init__(self, context: DriverContext) -> None:
        settings = settings_of(ModbusSettings, context.settings)
        self.silence_s: float | None = settings.silence_s
        self._source = context.source
        self._clock = context.clock
        self._interval_us = round(1e6 * settings.interval_s)
        reach = settings.reach
        self._name = reach.name
        tap = context.tap
        self._link = ModbusLink(
            reach, None if tap is None else lambda direction, data: tap(context.clock.now(), direction, data)
        )
        self._plan: Plan | None = None
        self._group: Group | None = None
        self._reads: list[Range] = []
        self._fruitless = 0
        self.figures = ModbusFigures()
        if settings.register:
            self._follow(RegisterTable(settings.register), "registers")

    async def open(self) -> None:
        """Connect; what the device holds is looked at by the first poll.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        try:
            async with asyncio.timeout(OPEN_LIMIT_S - 1):
                await self._link.open()
        except TimeoutError as error:
            raise LinkUnavailable(f"{self._name} did not open within {OPEN_LIMIT_S:g} s; check the cable") from error

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield one row for each poll that was answered.

        Raises:
            LinkLost: the connection broke, or the device refuses every read.
            LinkUnavailable: the device answers and holds no SunSpec battery.

        """
        due = self._clock.now()
        while True:
            await self._clock.sleep_until(due)
            due = max(due + self._interval_us, self._clock.now())
            if self._plan is None:
                models = await self._find()
                if models is None:
                    continue
                self._follow(SunSpecPlan(models), "battery")
                self.figures.models = tuple(model.number for model in models)
            batch = await self._poll()
            if batch is not None:
                yield batch

    async def close(self) -> None:
        """Let go of the connection."""
        await self._link.close()

    def advice(self) -> str:
        """Return what came back in place of an answer, and what to try; see :class:`telemetry.driver.Advises`."""
        return self._link.advice()

    def _follow(self, plan: Plan, group: str) -> None:
        self._plan = plan
        self._group = Group(self._source, group, plan.signals)
        self._reads = planned(plan.parts)

    async def _ask(self, where: Range) -> Answer:
        """Read, and count what became of it."""
        self.figures.reads += 1
        answer = await self._link.read(where.kind, where.address, where.count)
        if answer.refused:
            self.figures.refused[_refusal(answer.refused)] += 1
        elif answer.registers is None:
            self.figures.unanswered += 1
        return answer

    async def _poll(self) -> Batch | None:
        """Read everything once; return the row, or None where nothing could be read."""
        assert self._plan is not None
        assert self._group is not None
        self.figures.polls += 1
        registers, t, refused = Registers(), None, 0
        waiting = list(self._reads)
        while waiting:
            where = waiting.pop(0)
            answer = await self._ask(where)
            if answer.registers is not None:
                registers.add(where, answer.registers)
                t = self._clock.now() if t is None else t
            elif answer.refused:
                refused = answer.refused
                waiting = self._divided(where, answer.refused) + waiting
            else:
                break  # a device that is silent now would cost its time limit for each read
        if t is not None:
            self._fruitless = 0
            self.figures.rows += 1
            return Batch.of_rows(self._group, [t], [self._plan.row(registers)])
        self._fruitless = self._fruitless + 1 if refused else 0
        if self._fruitless == FRUITLESS_POLLS:
            raise LinkLost(f"{self._name} refuses every read ({_refusal(refused)}); check unit, address and kind")
        return None

    def _divided(self, where: Range, code: int) -> list[Range]:
        """Return the smaller reads to make, from now on, in place of one refused for registers not all there."""
        assert self._plan is not None
        if code not in (2, 3, 4):
            return []
        parts = [part for part in self._plan.parts if where.holds(part)]
        smaller = planned(parts, across_gaps=False)
        if len(smaller) == 1:
            smaller = sorted(set(parts), key=lambda part: part.address)
        if len(smaller) == 1:
            return []
        place = self._reads.index(where)
        self._reads[place : place + 1] = smaller
        return smaller

    async def _find(self) -> list[sunspec.Model] | None:
        """Return the SunSpec battery models that the device holds; None where it did not answer.

        Raises:
            LinkUnavailable: it answers, and has none.

        """
        has_answered = False
        for base in sunspec.BASES:
            answer = await self._ask(Range("holding", base, len(sunspec.MARKER)))
            has_answered = has_answered or answer.registers is not None or bool(answer.refused)
            if answer.registers is not None and tuple(answer.registers) == sunspec.MARKER:
                return await self._walk(base + len(sunspec.MARKER))
        if not has_answered:
            return None
        places = ", ".join(map(str, sunspec.BASES))
        raise LinkUnavailable(
            f"{self._name} answers but has no SunSpec marker at register {places}; check unit, or write down its "
            "registers with [[source.register]]"
        )

    async def _walk(self, address: int) -> list[sunspec.Model] | None:
        """Return the battery models of the chain that begins at ``address``."""
        seen: list[sunspec.Model] = []
        while len(seen) < sunspec.MOST_MODELS and address + 2 <= _ADDRESSES:
            answer = await self._ask(Range("holding", address, 2))
            if answer.registers is None and not answer.refused:
                return None
            if answer.registers is None or answer.registers[0] in (0, sunspec.END):
                break
            seen.append(sunspec.Model(answer.registers[0], address, answer.registers[1]))
            address += 2 + answer.registers[1]
        batteries = [model for model in seen if model.is_whole]
        if batteries:
            return batteries
        numbers = ", ".join(str(model.number) for model in seen[:12]) or "none"
        raise LinkUnavailable(
            f"{self._name} speaks SunSpec but has none of the battery models 802, 803, 804 (its models: {numbers}); "
            "write down its registers with [[source.register]]"
        )

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; what speaks there, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, **DEFAULT_LINE, "unit": 1} for device, _ in ports]

    @staticmethod
    async def asked(places: Sequence[str]) -> list[Heard]:
        """Return what answers reads at places that the owner names."""
        from .links.modbus_asking import ask_place

        return list(await asyncio.gather(*(ask_place(place) for place in places)))

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine's pack behind a Modbus TCP server."""
        from .simulated.modbus_peer import ModbusPeer
        from .simulated.peer import simulated

        return simulated(ModbusPeer, settings)


def _refusal(code: int) -> str:
    return f"exception {code}, {REFUSALS[code]}" if code in REFUSALS else f"exception {code}"
