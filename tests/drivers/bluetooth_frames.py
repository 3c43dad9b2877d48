"""The frames that the simulated Bluetooth pack sends, and the frame map that describes them. Made up for this.

A frame is ``5E A7``, the message's number, the whole length in bytes, one signed 32-bit little-endian number of
thousandths for each signal (the lowest number: unknown), and last a CRC-16/XMODEM of all that, high byte first.
"""

from __future__ import annotations

import binascii
import math
import struct
from collections.abc import Iterable, Sequence

from telemetry.model.batch import Batch

START = b"\x5e\xa7"
REQUEST = b"\x5e\x51\x01"
PIECE_BYTES = 20
UNKNOWN = -(2**31)


class FrameWriter:
    """Writes rows as frames.

    Args:
        groups: name and signals of each group, in the order of the messages' numbers.

    """

    def __init__(self, groups: Sequence[tuple[str, tuple[str, ...]]]) -> None:
        self._groups = groups
        self._numbers = {name: number for number, (name, _) in enumerate(groups, start=1)}

    def frames(self, batches: Iterable[Batch]) -> list[bytes]:
        """Return one frame for each row."""
        return [
            self._frame(self._numbers[batch.group.name], row) for batch in batches for row in batch.values.tolist()
        ]

    @staticmethod
    def _frame(number: int, row: Sequence[float]) -> bytes:
        raw = [UNKNOWN if math.isnan(value) else round(value * 1000) for value in row]
        body = START + bytes((number, 4 * len(row) + 6)) + struct.pack(f"<{len(raw)}i", *raw)
        return body + struct.pack(">H", binascii.crc_hqx(body, 0))

    def map_text(self, on_request: bool) -> str:
        """Return the frame map of these frames, as the text of its file."""
        parts = [_MAP_HEAD]
        if on_request:
            parts.append(f'[poll]\ninterval_s = 0.1\nrequest = [{{ bytes = "{REQUEST.hex(" ")}" }}]\n')
        for number, (name, signals) in enumerate(self._groups, start=1):
            fields = "".join(
                f"{signal} = {{ byte = {4 + 4 * place}, {_NUMBER} }}\n" for place, signal in enumerate(signals)
            )
            head = f"[message.{name}]\nwhen = [{{ byte = 2, is = {number} }}]\n"
            parts.append(f"{head}[message.{name}.fields]\n{fields}")
        return "\n".join(parts)


_NUMBER = f'width = 32, type = "signed", scale = 0.001, unknown = {UNKNOWN}'
_MAP_HEAD = """\
byte_order = "little"

[frame]
start = "5E A7"
length = { byte = 3 }
longest = 255
checksum = { kind = "CRC-16/XMODEM", byte_order = "big" }
"""
