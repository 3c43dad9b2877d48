"""CAN frames as raw bytes of a capture, and those as a log that other programs read as well. Pure."""

from __future__ import annotations

from urllib.parse import quote

from telemetry.model.capture import CapturedPiece

from .can_frames import EXTENDED, CanFrame

_CLASSIC = 8
_IDENTIFIER = 4


def as_bytes(frame: CanFrame) -> bytes:
    """Return the identifier, four bytes, big-endian, the first bit set where it has 29 bits; then the data."""
    return frame.key.to_bytes(4, "big") + frame.data


def frame_of(piece: CapturedPiece) -> CanFrame | None:
    """Return the frame that :func:`as_bytes` wrote; None where the bytes are none."""
    if len(piece.data) < _IDENTIFIER:
        return None
    return CanFrame(piece.t, int.from_bytes(piece.data[:_IDENTIFIER], "big"), piece.data[_IDENTIFIER:])


def log_line(piece: CapturedPiece) -> str:
    """Return a frame that was kept as :func:`as_bytes` gives it as a line of a log, as the Linux can-utils write it.

    Raises:
        ValueError: it holds no identifier.

    """
    if len(piece.data) < 4:
        raise ValueError(f"{len(piece.data)} bytes are no CAN frame")
    key, data = int.from_bytes(piece.data[:4], "big"), piece.data[4:].hex().upper()
    identifier = f"{key & ~EXTENDED:08X}" if key & EXTENDED else f"{key:03X}"
    mark = "#" if len(piece.data) <= 4 + _CLASSIC else "##0"
    seconds, fraction = divmod(piece.t, 1_000_000)
    return f"({seconds}.{fraction:06d}) {quote(piece.source, safe='') or 'bus'} {identifier}{mark}{data}\n"
