"""Frames and fields against published worked bytes and independent libraries."""

from __future__ import annotations

import math
import struct
import tomllib

import cantools
import crccheck
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.frame_cutter import do_escapes, undo_escapes
from drivers.decode.frame_decoder import FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_map import read_frame_map


def a_map(text):
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert frame_map is not None, [str(problem) for problem in problems]
    return frame_map


def decoded(text, data):
    """The signals of the one row that ``data`` gives."""
    batches = FrameDecoder(a_map(text), "peer").feed(bytes.fromhex(data), 0)
    return {
        signal: value
        for batch in batches
        for signal, value in zip(batch.group.signals, batch.values[0].tolist(), strict=True)
    }


# MODBUS Application Protocol V1.1b3, section 6.3: registers 108 to 110 read as 555, 0 and 100. Framed as Modbus RTU.
MODBUS = """
byte_order = "big"
[frame]
start = "11"
length = { byte = 2, uncounted = 5 }
checksum = { kind = "CRC-16/MODBUS", byte_order = "little" }

[message.holding]
when = { byte = 1, is = 0x03 }
[message.holding.fields]
"extra_register_*" = { byte = 3, width = 16, count = 3, first_number = 108 }

[message.inputs]
when = { byte = 1, is = 0x04 }
[message.inputs.fields]
extra_register_9 = { byte = 3, width = 16 }
"""


def test_the_modbus_read_of_three_registers():
    assert decoded(MODBUS, "11 03 06 02 2B 00 00 00 64 C8 BA") == {
        "extra_register_108": 555,
        "extra_register_109": 0,
        "extra_register_110": 100,
    }


def test_the_modbus_read_of_an_input_register():
    assert decoded(MODBUS, "11 04 02 00 0A F8 F4") == {"extra_register_9": 10}


def test_the_modbus_frames_are_made_byte_for_byte():
    frame = encode(
        a_map(MODBUS), "holding", {f"extra_register_{n}": v for n, v in ((108, 555), (109, 0), (110, 100))}
    )
    assert frame == bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")


@pytest.mark.parametrize("turned", range(8 * 11))
def test_a_modbus_frame_with_any_one_bit_turned_is_none(turned):
    data = bytearray.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
    data[turned // 8] ^= 1 << turned % 8
    decoder = FrameDecoder(a_map(MODBUS), "peer")
    assert decoder.feed(bytes(data), 0) == []
    assert decoder.overdue() == []
    assert not decoder.figures.frames


# RFC 1662: the flag is 7E; 7E goes as 7D 5E, 7D as 7D 5D (section 4.2); the frame check sequence is sent low byte
# first, and run over a whole frame with it the register ends at F0B8 (appendix C.2, PPPGOODFCS16).
HDLC = """
byte_order = "little"
[frame]
start = "7E"
end = "7E"
escape = { byte = "7D", xor = "20" }
checksum = { kind = "CRC-16/X-25", covers = [1, -4] }
[message.state]
length = 10
[message.state.fields]
extra_address = { byte = 1 }
extra_word = { byte = 2, width = 16 }
pack_voltage = { byte = 4, width = 16, scale = 0.01 }
extra_last = { byte = 6 }
"""


def test_octets_are_stuffed_as_rfc_1662_states():
    frame_map = a_map(HDLC)
    values = {"extra_address": 0xFF, "extra_word": 0x7D7E, "pack_voltage": 51.47, "extra_last": 0x7E}
    sent = encode(frame_map, "state", values)
    assert sent.startswith(bytes.fromhex("7E FF 7D 5E 7D 5D 1B 14 7D 5E"))
    body = undo_escapes(sent[1:-1], frame_map.envelope.escape)
    assert crccheck.crc.Crc16X25.calc(body) ^ 0xFFFF == 0xF0B8
    assert decoded(HDLC, sent.hex()) == pytest.approx(values)


def test_frames_may_share_a_flag_as_rfc_1662_allows():
    frame_map = a_map(HDLC)
    sent = encode(frame_map, "state", {"pack_voltage": 51.47})
    decoder = FrameDecoder(frame_map, "peer")
    (batch,) = decoder.feed(sent + sent[1:] + b"\x7e\x7e" + sent, 0)
    assert len(batch) == 3
    assert not decoder.figures.bad


# RFC 1055: END C0 goes as DB DC, ESC DB as DB DD; a frame ends with END and may begin with one.
SLIP = """
byte_order = "big"
[frame]
end = "C0"
escape = { byte = "DB", pairs = { "C0" = "DC", "DB" = "DD" } }
checksum = { kind = "CRC-16/XMODEM" }
[message.state.fields]
extra_word = { byte = 0, width = 32 }
"""


def test_bytes_are_stuffed_as_rfc_1055_states():
    frame_map = a_map(SLIP)
    assert do_escapes(b"\xc0\xdb\x01", frame_map.envelope.escape) == bytes.fromhex("DB DC DB DD 01")
    sent = encode(frame_map, "state", {"extra_word": 0xC0DB01C0})
    assert sent.startswith(bytes.fromhex("DB DC DB DD 01 DB DC"))
    assert decoded(SLIP, (b"\xc0" + sent).hex()) == {"extra_word": 0xC0DB01C0}


PUMP = """
byte_order = "big"
[frame]
length = 3
one_per_piece = true
[message.pump.fields]
extra_inlet = { byte = 0, bit = 5, width = 11, scale = 0.1, offset = -40 }
extra_running = { byte = 1, bit = 4 }
extra_flow = { byte = 1, bit = 0, width = 12, type = "signed", scale = 0.5 }
"""
PUMP_AS_DBC = """\
VERSION ""

NS_ :

BS_:

BU_: Pump Recorder

BO_ 772 PumpState: 3 Pump
 SG_ extra_inlet : 7|11@0+ (0.1,-40) [0|0] "degC" Recorder
 SG_ extra_running : 12|1@0+ (1,0) [0|0] "" Recorder
 SG_ extra_flow : 11|12@0- (0.5,0) [0|0] "L/min" Recorder
"""


@given(st.binary(min_size=3, max_size=3))
def test_bits_across_bytes_as_cantools_decodes_them(data):
    reference = cantools.database.load_string(PUMP_AS_DBC, "dbc").decode_message(772, data)
    assert decoded(PUMP, data.hex()) == pytest.approx(reference, abs=1e-9)


# NMEA 2000, parameter group 127508, as decoded by the package nmea2000.
NMEA_2000 = """
byte_order = "little"
[frame]
length = 8
one_per_piece = true
[message.battery.fields]
pack_voltage = { byte = 1, width = 16, type = "signed", scale = 0.01, unknown = 0x7FFF }
pack_current = { byte = 3, width = 16, type = "signed", scale = 0.1, unknown = 0x7FFF }
pack_temperature_1 = { byte = 5, width = 16, scale = 0.01, offset = -273.15, unknown = 0xFFFF }
"""


def test_nmea_2000_battery_status():
    assert decoded(NMEA_2000, "01 1B 14 A1 FE 77 74 2A") == pytest.approx(
        {"pack_voltage": 51.47, "pack_current": -35.1, "pack_temperature_1": 25.0}
    )
    assert all(math.isnan(value) for value in decoded(NMEA_2000, "01 FF 7F FF 7F FF FF FF").values())


# RV-C, DC source status 1: field widths and scales from the published library RVCMessages; bytes computed from them.
RV_C = """
byte_order = "little"
[frame]
length = 8
one_per_piece = true
[message.source.fields]
pack_voltage = { byte = 2, width = 16, scale = 0.05, unknown = [[0xFFFD, 0xFFFF]] }
pack_current = { byte = 4, width = 32, scale = 0.001, offset = -2_000_000, unknown = [[0xFFFFFFFD, 0xFFFFFFFF]] }
"""


def test_rv_c_direct_current_source_status():
    assert decoded(RV_C, "01 78 05 04 E4 0A 35 77") == pytest.approx({"pack_voltage": 51.45, "pack_current": -35.1})
    assert decoded(RV_C, "01 78 05 04 00 94 35 77")["pack_current"] == 0
    assert all(math.isnan(value) for value in decoded(RV_C, "01 78 FE FF FF FF FF FF").values())


# Bluetooth SIG, characteristics 2B18 (voltage, 1/64 V) and 2A6E (temperature, 0.01 degC), from the SIG's own YAML.
def one_value(field, data):
    text = f"byte_order = 'little'\n[frame]\none_per_piece = true\nend = ''\n[message.value.fields]\n{field}\n"
    (value,) = decoded(text.replace("end = ''\n", "length = 2\n"), data).values()
    return value


def test_bluetooth_voltage_and_temperature():
    voltage = "pack_voltage = { byte = 0, width = 16, scale = 0.015625, unknown = 0xFFFF }"
    assert one_value(voltage, "CD 0C") == 51.203125
    assert math.isnan(one_value(voltage, "FF FF"))
    warm = "pack_temperature_1 = { byte = 0, width = 16, type = 'signed', scale = 0.01, unknown = 0x8000 }"
    assert one_value(warm, "07 FF") == pytest.approx(-2.49)
    assert math.isnan(one_value(warm, "00 80"))
    # the same code written as the negative number that it is
    assert math.isnan(one_value(warm.replace("0x8000", "-32768"), "00 80"))


@given(st.floats(width=32, allow_nan=False), st.sampled_from(["big", "little"]))
def test_floating_point_is_ieee_754(value, order):
    text = f"""
    byte_order = "big"
    [frame]
    length = 4
    one_per_piece = true
    [message.value.fields]
    extra_value = {{ byte = 0, width = 32, type = "float", byte_order = "{order}" }}
    """
    data = struct.pack(">f" if order == "big" else "<f", value)
    assert decoded(text, data.hex()) == {"extra_value": value}
