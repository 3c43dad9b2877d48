"""What came back on a Modbus link that gives no answer, and so what to try next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

_KEPT: Final = 512
"""Bytes of either way that are kept: dozens of requests, two long answers. Ours."""
_READS: Final = (3, 4)
_REFUSES: Final = 0x80
_ADDRESS_AND_CODE, _CRC, _REQUEST = 2, 2, 8


class Heard:
    """The latest bytes of a link, both ways.

    Args:
        checksum: gives the bytes that end a frame on a serial line.

    """

    def __init__(self, checksum: Callable[[bytes], bytes]) -> None:
        self._checksum = checksum
        self._sent, self._came = bytearray(), bytearray()

    def note(self, is_sent: bool, data: bytes) -> None:
        """Keep what was sent or came."""
        kept = self._sent if is_sent else self._came
        kept += data
        del kept[:-_KEPT]

    def on_a_line(self, unit: int) -> str:
        """Return why ``unit`` gives no answer on a serial line (RTU), and what to try; empty before it is asked."""
        if not self._sent:
            return ""
        if not self._came:
            return "nothing comes back: check unit, baud_rate and parity, and swap the two wires of the line"
        if bytes(self._came[-_REQUEST:]) in bytes(self._sent):
            return "only its own requests come back, as an echo: check unit, baud_rate and the two wires of the line"
        units = sorted(set(self._units_in(bytes(self._came))))
        if unit in units:
            return f"unit {unit} answers with less than was asked for: check address and type of the registers"
        if units:
            return f"unit {units[0]} answers, and not unit {unit}: set unit = {units[0]}"
        return "what comes back is no whole Modbus answer: try another baud_rate and parity"

    def on_a_network(self, unit: int) -> str:
        """Return the same for Modbus TCP."""
        if not self._sent:
            return ""
        if not self._came:
            return f"it answers nothing: check unit (now {unit}), and close other programs that ask the same device"
        return f"it answers, and not as unit {unit}: check unit"

    def _units_in(self, came: bytes) -> Iterator[int]:
        """Give the unit of each whole answer: MODBUS over serial line V1.02, section 2.5.1 (address, PDU, CRC)."""
        for start in range(len(came) - _ADDRESS_AND_CODE):
            code, count = came[start + 1], came[start + 2]
            if code in _READS:
                end = start + _ADDRESS_AND_CODE + 1 + count
            elif code - _REFUSES in _READS:
                end = start + _ADDRESS_AND_CODE + 1
            else:
                continue
            if end + _CRC <= len(came) and self._checksum(came[start:end]) == came[end : end + _CRC]:
                yield came[start]
