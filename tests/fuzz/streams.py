"""Decoders of what arrives on a link. Each input goes in whole and in pieces; nothing that arrives may raise."""

from __future__ import annotations

import random
import struct
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zlib import crc32

from drivers.decode.bluetooth_characteristics import CHARACTERISTICS
from drivers.decode.bluetooth_readings import StandardReadings
from drivers.decode.can_batches import CanBatches
from drivers.decode.can_frames import CanFrame
from drivers.decode.can_standards import DecodingSettings, standard_messages
from drivers.decode.frame_decoder import FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_layout import FrameMap
from drivers.decode.frame_map import read_frame_map
from drivers.decode.position_sentences import PositionSentences
from drivers.decode.register_table import Range, Register, Registers, RegisterTable
from drivers.decode.sunspec import LAYOUTS, Model, decoded, not_read, signals_of
from drivers.decode.text_batches import TextBatches
from drivers.decode.text_settings import TextSettings
from drivers.simulated.modbus_peer import encoded
from telemetry.model.batch import Batch, Group
from telemetry.model.tables import settings_of

from .target import Target, check_batches

ROOT = Path(__file__).parents[2]
BEGIN = 1_764_000_000_000_000
STANDARDS: tuple[dict[str, Any], ...] = (
    {"standard": ["rv-c", "nmea-2000", "j1939"]},
    {"standard": ["canopen-418"], "node": 5},
)


def pieces(data: bytes) -> Iterator[SimpleNamespace]:
    """Cut ``data`` as a link might: the same data always alike, now and then with a loss before a piece."""
    rng = random.Random(crc32(data))
    place, arrival = 0, BEGIN
    step = rng.choice((len(data), 200, 40, 3 if len(data) < 200 else 64))
    while place < len(data):
        size = rng.randrange(1, step + 1)
        lost = int(rng.random() < 0.02)
        yield SimpleNamespace(arrival=arrival, data=data[place : place + size], lost_before=lost)
        place += size
        arrival += rng.choice((0, 100, 5_000, 200_000, 2_000_000))


TEXT_SETTINGS: tuple[dict[str, Any], ...] = (
    {},
    {"time_column": "ms", "columns": {"u_bat": {"signal": "pack_voltage", "scale": 0.001}}},
    {
        "format": "csv",
        "columns_in_order": ["ms", "pack_voltage", "pack_current"],
        "time_column": "ms",
        "time_unit": "s",
    },
    {"format": "record", "record_mark": "BEGIN"},
    {"record_mark": "", "delimiter": "="},
    {"format": "json", "time_column": "ms", "time_wraps_at": 65536},
    {"delimiter": ";"},
    {"columns": {"u_bat": {"signal": "cell_01_voltage", "unknown": [0, 65535]}, "x": {"signal": "extra_x"}}},
)


def text(data: bytes) -> None:
    """Read what a board prints, laid out in one of eight ways."""
    settings = TEXT_SETTINGS[crc32(data) % len(TEXT_SETTINGS)]
    batches = TextBatches(Group("board", "lines", ()), settings_of(TextSettings, settings))
    check_batches([batch for piece in pieces(data) if (batch := batches.feed([piece])) is not None])


def text_examples() -> list[bytes]:
    """Return each kind of text, some lines each."""
    rows = [(1000 + 200 * n, 52.0 + n / 100, 14.2 - n) for n in range(6)]
    csv = "ms,pack_voltage,pack_current\n" + "".join(f"{t},{v:.2f},{c:.1f}\n" for t, v, c in rows)
    semicolons = csv.replace(",", ";").replace("pack_voltage", "u_bat").replace(".", ",")
    pairs = "".join(f"ms={t} u_bat={v * 1000:.0f} pack_current={c:.1f} odd name=3\r\n" for t, v, c in rows)
    lines = "".join(
        f'{{"ms": {t}, "pack": {{"voltage": {v:.2f}, "cells": [3.3, 3.31]}}, "x": {c}}}\n' for t, v, c in rows
    )
    record = "".join(f"BEGIN\nms {t}\npack_voltage {v:.2f}\npack_current {c:.1f}\n" for t, v, c in rows)
    blank = record.replace("BEGIN", "").replace(" ", "=")
    return [each.encode() for each in (csv, semicolons, pairs, lines, record, blank, csv.replace(",", " "))]


_FIELDS = """
[message.state]
group = "pack"
when = { byte = 3, is = 0x01 }
LENGTH_13
[message.state.fields]
pack_voltage = { byte = 4, width = 16, scale = 0.01, unknown = 0xFFFF }
pack_current = { byte = 6, width = 16, type = "signed", scale = 0.1, unknown = 0x8000 }
discharge_allowed = { byte = 8, bit = 7 }
[message.cells]
group = "pack"
when = { byte = 3, is = 0x02 }
LENGTH_16
[message.cells.fields]
"cell_*_voltage" = { byte = 4, width = 12, step = 2, scale = 0.001, count = 4, unknown = 0xFFF }
"""
_SUM = 'checksum = {{ kind = "twos-complement", width = 32, covers = [2, {}] }}\n'
_CRC = 'checksum = {{ kind = "CRC-32", covers = [2, {}] }}\n'
_FLAGS = 'escape = { byte = "7D", xor = "20" }\n'


@cache
def frame_maps() -> tuple[FrameMap, ...]:
    """Return maps of every way to frame: with a length, by kind, between flags, in whole pieces, on request."""
    texts = [
        'byte_order = "big"\n[frame]\nstart = "A5 5A"\nlength = { byte = 2, uncounted = 3 }\n'
        + _CRC.format(-5)
        + _FIELDS,
        'byte_order = "big"\n[frame]\nstart = "A5 5A"\nend = "0D"\n' + _FLAGS + _CRC.format(-6) + _FIELDS,
        'byte_order = "big"\n[frame]\nstart = "7E"\nend = "7E"\n' + _FLAGS + _CRC.format(-6) + _FIELDS,
        'byte_order = "big"\n[frame]\nstart = "A5 5A"\n'
        + _CRC.format(-5)
        + _FIELDS.replace("LENGTH_13", "length = 13").replace("LENGTH_16", "length = 16"),
        'byte_order = "big"\n[frame]\none_per_piece = true\n' + _FIELDS,
        (ROOT / "drivers/simulated/plain_pack.toml").read_text(encoding="utf-8"),
    ]
    maps = []
    for each in texts:
        frame_map, problems = read_frame_map(tomllib.loads(each.replace("LENGTH_13", "").replace("LENGTH_16", "")))
        assert frame_map is not None, [str(problem) for problem in problems]
        maps.append(frame_map)
    return tuple(maps)


def frames(data: bytes) -> None:
    """Decode bytes by one of the maps; the first byte says which."""
    if not data:
        return
    decode(frame_maps()[data[0] % len(frame_maps())], data[1:])


def decode(frame_map: FrameMap, data: bytes) -> None:
    """Decode bytes by a map, its requests sent in turn."""
    decoder = FrameDecoder(frame_map, "pack")
    batches: list[Batch] = []
    for number, piece in enumerate(pieces(data)):
        if frame_map.requests and number % 3 == 0:
            batches += decoder.overdue()
            decoder.asked(frame_map.requests[number % len(frame_map.requests)])
        if piece.lost_before:
            decoder.restart()
        batches += decoder.feed(piece.data, piece.arrival)
    batches += decoder.overdue() + decoder.cycle_over()
    check_batches(batches)


def frame_examples() -> list[bytes]:
    """Return for each map some good frames."""
    found = []
    for number, frame_map in enumerate(frame_maps()):
        good = b""
        for message in frame_map.messages.values():
            for turn in range(2):
                values = {
                    signal: 1.0 if signal.endswith("allowed") else 3.0 + turn / 10 for signal in message.signals
                }
                good += encode(frame_map, message.name, values)
        found.append(bytes([number]) + good)
    return found


@cache
def _messages() -> tuple[Any, ...]:
    return tuple(standard_messages(settings_of(DecodingSettings, settings), set()) for settings in STANDARDS)


_RECORD = struct.Struct("<IHB8s")


def can(data: bytes) -> None:
    """Decode CAN frames: a byte chooses the standards, then key, milliseconds on, length and eight bytes each."""
    if not data:
        return
    messages = _messages()[data[0] % len(_messages())]
    batches, arrival, found = CanBatches("bus", messages, 250_000), BEGIN, []
    for number, (key, on, size, payload) in enumerate(_RECORD.iter_unpack(data[1 : 1 + (len(data) - 1) // 15 * 15])):
        arrival += 1000 * (on if on < 0xFF00 else on * 1000)
        batches.feed([CanFrame(arrival, key, payload[: size % 9])])
        batches.close_due(arrival)
        if number % 16 == 15:
            batches.frames_lost()
        found += batches.taken()
    batches.close_due(arrival + 1_000_000)
    check_batches(found + batches.taken())


def can_examples() -> list[bytes]:
    """Return frames of every message of the standards, fast packets in their parts."""
    found = []
    for choice, messages in enumerate(_messages()):
        rng = random.Random(choice)
        records = bytes([choice])
        for message in messages:
            body = bytes(rng.randrange(120) for _ in range(26))
            parts = [body[:8]]
            if message.fast_packet:
                parts = [bytes((0x20, 20)) + body[:6], b"\x21" + body[6:13], b"\x22" + body[13:20]]
            for part in parts:
                records += _RECORD.pack(message.wanted.layout.key, 10, 8, part)
        found.append(records)
    return found


_REGISTERS = [
    {"address": 0, "signal": "pack_voltage", "scale": 0.1},
    {"address": 1, "type": "s16", "signal": "pack_current", "scale": 0.1, "unknown": [-32768]},
    {"address": 2, "type": "f32", "signal": "soc_reported"},
    {"address": 4, "type": "f32", "word_order": "low-first", "signal": "extra_a", "scale": 1e300},
    {"address": 6, "type": "s32", "signal": "extra_b", "offset": -1e9},
    {"address": 8, "type": "u32", "signal": "extra_c", "unknown": [0xFFFFFFFF]},
    {"address": 10, "signal": "charge_allowed", "bit": 15},
]


def registers(data: bytes) -> None:
    """Read a register table of every type, and a SunSpec model of any length, from the same registers."""
    words = list(struct.unpack(f">{len(data) // 2}H", data[: len(data) // 2 * 2]))
    table, read = RegisterTable([settings_of(Register, entry) for entry in _REGISTERS]), Registers()
    read.add(Range("holding", 0, len(words)), words)
    batches = [Batch.of_rows(Group("device", "registers", table.signals), [BEGIN], [table.row(read)])]
    if len(words) > 2:
        number = words[0] if words[0] in LAYOUTS else 802 + words[0] % 3
        model = Model(number, 40_070, len(words) - 2)
        if model.is_whole:
            whole = sum(count for _, count in model.parts())
            for values in (decoded(model, words[:whole]), not_read(model)):
                signals = signals_of([values])
                group = Group("device", "battery", tuple(signals))
                batches.append(Batch.of_rows(group, [BEGIN], [list(signals.values())]))
    check_batches(batches)


def register_examples() -> list[bytes]:
    """Return registers of each SunSpec battery model."""
    found = []
    for number in (802, 803, 804):
        layout = LAYOUTS[number]
        values = {point.name: 3.0 for point in layout.fixed if point.name not in ("ID", "L")}
        repeats = [{point.name: 2.0 for point in layout.repeated}] * (2 if layout.repeated_width else 0)
        words = encoded(number, {name: v for name, v in values.items() if not name.endswith("_SF")}, repeats)
        found.append(b"".join(word.to_bytes(2, "big") for word in words))
    return found


def bluetooth(data: bytes) -> None:
    """Read values of the standard characteristics: number of the characteristic, length, bytes, one after another."""
    numbers = sorted(CHARACTERISTICS)
    present = dict(enumerate([*numbers, *numbers[:4]]))
    readings, found, at, arrival = StandardReadings("pack", present, 5_000_000), [], 0, BEGIN
    while at + 2 <= len(data):
        handle, size = data[at] % len(present), data[at + 1] % 24
        arrival += 1000 * data[at]
        batch = readings.feed(handle, data[at + 2 : at + 2 + size], arrival)
        if batch is not None:
            found.append(batch)
        at += 2 + size
    check_batches(found)


def bluetooth_examples() -> list[bytes]:
    """Return values of every length for every characteristic."""
    rng = random.Random(5)
    whole = [bytes((handle, size)) + rng.randbytes(size) for handle in range(20) for size in (1, 2, 3, 4, 6, 9, 12)]
    return [b"".join(whole[start : start + 6]) for start in range(0, len(whole), 6)]


def sentences(data: bytes) -> None:
    """Read a satellite receiver's sentences, with rests between the pieces."""
    reader, found, now = PositionSentences("receiver", "position"), [], BEGIN
    for piece in pieces(data):
        found += [reader.feed([piece]), reader.quiet(piece.arrival + 50_000)]
        now = piece.arrival
    found += [reader.quiet(now + 10**6), reader.finish()]
    check_batches([batch for batch in found if batch is not None])


def sentence_examples() -> list[bytes]:
    """Return sentences of each kind with right checksums."""
    bodies = [
        "GPRMC,{t}.00,A,4717.11437,N,00833.91522,E,004.5,077.52,091202,,,A",
        "GNGGA,{t}.00,4717.11399,N,00833.91590,E,1,08,1.01,499.6,M,48.0,M,,",
        "GPVTG,77.52,T,,M,0.004,N,0.008,K,A",
        "GPGLL,4717.11364,N,00833.91565,E,{t}.00,A,A",
        "GPGSV,3,1,10,23,38,230,44,29,71,156,47,07,29,116,41,08,09,081,36",
    ]
    text = b""
    for second in range(2):
        for body in bodies:
            line = body.format(t=92725 + second).encode()
            sum_ = 0
            for byte in line:
                sum_ ^= byte
            text += b"$" + line + b"*%02X\r\n" % sum_
    return [text, text.replace(b"\r", b"")]


def mended_sentences(rng: random.Random, examples: list[bytes]) -> bytes:
    """Damage sentences; half of the time mend their checksums, so that the damage gets past them."""
    from .changes import damaged

    data = damaged(rng, examples)
    if rng.random() < 0.5:
        return data
    lines = []
    for line in data.split(b"\n"):
        body = line.strip().removeprefix(b"$").partition(b"*")[0]
        sum_ = 0
        for byte in body:
            sum_ ^= byte
        lines.append(b"$%s*%02X\r" % (body, sum_))
    return b"\n".join(lines)


TARGETS = (
    Target("serial-text", "text lines", 200, text, text_examples),
    Target("frames", "frames by frame maps", 200, frames, frame_examples),
    Target("can-messages", "CAN messages, NMEA 2000", 150, can, can_examples),
    Target("modbus-registers", "Modbus registers, SunSpec", 150, registers, register_examples),
    Target("bluetooth", "Bluetooth characteristics", 150, bluetooth, bluetooth_examples),
    Target("nmea-0183", "NMEA 0183 sentences", 100, sentences, sentence_examples, mended_sentences),
)
