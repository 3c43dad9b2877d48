"""Makes frames by a frame map: for simulated devices, and for tests. Pure. Nothing here is ever sent to a pack."""

from __future__ import annotations

import math
from collections.abc import Mapping

from .cut_layout import LengthField
from .frame_cutter import do_escapes
from .frame_layout import FrameMap, Message
from .frame_reader import write_field


def encode(frame_map: FrameMap, message: str, values: Mapping[str, float], page: int = 0) -> bytes:
    """Return the frame of kind ``message`` that carries ``values``, as it goes over the wire.

    Args:
        frame_map: how.
        message: a name of ``frame_map.messages``.
        values: by signal, in its unit; what is missing or NaN is sent as its field's code for no reading, or as the
            count 0 where the field has none.
        page: of a message whose frames say which repeat comes first, the number that they say.

    Raises:
        KeyError: there is no such message.
        ValueError: a field cannot hold its value.

    """
    envelope, kind = frame_map.envelope, frame_map.messages[message]
    size = _size_of(frame_map, kind, values)
    frame = bytearray(size)
    for each in kind.fields:
        if each.first is not None:
            frame[each.first.byte] = page
    for field in kind.fields:
        given = [values.get(signal, math.nan) for signal in field.signals]
        if field.first is not None:
            given = given[field.skipped(bytes(frame)) :][: field.in_frame]
        if field.count_byte is not None:
            given = given[: _repeats(given)]
            frame[field.count_byte] = len(given)
        write_field(frame, field, given)
    frame[: len(envelope.start)] = envelope.start
    for condition in kind.conditions:
        frame[condition.byte : condition.end] = condition.values[0]
    if isinstance(envelope.length, LengthField):
        length = envelope.length
        stated = (size - length.uncounted) // length.unit
        frame[length.byte : length.end] = stated.to_bytes(length.width // 8, length.order)
    if envelope.end:
        frame[-len(envelope.end) :] = envelope.end
    if envelope.checksum is not None:
        envelope.checksum.put(frame)
    body = bytes(frame[len(envelope.start) : size - len(envelope.end)])
    if envelope.hexadecimal:
        body = body.hex().upper().encode()
    elif envelope.escape is not None:
        body = do_escapes(body, envelope.escape)
    return envelope.start + body + envelope.end


def _repeats(values: list[float]) -> int:
    """Return how many of ``values`` there are up to the last known one."""
    return max((place + 1 for place, value in enumerate(values) if not math.isnan(value)), default=0)


def _size_of(frame_map: FrameMap, message: Message, values: Mapping[str, float]) -> int:
    envelope = frame_map.envelope
    if message.length is not None:
        return message.length
    if isinstance(envelope.length, int):
        return envelope.length
    used = max(message.needed, len(envelope.start))
    for field in message.fields:
        if field.count_byte is not None:
            count = _repeats([values.get(signal, math.nan) for signal in field.signals])
            if count:
                used = max(used, field.end_of(count))
    if isinstance(envelope.length, LengthField):
        used = max(used, envelope.length.end)
    checksum = envelope.checksum
    if checksum is not None:
        used = max(used, checksum.byte + checksum.size) if checksum.byte >= 0 else used + checksum.size
    whole = used + len(envelope.end)
    if isinstance(envelope.length, LengthField):
        whole += -(whole - envelope.length.uncounted) % envelope.length.unit
        whole = max(whole, envelope.length.uncounted)
    return whole
