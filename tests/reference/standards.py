"""``python -m tests.reference.standards``: frames drawn at random, decoded by us and by reference decoders.

Reference decoders: nmea2000 (NMEA 2000), cantools on the same message layouts (RV-C, J1939), pysunspec2 (SunSpec 802
to 804), pynmea2 (NMEA 0183). Prints the frames, the values compared and how many differ; the tests run a short part.
"""

from __future__ import annotations

import argparse
import math
import random
import struct
import sys
from collections.abc import Callable, Iterator
from functools import cache

import cantools.database
import pynmea2
import sunspec2.device
from nmea2000.decoder import NMEA2000Decoder

from drivers.decode import sunspec
from drivers.decode.can_frames import parameter_group
from drivers.decode.can_signals import MessageDecoder, Take
from drivers.decode.can_standards import FILES, FOLDER
from drivers.decode.message_catalogue import Layout, read_catalogue, stated_ranges, with_stated_range
from drivers.decode.position_sentences import PositionSentences
from drivers.links.pump import Piece

FRAMES = 50_000
Pair = tuple[str, float, float | None]
"""What is compared: its name, our value (NaN for no reading), the reference's (None for no reading)."""
KELVIN, MINUTE_S, KM_H = 273.15, 60.0, 3.6
_RESERVED = 3
"""Counts at the top of a range that say error or not available; a reference may take the lower ones for values."""


def _layouts(standard: str) -> list[Layout]:
    path = FOLDER / f"{FILES[standard]}.dbc"
    ranges = stated_ranges(path)
    return [with_stated_range(layout, ranges[layout.name]) for layout in read_catalogue(path)]


def _ours(layout: Layout, data: bytes) -> dict[str, float]:
    decoder = _decoder(layout.name, tuple(layout.fields.values()))
    return dict(zip(decoder.signals, (math.nan if v is None else v for v in decoder.decode(data)), strict=True))


@cache
def _decoder(_name: str, fields: tuple) -> MessageDecoder:
    return MessageDecoder([Take(field, field.name) for field in fields])


def _drawn(chance: random.Random, length: int) -> bytes:
    """Return bytes as often at the ends of a range as between."""
    return bytes(chance.choice((chance.randrange(256), chance.randrange(256), 0, 0xFF, 0x7F)) for _ in range(length))


def fast_packet(key: int, sequence: int, payload: bytes) -> list[bytes]:
    """Return the frames of an NMEA 2000 fast packet."""
    frames = [bytes([sequence << 5, len(payload)]) + payload[:6]]
    for n, at in enumerate(range(6, len(payload), 7), 1):
        frames.append(bytes([sequence << 5 | n]) + payload[at : at + 7].ljust(7, b"\xff"))
    return frames


RENAMED = {
    "Instance": (
        "instance",
        "inverterMotorIdentifier",
        "energyStorageIdentifier",
        "inverterMotorController",
        "connectionNumber",
    ),
    "Current": ("current",),
    "DcVoltageDeratingThreshold": ("motorDcVoltageDeratingThreshold",),
    "DcVoltageCutOffThreshold": ("motorDcVoltageCutOffThreshold",),
    "BatteryCycles": ("batteryCycleCounter",),
    "Ripple": ("rippleVoltage",),
    "SequenceNumber": ("sid",),
    "SourceType": (),
    "BatteryStatus": ("batteryStatus",),
    "CourseOverGround": ("cog",),
    "SpeedOverGround": ("sog",),
}
"""Names of the reference, where they are not ours with a small first letter."""


def nmea_2000(chance: random.Random) -> Iterator[list[Pair]]:
    """Give messages of every parameter group that is read."""
    layouts, decoder = _layouts("nmea-2000"), NMEA2000Decoder()
    sequence = 0
    while True:
        layout = chance.choice(layouts)
        data = _drawn(chance, layout.length)
        sequence = (sequence + 1) % 8
        frames = fast_packet(layout.key, sequence, data) if layout.length > 8 else [data]
        found = None
        for frame in frames:
            text = f"can0  {layout.key & 0x1FFFFFFF:08X}   [{len(frame)}]  {frame.hex(' ').upper()}"
            found = decoder.decode(text) or found
        assert found is not None, parameter_group(layout.key)
        theirs = {field.id: (field.value, field.unit_of_measurement) for field in found.fields}
        pairs = []
        for name, value in _ours(layout, data).items():
            names = RENAMED.get(name, (name[0].lower() + name[1:],))
            other = next((theirs[each] for each in names if each in theirs), None)
            if other is None or isinstance(other[0], str):
                continue
            pairs.append((f"{layout.name}.{name}", value, _in_our_unit(layout, name, *other)))
        yield [pair for pair in pairs if not _reserved(layout, pair, data)]


def _in_our_unit(layout: Layout, name: str, value: float | None, unit: str | None) -> float | None:
    if value is None:
        return None
    if unit == "K":
        return value - KELVIN
    if unit == "s" and name == "TimeRemaining":
        return value / MINUTE_S
    return value * KM_H if unit == "m/s" else value


def _reserved(layout: Layout, pair: Pair, data: bytes) -> bool:
    """Return whether ours is unknown since the count is one of the reserved ones, or no place on earth."""
    if layout.name == "PositionRapidUpdate":
        return math.isnan(pair[1]) and (pair[2] is None or abs(pair[2]) > (90 if "Latitude" in pair[0] else 180))
    field = layout.fields[pair[0].partition(".")[2]]
    count = int.from_bytes(data, "little") >> field.start & (1 << field.bits) - 1
    top = (1 << (field.bits - 1 if field.signed else field.bits)) - 1
    return math.isnan(pair[1]) and top - _RESERVED < count <= top


def _by_cantools(standard: str) -> Callable[[random.Random], Iterator[list[Pair]]]:
    def pairs(chance: random.Random) -> Iterator[list[Pair]]:
        layouts = _layouts(standard)
        reference = cantools.database.load_file(FOLDER / f"{FILES[standard]}.dbc")
        while True:
            layout = chance.choice(layouts)
            data = _drawn(chance, 8)
            theirs = reference.decode_message(layout.key & 0x1FFFFFFF, data, decode_choices=False)
            limits = {signal.name: signal for signal in reference.get_message_by_name(layout.name).signals}
            found = []
            for name, value in _ours(layout, data).items():
                other, known = theirs[name], limits[name]
                in_range = known.minimum - 1e-9 <= other <= known.maximum + 1e-9
                found.append((f"{layout.name}.{name}", value, other if in_range else None))
            yield found

    return pairs


def sun_spec(chance: random.Random) -> Iterator[list[Pair]]:
    """Give models 802, 803 and 804."""
    counts, groups = {803: "NStr", 804: "NMod"}, {803: "string", 804: "lithium_ion_string_module"}
    while True:
        number = chance.choice((802, 803, 804))
        layout = sunspec.LAYOUTS[number]
        repeats = chance.randrange(3) if number in counts else 0
        width = layout.fixed_width + repeats * layout.repeated_width
        words = [chance.choice((chance.randrange(65536), 0xFFFF, 0x8000, 0)) for _ in range(width)]
        words[0:2] = number, width - 2
        for point in layout.fixed:
            if point.type == "sf":
                words[point.place] = chance.choice((0x8000, *(factor & 0xFFFF for factor in range(-10, 11))))
            if point.name == counts.get(number):
                words[point.place] = repeats
        ours = sunspec.decoded(sunspec.Model(number, 0, width - 2), words)
        theirs = sunspec2.device.Model(number, model_len=width - 2, data=struct.pack(f">{width}H", *words))
        pairs = [(n, v, theirs.points[n].cvalue) for n, v in ours.fixed.items() if n not in ("ID", "L")]
        for place, values in enumerate(ours.repeated):
            points = theirs.groups[groups[number]][place].points
            pairs += [(n, v, points[n].cvalue) for n, v in values.items()]
        yield pairs


def nmea_0183(chance: random.Random) -> Iterator[list[Pair]]:
    """Give RMC and GGA sentences with a fix."""
    while True:
        lat, lon = chance.uniform(-90, 90), chance.uniform(-180, 180)
        knots = chance.choice((0.0, chance.uniform(0, 99)))
        minutes = [divmod(round(abs(x) * 600_000), 600_000) for x in (lat, lon)]
        degrees = [f"{whole:0{w}d}{part / 10_000:07.4f}" for (whole, part), w in zip(minutes, (2, 3), strict=True)]
        sides = "N" if lat >= 0 else "S", "E" if lon >= 0 else "W"
        body = f"GPRMC,101112.00,A,{degrees[0]},{sides[0]},{degrees[1]},{sides[1]},{knots:.3f},77.5,130326,,,A"
        check = 0
        for letter in body:
            check ^= ord(letter)
        line = f"${body}*{check:02X}"
        theirs = pynmea2.parse(line)
        decoder = PositionSentences("gps", "position")
        rows: dict[str, float] = {}
        piece = Piece(1_000_000, line.encode() + b"\r\n")
        for batch in filter(None, [decoder.feed([piece]), decoder.finish()]):
            rows |= dict(zip(batch.group.signals, batch.values[-1].tolist(), strict=True))
        yield [
            ("latitude", rows.get("latitude", math.nan), theirs.latitude),
            ("longitude", rows.get("longitude", math.nan), theirs.longitude),
            ("vehicle_speed", rows.get("vehicle_speed", math.nan), theirs.spd_over_grnd * 1.852),
        ]


STANDARDS: dict[str, Callable[[random.Random], Iterator[list[Pair]]]] = {
    "nmea-2000": nmea_2000,
    "rv-c": _by_cantools("rv-c"),
    "j1939": _by_cantools("j1939"),
    "sunspec": sun_spec,
    "nmea-0183": nmea_0183,
}


def compared(standard: str, frames: int, seed: int) -> tuple[int, list[str]]:
    """Return how many values were compared, and what differs."""
    chance, count, wrong = random.Random(f"{seed}/{standard}"), 0, []
    drawn = STANDARDS[standard](chance)
    for _ in range(frames):
        for name, ours, theirs in next(drawn):
            count += 1
            unknown = theirs is None or (isinstance(theirs, float) and math.isnan(theirs))
            same = math.isnan(ours) if unknown else math.isclose(ours, theirs, rel_tol=1e-9, abs_tol=1e-6)
            if not same:
                wrong.append(f"{standard} {name}: {ours}, reference {theirs}")
    return count, wrong


def main() -> int:
    """Compare what the command line asks for; return 1 where anything differs."""
    parser = argparse.ArgumentParser(prog="python -m tests.reference.standards", description=__doc__)
    parser.add_argument("--frames", type=int, default=FRAMES, help="of each standard")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=list(STANDARDS), default=list(STANDARDS))
    arguments = parser.parse_args()
    differ = 0
    for standard in arguments.only:
        count, wrong = compared(standard, arguments.frames, arguments.seed)
        print(f"{standard:10} {arguments.frames} frames, {count} values, {len(wrong)} differ", flush=True)
        print("\n".join(wrong[:5]))
        differ += len(wrong)
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
