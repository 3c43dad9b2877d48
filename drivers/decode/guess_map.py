"""Proposes a frame map from a capture and from what a meter showed meanwhile, line by line. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from statistics import mode

from telemetry.model.batch import MICROSECONDS
from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import InputError, printable
from telemetry.model.signals import cell_name, find_signal

from .cut_layout import ByteOrder
from .guess_fields import CellGuess, FieldGuess, Reading, guess_cells, guess_fields, told_apart
from .guess_frames import FrameKind, guess_kinds

MOST_SHOWN = 4
"""Places shown of each reading; ours."""


def read_readings(texts: Sequence[str], began: int) -> list[Reading]:
    """Return readings as they are typed: ``pack_voltage=51.5``, ``pack_current=-12@30`` for 30 s into the capture.

    Raises:
        InputError: one is none.

    """
    found = []
    for text in texts:
        signal, _, rest = text.partition("=")
        value, _, at = rest.partition("@")
        try:
            t = began + round(float(at) * MICROSECONDS) if at else None
            found.append(Reading(signal.strip(), float(value), t))
        except (ValueError, OverflowError):
            raise InputError(
                f"{printable(text)!r} is not a reading; write pack_voltage=51.5, or pack_voltage=51.5@30 for what"
                " a meter showed 30 s after the capture began"
            ) from None
        if find_signal(found[-1].signal) is None:
            raise InputError(f"there is no signal {printable(signal)}; see docs/signals.md, or write extra_NAME")
    return found


def guess_map(capture: Iterable[CapturedPiece], texts: Sequence[str], source: str | None = None) -> Iterator[str]:
    """Give the lines of a proposed frame map, with what speaks for it and against it as comments.

    Args:
        capture: the pieces, in order.
        texts: readings as they are typed.
        source: name of the source to look at; the capture's first where it is None.

    Raises:
        InputError: a reading is none, or the capture is too short.

    """
    pieces = list(capture)
    source = pieces[0].source if pieces and source is None else source
    pieces = [piece for piece in pieces if piece.source == source]
    readings = read_readings(texts, pieces[0].t if pieces else 0)
    kinds = guess_kinds(pieces)
    if not kinds:
        raise InputError("no frames that repeat were found; capture a minute or more, and check baud_rate")
    yield "# proposed from a capture: nothing here is certain, so check each value beside a meter"
    yield from _frame(kinds)
    signals = dict.fromkeys(reading.signal for reading in readings)
    places = {signal: [reading for reading in readings if reading.signal == signal] for signal in signals}
    fields: dict[int, list[str]] = {number: [] for number in range(len(kinds))}
    notes: list[str] = []
    orders: list[ByteOrder] = []
    for signal, shown in places.items():
        guesses = guess_fields(kinds, shown)
        notes += _note(signal, shown, guesses)
        if guesses:
            fields[guesses[0].kind].append(f"{signal} = {guesses[0].stated()}")
            orders += [guesses[0].order] if guesses[0].width > 8 else []
    cells = guess_cells(kinds, places.get("pack_voltage", []), mode(orders) if orders else None)
    notes += _cell_notes(cells, bool(places.get("pack_voltage")))
    if cells:
        fields[cells[0].kind].append(f'"cell_*_voltage" = {cells[0].stated()}')
    for number, kind in enumerate(kinds):
        yield from _message(number, kind, len(kinds) > 1, fields[number])
    yield ""
    yield from (f"# {note}" for note in notes)
    sent = list(dict.fromkeys(piece.data for piece in pieces if piece.direction == "out"))
    if sent:
        yield "# sent in the capture; copy into [poll] only what is known to read:"
        yield from (f"#     {data.hex(' ').upper()}" for data in sent[:MOST_SHOWN])


def _frame(kinds: Sequence[FrameKind]) -> Iterator[str]:
    lengths = {kind.length for kind in kinds}
    checksums = {kind.checksum for kind in kinds if kind.checksum}
    yield 'byte_order = "big"  # where a field says nothing else'
    yield ""
    yield "[frame]"
    if kinds[0].start:
        yield f'start = "{kinds[0].start.hex(" ").upper()}"'
    if len(lengths) == 1:
        yield f"length = {kinds[0].length}"
    if len(checksums) == 1:
        yield f"checksum = {next(iter(checksums))}"
    else:
        yield "# no checksum known here fits all frames" if not checksums else "# each kind fits another checksum"


def _message(number: int, kind: FrameKind, several: bool, fields: Sequence[str]) -> Iterator[str]:
    yield ""
    yield f"[message.kind_{number + 1}]  # {len(kind.frames)} frames of {kind.length} bytes"
    if several:
        yield f"length = {kind.length}"
        at = len(kind.start)
        yield f"when = {{ byte = {at}, is = 0x{kind.frames[0][1][at]:02X} }}"
    if fields:
        yield f"[message.kind_{number + 1}.fields]"
        yield from fields
    else:
        yield f"# such as {kind.frames[-1][1].hex(' ').upper()}"


def _note(signal: str, shown: Sequence[Reading], guesses: Sequence[FieldGuess]) -> Iterator[str]:
    values = ", ".join(f"{reading.value:g}" for reading in shown)
    if not guesses:
        yield f"{signal}: no place shows {values}; it may be scaled otherwise, or not be sent"
        return
    count = told_apart(guesses)
    more = "" if count == 1 else "; read the meter once more at another level to tell which"
    yield f"{signal}: {count} place{'s fit' if count > 1 else ' fits'} {values}{more}"
    yield from (f"    {guess.stated()} of kind_{guess.kind + 1}" for guess in guesses[1:MOST_SHOWN])


def _cell_notes(cells: Sequence[CellGuess], has_pack: bool) -> Iterator[str]:
    if not cells:
        yield f"no row of numbers looks like cells ({cell_name(1)} and on)"
        return
    sums = f"their sum is {cells[0].volts:.2f} V"
    yield f"{cells[0].count} numbers in a row look like cells; {sums}" + (
        "" if has_pack else "; compare it with the pack's voltage"
    )
