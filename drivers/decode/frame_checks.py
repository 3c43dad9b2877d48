"""Checks of a frame map as a whole: what each key alone cannot tell. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations

from telemetry.model.errors import Problem

from .cut_layout import Envelope, LengthField
from .frame_layout import FrameField, FrameMap, Message
from .frame_reader import occupied


def check_map(frame_map: FrameMap, overlapping: Iterable[tuple[str, int]]) -> list[Problem]:
    """Return every problem that lies between the parts of the map.

    Args:
        frame_map: each part of it found good by itself.
        overlapping: fields (message, place) that are stated to overlap others.

    """
    allowed = set(overlapping)
    problems = [*_check_envelope(frame_map), *_check_signals(frame_map), *_check_told_apart(frame_map)]
    for message in frame_map.messages.values():
        problems += _check_length(frame_map.envelope, message)
        problems += _check_conditions(frame_map.envelope, message)
        problems += _check_overlaps(frame_map.envelope, message, allowed)
    return problems


def _check_envelope(frame_map: FrameMap) -> Iterator[Problem]:
    envelope = frame_map.envelope
    lengths = [message.length for message in frame_map.messages.values()]
    if isinstance(envelope.length, int) and envelope.length > envelope.longest:
        yield Problem(
            "frame.length", f"is more than longest, {envelope.longest}", f"write longest = {envelope.length}"
        )
    if isinstance(envelope.length, LengthField) and envelope.length.byte < len(envelope.start):
        yield Problem("frame.length.byte", "is one of the start bytes", f"write {len(envelope.start)} or more")
    if envelope.escape is not None and not envelope.end:
        yield Problem("frame.escape", "needs end bytes", 'write end = "7E", for example, the bytes that end a frame')
    if envelope.one_per_piece:
        if envelope.escape is not None:
            yield Problem("frame.one_per_piece", "cannot be used with escape", "leave one of them out")
        return
    if envelope.length is None and not envelope.end and (not lengths or None in lengths):
        yield Problem(
            "frame.length",
            "is missing, and nothing else tells where a frame ends",
            "write length, or end, or length in every message",
        )
    tells = envelope.start or envelope.end or envelope.checksum
    if not tells and not all(message.conditions for message in frame_map.messages.values()):
        yield Problem(
            "frame.start", "is missing, and nothing else tells where a frame begins", 'write start = "A5 5A", say'
        )


def _check_signals(frame_map: FrameMap) -> Iterator[Problem]:
    first_use: dict[str, str] = {}
    for message in frame_map.messages.values():
        for signal in message.signals:
            if signal in first_use:
                yield Problem(
                    f"message.{message.name}.fields",
                    f"{signal} is read a second time; message {first_use[signal]} gives it already",
                    "read it once, or carry the other as extra_NAME",
                )
            first_use.setdefault(signal, message.name)
    if not first_use:
        yield Problem("message", "reads no signal at all", "write pack_voltage = { byte = 4, width = 16 }, say, ...")


def _check_told_apart(frame_map: FrameMap) -> Iterator[Problem]:
    for one, other in combinations(frame_map.messages.values(), 2):
        if not (_tells(one, other) or _asked_apart(frame_map, one, other)):
            yield Problem(
                f"message.{other.name}.when",
                f"does not tell it from message {one.name}",
                "name the byte in which they differ, such as when = { byte = 2, is = 0x01 }, or the request"
                " that each answers",
            )


def _tells(one: Message, other: Message) -> bool:
    """Tell whether no frame can be both."""
    if one.length is not None and other.length is not None and one.length != other.length:
        return True
    ours, theirs = _demands(one), _demands(other)
    return any(not ours[place] & theirs[place] for place in ours.keys() & theirs.keys())


def _demands(message: Message) -> dict[int, set[int]]:
    """Return which values each byte that the conditions name may have."""
    demands: dict[int, set[int]] = {}
    for condition in message.conditions:
        for k in range(len(condition.values[0])):
            values = {value[k] for value in condition.values}
            place = condition.byte + k
            demands[place] = demands[place] & values if place in demands else values
    return demands


def _asked_apart(frame_map: FrameMap, one: Message, other: Message) -> bool:
    """Tell whether each answers a request of its own."""
    answering = [set(request.answers) for request in frame_map.requests]
    if not answering or not all(answering):
        return False
    named = set().union(*answering)
    return {one.name, other.name} <= named and not any({one.name, other.name} <= answers for answers in answering)


def _check_length(envelope: Envelope, message: Message) -> Iterator[Problem]:
    where = f"message.{message.name}"
    if message.length is not None:
        if message.length > envelope.longest:
            yield Problem(f"{where}.length", f"is more than longest, {envelope.longest}", "write a larger longest")
        if isinstance(envelope.length, int) and message.length != envelope.length:
            yield Problem(f"{where}.length", f"is not the frame's length, {envelope.length}", "keep one of them")
    length = message.length
    if length is None:
        length = envelope.length if isinstance(envelope.length, int) else _longest(envelope)
    last = length - envelope.trailer - 1
    for field in message.fields:
        end, at_most = field.end_of(field.in_frame), last if field.byte >= 0 else -1 - envelope.trailer
        end = end if field.byte < 0 else max(end, field.end)
        if end - 1 > at_most:
            yield Problem(
                f"{where}.fields.{_key(field)}",
                f"reads byte {end - 1}, past byte {at_most}, the last before checksum and end bytes",
                "count bytes from 0 at the frame's first; mend byte, width, count or length",
            )
    if message.head - 1 > length - 1:
        yield Problem(f"{where}.when", f"looks past the frame's last byte, {length - 1}", "mend byte or length")


def _longest(envelope: Envelope) -> int:
    length = envelope.length
    if not isinstance(length, LengthField):
        return envelope.longest
    return min(envelope.longest, ((1 << length.width) - 1) * length.unit + length.uncounted)


def _check_conditions(envelope: Envelope, message: Message) -> Iterator[Problem]:
    demands = _demands(message)
    for place, values in demands.items():
        never = not values or (place < len(envelope.start) and envelope.start[place] not in values)
        if never:
            yield Problem(f"message.{message.name}.when", f"can never hold at byte {place}", "mend byte or is")


def _check_overlaps(envelope: Envelope, message: Message, allowed: set[tuple[str, int]]) -> Iterator[Problem]:
    taken: dict[int, list[tuple[int, str]]] = {}

    def take(name: str, bits: dict[int, int]) -> str | None:
        """Note the bits as taken; return what has taken some of them before."""
        before = next(
            (other for byte, mask in bits.items() for held, other in taken.get(byte, ()) if held & mask), None
        )
        for byte, mask in bits.items():
            taken.setdefault(byte, []).append((mask, name))
        return before

    take("the start bytes", dict.fromkeys(range(len(envelope.start)), 0xFF))
    if isinstance(envelope.length, LengthField):
        take("the length", dict.fromkeys(range(envelope.length.byte, envelope.length.end), 0xFF))
    if envelope.checksum is not None and envelope.checksum.byte >= 0:
        at = envelope.checksum.byte
        take("the checksum", dict.fromkeys(range(at, at + envelope.checksum.size), 0xFF))
    for place, field in enumerate(message.fields):
        if (message.name, place) in allowed:
            continue
        before = take(_key(field), occupied(field))
        if before is not None:
            yield Problem(
                f"message.{message.name}.fields.{_key(field)}",
                f"takes bits that belong to {before}",
                "mend byte, bit or width; if it is meant, write overlaps = true",
            )


def _key(field: FrameField) -> str:
    """Return the field's name for a problem: that of its first signal, and of its last."""
    return field.signals[0] if len(field.signals) == 1 else f"{field.signals[0]}..{field.signals[-1]}"
