"""Asks a silent device whether it speaks Modbus, where the owner named it: reads the SunSpec marker, writes nothing.

Units 1 to 3 are asked at each place; on a serial port at each usual line setting. A device that answers nothing to
the first read of a setting is asked no more at it.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from typing import Any

from telemetry.driver import Heard
from telemetry.model.errors import LinkError

from ..decode.sunspec import BASES, MARKER
from .modbus_link import REFUSALS, ModbusLink, Reach
from .ports import port_problem
from .serial_port import PortSettings

UNITS = (1, 2, 3)
LINES: tuple[dict[str, Any], ...] = (
    {"baud_rate": 19200, "parity": "even"},
    {"baud_rate": 9600, "parity": "none"},
    {"baud_rate": 9600, "parity": "even"},
    {"baud_rate": 19200, "parity": "none"},
)
"""Of a serial port: the standard's (MODBUS over serial line V1.02, section 2.5.1, from memory), and usual ones."""
TCP_PORT = 502
_ANSWER_S = 0.3
_LET_GO_S = 0.1
"""Until a serial port may be opened anew; ours."""
_NOBODY_BEHIND = (10, 11)
"""Refusals of a gateway that has no such unit behind it."""
_SERIAL = re.compile(r"/dev/.+|COM\d+|\\\\\.\\.+", re.IGNORECASE)
_HOST = re.compile(r"([A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::(\d{1,5}))?")


async def ask_place(place: str) -> Heard:
    """Return what answers at a serial port, or at ``HOST`` or ``HOST:PORT``."""
    try:
        for where, settings in _ways(place):
            link = ModbusLink(Reach(where, timeout_s=_ANSWER_S))
            await link.open()
            try:
                for unit in UNITS:
                    if (said := await _ask(link, unit)) is None:
                        continue
                    if said:
                        return Heard(place, f"Modbus, unit {unit}: {said}")
                    return Heard(
                        place, f"SunSpec over Modbus, unit {unit}", {"driver": "modbus", **settings, "unit": unit}
                    )
            finally:
                await link.close()
                await asyncio.sleep(_LET_GO_S)
    except LinkError as error:
        return Heard(place, f"not asked: {error}")
    return Heard(place, "no answer to Modbus reads; check power, cable, line settings and the unit's number")


def _ways(place: str) -> Iterator[tuple[PortSettings | tuple[str, int], dict[str, Any]]]:
    if _SERIAL.fullmatch(place) and port_problem(place) is None:
        for line in LINES:
            yield PortSettings(port=place, **line), {"port": place, **line}
    elif (host := _HOST.fullmatch(place)) is not None:
        port = int(host[2] or TCP_PORT)
        yield (host[1], port), {"host": host[1]} | ({"tcp_port": port} if port != TCP_PORT else {})
    else:
        raise LinkError(
            "name a serial port, such as /dev/ttyUSB0, or a host, such as 192.168.1.20 or 192.168.1.20:1502"
        )


async def _ask(link: ModbusLink, unit: int) -> str | None:
    """Return "" where the marker is there, what the unit answers instead, and None where nothing answers.

    Raises:
        LinkLost: the connection broke.

    """
    refused = 0
    for base in BASES:
        answer = await link.read("holding", base, len(MARKER), unit)
        if answer.registers is not None and tuple(answer.registers) == MARKER:
            return ""
        if (answer.registers is None and not answer.refused) or answer.refused in _NOBODY_BEHIND:
            return None
        refused = answer.refused or refused
    reason = f" (it refuses: {REFUSALS.get(refused, f'exception {refused}')})" if refused else ""
    return f"no SunSpec marker{reason}; write down its registers with [[source.register]], from its maker's table"
