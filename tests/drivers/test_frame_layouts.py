"""Six layouts of our own, with what odd packs do, against values worked out by hand."""

from __future__ import annotations

import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii

from drivers.decode.capture_check import check_capture
from drivers.decode.frame_decoder import FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_layout import FrameMap
from drivers.decode.frame_map import ByFrameMap, read_frame_map
from telemetry.model.capture import CapturedPiece

WORDS_SWAPPED = """
byte_order = "big"
[frame]
start = "4B"
length = 12
checksum = { kind = "sum", initial = 0x55, covers = [1, -2] }
[message.state.fields]
extra_energy = { byte = 1, width = 32, word_order = "low-first", scale = 0.1 }
pack_current = { byte = 5, width = 16, scale = 0.01, direction = { byte = 9, bit = 7 } }
pack_voltage = { byte = 7, width = 16, scale = 0.01 }
extra_speed = { byte = 10, direction = { byte = 9, bit = 6, negative = 0 } }
"""
DECIMAL_DIGITS = """
byte_order = "little"
[frame]
start = "AA"
length = 9
checksum = { kind = "xor", initial = 0x3C, covers = [1, -2] }
[message.state.fields]
pack_voltage = { byte = 1, width = 24, type = "bcd", scale = 0.001 }
soc_reported = { byte = 4, type = "bcd" }
pack_current = { byte = 5, width = 16, type = "bcd", scale = 0.1, direction = { byte = 7 } }
"""
CHARACTERS = """
byte_order = "big"
[frame]
start = "3A"
end = "0D 0A"
hexadecimal = true
checksum = { kind = "twos-complement", covers = [1, -4] }
[message.state]
when = { byte = 2, is = 0x42 }
[message.state.fields]
pack_voltage = { byte = 3, width = 16, scale = 0.01 }
pack_current = { byte = 5, width = 16, type = "signed", scale = 0.1 }
"""
SUM_OF_CHARACTERS = CHARACTERS.replace(
    'kind = "twos-complement", covers = [1, -4]',
    'kind = "twos-complement", width = 16, covers = [1, -5], of_characters = true',
)
FROM_THE_END = """
byte_order = "big"
[frame]
start = "C3"
length = { byte = 1, uncounted = 3 }
checksum = { kind = "CRC-8/SMBUS" }
[message.pack.fields]
"cell_*_voltage" = { byte = 3, width = 16, scale = 0.001, count = { byte = 2, most = 8 } }
pack_current = { byte = -5, width = 16, type = "signed", scale = 0.1 }
"pack_temperature_*" = { byte = -3, count = 2, offset = -40 }
"""
PAGES = """
byte_order = "little"
[frame]
start = "5E"
length = 9
checksum = "CRC-8/SMBUS"
[message.cells.fields]
"cell_*_voltage" = { byte = 2, width = 16, scale = 0.001, count = 3, unknown = 0, \
    first_number = { byte = 1, times = 3, add = 1, most = 12 } }
""".replace("\\\n    ", "")
PACKED = """
byte_order = "ORDER"
[frame]
start = "D2"
length = 12
checksum = "CRC-8/SMBUS"
[message.cells.fields]
"cell_*_voltage" = { byte = 1, width = 12, count = 4, packed = true, scale = 0.001, unknown = 0xFFF }
motor_temperature = { byte = 7, points = [[20, 120], [90, 60], [200, 0]] }
pack_voltage = { byte = 8, width = 16, points = [[1000, 20], [3000, 60]] }
extra_fault_code = { byte = 10, meanings = { 0 = "none", 2 = "cell over voltage", 0x11 = "contactor welded" } }
"""


def a_map(text: str) -> FrameMap:
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert frame_map is not None, [str(problem) for problem in problems]
    return frame_map


def rows_of(text: str, *frames: str | bytes) -> list[dict[str, float]]:
    decoder = FrameDecoder(a_map(text), "pack")
    batches = []
    for n, frame in enumerate(frames):
        batches += decoder.feed(bytes.fromhex(frame) if isinstance(frame, str) else frame, n * 1000)
    assert not decoder.figures.bad, decoder.figures.bad
    return [
        dict(zip(batch.group.signals, row, strict=True))
        for batch in [*batches, *decoder.cycle_over()]
        for row in batch.values.tolist()
    ]


def test_words_low_first_a_direction_bit_and_a_sum_that_starts_from_a_number() -> None:
    # 0x0001_86A0 = 100000 with its low word first; 0x0DB6 = 3510 turned by the top bit; 0x141B = 5147
    body = bytes.fromhex("86 A0 00 01 0D B6 14 1B 80 07")
    frame = b"\x4b" + body + bytes([(0x55 + sum(body)) & 0xFF])
    (row,) = rows_of(WORDS_SWAPPED, frame)
    assert row == pytest.approx(
        {"extra_energy": 10000.0, "pack_current": -35.1, "pack_voltage": 51.47, "extra_speed": -7}
    )
    other = bytes.fromhex("86 A0 00 01 0D B6 14 1B 40 07")
    (row,) = rows_of(WORDS_SWAPPED, b"\x4b" + other + bytes([(0x55 + sum(other)) & 0xFF]))
    assert (row["pack_current"], row["extra_speed"]) == (pytest.approx(35.1), 7)


def test_decimal_digits_and_an_exclusive_or_that_starts_from_a_number() -> None:
    # 051470 with its low digits first, 80 %, 0351 discharging: bit 0 of byte 7 is 1 where it is negative
    body = bytes.fromhex("70 14 05 80 51 03 01")
    check = 0x3C
    for byte in body:
        check ^= byte
    (row,) = rows_of(DECIMAL_DIGITS, b"\xaa" + body + bytes([check]))
    assert row == pytest.approx({"pack_voltage": 51.47, "soc_reported": 80, "pack_current": -35.1})
    (row,) = rows_of(DECIMAL_DIGITS, b"\xaa\x70\x14\x05\xa5\x51\x03\x01" + bytes([check ^ 0x80 ^ 0xA5]))
    assert math.isnan(row["soc_reported"])  # A is no digit


def test_hexadecimal_characters_with_the_checksum_of_modbus_ascii() -> None:
    # MODBUS over Serial Line V1.02, section 2.5.2: ":" , two characters a byte, LRC of the bytes, CR LF
    data = bytes.fromhex("01 42 14 1B FE A1")
    frame = b":" + data.hex().upper().encode() + f"{FramerAscii.compute_LRC(data):02X}".encode() + b"\r\n"
    assert rows_of(CHARACTERS, frame) == [pytest.approx({"pack_voltage": 51.47, "pack_current": -35.1})]
    (row,) = rows_of(CHARACTERS, frame[:4].lower() + frame[4:].lower())
    assert row["pack_voltage"] == pytest.approx(51.47)
    decoder = FrameDecoder(a_map(CHARACTERS), "pack")
    (batch,) = decoder.feed(b":01421G1BFEA1EF\r\n" + frame[:7] + frame, 0)
    assert len(batch) == 1
    assert dict(decoder.figures.bad) == {"not hexadecimal": 1, "cut short": 1}


def test_a_sum_over_the_characters_that_are_sent() -> None:
    text = b"0142141BFEA1"
    frame = b":" + text + f"{-sum(text) & 0xFFFF:04X}".encode() + b"\r\n"
    assert rows_of(SUM_OF_CHARACTERS, frame)[0]["pack_current"] == pytest.approx(-35.1)


@pytest.mark.parametrize("cells", [2, 5])
def test_places_counted_from_the_end_of_frames_of_any_length(cells: int) -> None:
    values = {f"cell_{n:02d}_voltage": 3.2 + n / 1000 for n in range(1, cells + 1)}
    body = bytes([2 * cells + 5, cells]) + b"".join(round(1000 * v).to_bytes(2, "big") for v in values.values())
    frame = b"\xc3" + body + bytes.fromhex("FE A1 41 3C")
    checksum = a_map(FROM_THE_END).envelope.checksum
    assert checksum is not None
    (row,) = rows_of(FROM_THE_END, frame + bytes([checksum.checksum.of(frame)]))
    assert row == pytest.approx(
        values | {"pack_current": -35.1, "pack_temperature_1": 25.0, "pack_temperature_2": 20.0}
    )


def page(number: int, *cells: float) -> bytes:
    return encode(
        a_map(PAGES), "cells", {f"cell_{3 * number + n:02d}_voltage": v for n, v in enumerate(cells, 1)}, number
    )


def test_cells_whose_first_number_is_in_the_frame_make_one_row_of_all_pages() -> None:
    first = page(1, 3.304, 3.305, 3.306)
    assert first[:8] == bytes.fromhex("5E 01 E8 0C E9 0C EA 0C")
    frames = [page(0, 3.301, 3.302, 3.303), first, page(2, 3.307, 3.308)]
    once, again = rows_of(PAGES, *frames, *frames)
    expected = {f"cell_{n:02d}_voltage": 3.3 + n / 1000 for n in range(1, 9)}
    assert once == again == pytest.approx(expected)
    # a page that fails to come leaves its cells unknown
    lacking = rows_of(PAGES, *frames, frames[0], frames[2], *frames)[1]
    assert math.isnan(lacking["cell_05_voltage"])
    assert lacking["cell_02_voltage"] == pytest.approx(3.302)


@pytest.mark.parametrize(
    ("order", "cells"), [("big", "CE4 CE5 CE6 FFF"), ("little", "E4 5C CE E6 FC FF")], ids=["big", "little"]
)
def test_lists_packed_in_12_bits_a_sensor_table_and_meanings(order: str, cells: str) -> None:
    # 0xCE4, CE5, CE6 are 3300 to 3302; little: the low 8 bits of the first, its high 4 below the low 4 of the next
    text = PACKED.replace("ORDER", order)
    volts = (2000).to_bytes(2, "big" if order == "big" else "little")
    body = bytes.fromhex("D2" + cells.replace(" ", "") + "37") + volts + b"\x02"
    checksum = a_map(text).envelope.checksum
    assert checksum is not None
    frame = body + bytes([checksum.checksum.of(body)])
    (row,) = rows_of(text, frame)
    assert math.isnan(row.pop("cell_04_voltage"))
    assert row == pytest.approx(
        {
            "cell_01_voltage": 3.300,
            "cell_02_voltage": 3.301,
            "cell_03_voltage": 3.302,
            "motor_temperature": 90.0,  # half way from 20 to 90
            "pack_voltage": 40.0,
            "extra_fault_code": 2,
        }
    )
    said = "\n".join(check_capture(a_map(text), [CapturedPiece(0, "pack", "in", frame)]))
    assert "= 2: cell over voltage]" in said
    assert "12 bit from bit 4: CE 4C = 3300]" in said if order == "big" else "[bytes 1-2" in said


def test_outside_a_sensor_table_there_is_no_reading_and_a_line_goes_on() -> None:
    text = PACKED.replace("ORDER", "big")
    field = {each.signals[0]: each for each in a_map(text).messages["cells"].fields}
    from drivers.decode.frame_reader import FieldReader

    frame = bytearray(12)
    frame[7], frame[8:10] = 19, (500).to_bytes(2, "big")
    assert math.isnan(FieldReader(field["motor_temperature"]).read(bytes(frame))[0])
    assert FieldReader(field["pack_voltage"]).read(bytes(frame)) == [pytest.approx(10.0)]


def test_meanings_that_name_a_fault_raise_one() -> None:
    names = ByFrameMap.fault_names({"map": tomllib.loads(PACKED.replace("ORDER", "big"))})
    assert dict(names["extra_fault_code"].codes) == {2: "cell over voltage", 17: "contactor welded"}


THERE_AND_BACK = {
    "words": (WORDS_SWAPPED, "state", {"extra_energy": (0, 4294967295, 0.1), "pack_current": (-65535, 65535, 0.01)}),
    "digits": (DECIMAL_DIGITS, "state", {"pack_voltage": (0, 999999, 0.001), "pack_current": (-9999, 9999, 0.1)}),
    "characters": (CHARACTERS, "state", {"pack_voltage": (0, 65535, 0.01), "pack_current": (-32768, 32767, 0.1)}),
    "sum of characters": (SUM_OF_CHARACTERS, "state", {"pack_current": (-32768, 32767, 0.1)}),
    "packed big": (PACKED.replace("ORDER", "big"), "cells", {"cell_02_voltage": (0, 4094, 0.001)}),
    "packed little": (PACKED.replace("ORDER", "little"), "cells", {"cell_03_voltage": (0, 4094, 0.001)}),
}


@settings(deadline=None)
@given(st.sampled_from(sorted(THERE_AND_BACK)), st.data())
def test_what_is_encoded_is_read_again(name: str, data: st.DataObject) -> None:
    text, message, signals = THERE_AND_BACK[name]
    values = {
        signal: data.draw(st.integers(low, high)) * scale for signal, (low, high, scale) in sorted(signals.items())
    }
    frame = encode(a_map(text), message, {"pack_voltage": 30.0, "motor_temperature": 60.0} | values)
    (row,) = rows_of(text, frame)
    assert {signal: row[signal] for signal in values} == pytest.approx(values)
