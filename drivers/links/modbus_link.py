"""Modbus over TCP or a serial line (RTU), and a server of registers for simulated devices. Only file with pymodbus.

A link reads and does nothing else: of all function codes only 3 (read holding registers) and 4 (read input
registers) ever leave it. It does not reconnect, and it does not ask twice: the supervisor and the next poll do.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal

from telemetry.model.capture import Direction
from telemetry.model.errors import LinkLost, LinkUnavailable, printable

from . import serial_port
from .modbus_heard import Heard
from .serial_port import PARITIES, PortSettings

Kind = Literal["holding", "input"]
MOST_REGISTERS = 125
"""Registers in one read at the most: MODBUS application protocol specification V1.1b3, sections 6.3 and 6.4."""
READS: dict[Kind, int] = {"holding": 3, "input": 4}
"""Function codes by kind of register, same sections."""
CONNECT_LIMIT_S = 5.0
# Exception codes: MODBUS application protocol specification V1.1b3, section 7.
REFUSALS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, not ready yet",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "no answer from the device behind the gateway",
}


@dataclass(frozen=True, slots=True)
class Reach:
    """How to reach a device.

    Attributes:
        where: host and port of a Modbus TCP server, or a serial port for RTU.
        unit: unit identifier, 0 to 255; on a serial line the device's address, 1 to 247.
        timeout_s: how long an answer is waited for.

    """

    where: tuple[str, int] | PortSettings
    unit: int = 1
    timeout_s: float = 1.0

    @property
    def name(self) -> str:
        """What to call it in a sentence."""
        if isinstance(self.where, PortSettings):
            return f"unit {self.unit} on {printable(self.where.port)}"
        return f"unit {self.unit} at {printable(self.where[0])}:{self.where[1]}"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one read.

    Attributes:
        registers: as many as were asked for; None where there are none.
        refused: the exception code of a refusal; 0 where no answer, or no whole one, came in time.

    """

    registers: Sequence[int] | None
    refused: int = 0


class ModbusLink:
    """One connection to one device. One object serves one opening."""

    def __init__(self, settings: Reach, tap: Callable[[Direction, bytes], None] | None = None) -> None:
        self._settings = settings
        self._tap = tap
        self._client: Any = None
        self._lost: asyncio.Future[None] | None = None
        self._is_serial = isinstance(settings.where, PortSettings)
        self._overdue = False
        self._heard = Heard(_checksum)

    async def open(self) -> None:
        """Connect.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        # What goes wrong is told in our own words; pymodbus would tell it beside them, at every poll.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        self._lost = asyncio.get_running_loop().create_future()
        self._client = self._make()
        self._client.set_max_no_responses(2**31)  # to give a silent device up is the supervisor's
        limits = self._client.ctx.comm_params  # one limit for both: connecting may take longer than an answer
        limits.timeout_connect = CONNECT_LIMIT_S
        try:
            is_open = await self._client.connect()
        except Exception as error:  # an adapter that does not take the settings, or is no terminal: termios.error
            where = self._settings.where  # the failed client may hold the port yet, so a second opening tells nothing
            known = serial_port.why_not(where.port, error) if isinstance(where, PortSettings) else ""
            raise LinkUnavailable(known or await self._why_not()) from error
        if not is_open:
            raise LinkUnavailable(await self._why_not())
        limits.timeout_connect = self._settings.timeout_s

    def _make(self) -> Any:
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

        where = self._settings.where
        common: dict[str, Any] = {
            "reconnect_delay": 0,
            "retries": 0,
            "timeout": self._settings.timeout_s,
            "trace_connect": self._connection,
            "trace_packet": self._packet,
            "trace_pdu": _reads_only,
        }
        if isinstance(where, PortSettings):
            return AsyncModbusSerialClient(
                where.port,
                baudrate=where.baud_rate,
                parity=PARITIES[where.parity],
                stopbits=where.stop_bits,  # type: ignore[arg-type]  # pyserial takes 1.5 too
                **common,
            )
        return AsyncModbusTcpClient(where[0], port=where[1], **common)

    async def read(self, kind: Kind, address: int, count: int, unit: int | None = None) -> Answer:
        """Read registers ``address`` (from 0) to before ``address + count``, of the device or of another ``unit``.

        Raises:
            LinkLost: the connection broke, or is not open.

        """
        from pymodbus.exceptions import ModbusException

        if self._client is None or self._lost is None or self._lost.done() or not self._client.connected:
            raise LinkLost(f"the connection to {self._settings.name} is closed")
        if self._is_serial and self._overdue:
            # RTU frames bear no number: an answer that comes late would be taken for the next one's.
            await asyncio.wait([self._lost], timeout=self._settings.timeout_s)
        asked = self._settings.unit if unit is None else unit
        call = self._client.read_holding_registers if kind == "holding" else self._client.read_input_registers
        asking = asyncio.ensure_future(call(address, count=count, device_id=asked))
        # Looked at whatever happens to who waits for it, so that asyncio does not tell of it.
        asking.add_done_callback(lambda asked: asked.cancelled() or asked.exception())
        try:
            await asyncio.wait((asking, self._lost), return_when=asyncio.FIRST_COMPLETED)
            if not asking.done():
                raise LinkLost(f"{self._settings.name} closed the connection; check its power and the cable")
            reply = asking.result()
        except ModbusException as error:
            if self._lost.done():
                raise LinkLost(f"the connection to {self._settings.name} broke; check its power and cable") from error
            self._overdue = True
            return Answer(None)
        finally:
            if not asking.done():
                asking.cancel()
                await asyncio.wait([asking])
        self._overdue = False
        if reply.isError():
            return Answer(None, int(reply.exception_code))
        registers = list(reply.registers)
        return Answer(registers if len(registers) == count else None)

    async def close(self) -> None:
        """Let go of the connection; from any state, twice if asked."""
        client, self._client = self._client, None
        if client is not None:
            with suppress(Exception):  # a port that is gone cannot be closed properly
                client.close()
            await asyncio.sleep(0)  # asyncio closes a socket one turn later
            await asyncio.sleep(0)

    def advice(self) -> str:
        """Return what is wrong where nothing is answered, and what to try next."""
        unit = self._settings.unit
        return self._heard.on_a_line(unit) if self._is_serial else self._heard.on_a_network(unit)

    def _packet(self, sending: bool, data: bytes) -> bytes:
        """Hand on what comes and goes, as it is."""
        self._heard.note(sending, data)
        if self._tap is not None:
            self._tap("out" if sending else "in", data)
        return data

    def _connection(self, is_up: bool) -> None:
        if not is_up and self._lost is not None and not self._lost.done():
            self._lost.set_result(None)

    async def _why_not(self) -> str:
        """Return one sentence on why the device cannot be reached: try once more, by means that say so."""
        where = self._settings.where
        if isinstance(where, PortSettings):
            try:
                link = await asyncio.to_thread(serial_port.open_serial, where)
            except LinkUnavailable as error:
                return str(error)
            link.close()
            return f"{printable(where.port)} could not be opened; try again, or plug it in again"
        name = f"{printable(where[0])}:{where[1]}"
        try:
            async with asyncio.timeout(CONNECT_LIMIT_S):
                _, writer = await asyncio.open_connection(*where)
        except TimeoutError:
            reason = "no answer"
        except OSError as error:
            # asyncio puts the address into the text; a name that is not known has a negative number of its own.
            number = error.errno or 0
            reason = os.strerror(number) if number > 0 else printable(error.strerror or error, 120)
        else:
            writer.close()
            return f"{name} took its time to connect; it will be tried again"
        return f"{name} cannot be reached ({reason}); check host and tcp_port, and that the device is switched on"


def _checksum(frame: bytes) -> bytes:
    """Return the two bytes that end a frame on a serial line."""
    from pymodbus.framer.rtu import FramerRTU

    return FramerRTU.compute_CRC(frame).to_bytes(2, "big")


def _reads_only(sending: bool, pdu: Any) -> Any:
    """Let nothing but reads out."""
    if sending and pdu.function_code not in READS.values():
        raise AssertionError(f"function code {pdu.function_code} is not for us to send")
    return pdu


Registers = list[int]
Refresh = Callable[[int, int, Registers], int]


class RegisterServer:
    """A Modbus TCP server of one unit on 127.0.0.1, with the same registers as holding and as input registers.

    Args:
        blocks: first address and number of registers of each range; what lies between is refused.
        refresh: called before each read with address, count and all registers from the first block's start, to
            bring them up to date; returns 0, or the exception code to refuse with.
        outgoing: takes each answer as bytes, and returns what is sent in its place.
        unit: unit identifier.

    Attributes:
        function_codes: of each request that came.
        tcp_port: where it listens; the same when it starts again.

    """

    def __init__(
        self,
        blocks: Sequence[tuple[int, int]],
        refresh: Refresh,
        outgoing: Callable[[bytes], bytes] = bytes,
        unit: int = 1,
    ) -> None:
        self._blocks = blocks
        self._refresh = refresh
        self._outgoing = outgoing
        self._unit = unit
        self._server: Any = None
        self.function_codes: list[int] = []
        self.tcp_port = 0

    async def start(self, serial_device: str | None = None) -> None:
        """Listen; on a serial device (RTU) where one is named."""
        from pymodbus.framer import FramerType
        from pymodbus.server import ModbusSerialServer, ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        data = [SimData(first, values=[0] * count, datatype=DataType.REGISTERS) for first, count in self._blocks]
        device = SimDevice(self._unit, data, action=self._action())
        trace: dict[str, Any] = {"trace_packet": self._packet, "trace_pdu": self._request}
        if serial_device is not None:
            self._server = ModbusSerialServer(device, framer=FramerType.RTU, port=serial_device, **trace)
        else:
            address = ("127.0.0.1", self.tcp_port)
            self._server = ModbusTcpServer(device, framer=FramerType.SOCKET, address=address, **trace)
        try:
            await self._server.serve_forever(background=True)
        except RuntimeError as error:
            raise LinkUnavailable("a simulated Modbus device found no free port on 127.0.0.1") from error
        if serial_device is None:
            self.tcp_port = self._server.transport.sockets[0].getsockname()[1]

    def stop(self, last_words: bytes = b"") -> None:
        """Break every connection, after ``last_words`` on it, and listen no more."""
        server, self._server = self._server, None
        if server is None:
            return
        for connection in list(server.active_connections.values()):
            if last_words and connection.transport is not None:
                connection.transport.write(last_words)
        server.close()

    def _action(self) -> Callable[..., Coroutine[None, None, Any]]:
        async def bring_up_to_date(
            _code: int, _start: int, address: int, count: int, registers: Registers, values: Any
        ) -> Any:
            from pymodbus.constants import ExcCodes

            if values is not None:
                return ExcCodes.ILLEGAL_FUNCTION
            refused = self._refresh(address, count, registers)
            return ExcCodes(refused) if refused else None

        return bring_up_to_date

    def _request(self, sending: bool, pdu: Any) -> Any:
        if not sending:
            self.function_codes.append(pdu.function_code)
        return pdu

    def _packet(self, sending: bool, data: bytes) -> bytes:
        return self._outgoing(data) if sending else data
