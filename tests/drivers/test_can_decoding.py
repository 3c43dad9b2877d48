"""CAN frames to readings, held against published bytes and against cantools, canmatrix and nmea2000."""

from __future__ import annotations

import io
import itertools
import math
from collections import Counter
from pathlib import Path

import canmatrix.formats
import cantools.database
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nmea2000.decoder import NMEA2000Decoder

from drivers.decode.can_batches import BETTER_WITHIN_US, DEVICE_SILENT_US, CanBatches
from drivers.decode.can_frames import (
    EXTENDED,
    FAST_PACKET_LIMIT_US,
    CanFrame,
    FastPackets,
    parameter_group,
)
from drivers.decode.can_signals import MessageDecoder, Take
from drivers.decode.can_standards import FILES, FOLDER, DecodingSettings, owners_messages, standard_messages
from drivers.decode.message_catalogue import CatalogueSettings, read_catalogue, wanted_of
from drivers.decode.row_assembly import RowAssembly
from drivers.simulated.can_peer import encoded
from telemetry.model.batch import Group, merged
from telemetry.model.tables import settings_of

# Fields that begin and end within bytes, most significant byte first, one of them signed.
PUMP = """\
VERSION "cooling"

NS_ :

BS_:

BU_: Pump Recorder

BO_ 772 PumpState: 3 Pump
 SG_ Inlet : 7|11@0+ (0.1,-40) [-40|164.7] "degC" Recorder
 SG_ Running : 12|1@0+ (1,0) [0|1] "" Recorder
 SG_ Flow : 11|12@0- (0.5,0) [-1024|1023.5] "L/min" Recorder

VAL_ 772 Running 1 "Running" 0 "Stopped" ;
"""


def of_standard(name, **keys):
    return CanBatches(
        "bus", standard_messages(settings_of(DecodingSettings, {"standard": [name], **keys}), set()), 250_000
    )


def decoded(batches, *frames, every_us=1000):
    """The last reading of each signal after these frames, given as (key, hexadecimal bytes)."""
    batches.feed(CanFrame(every_us * n, key, bytes.fromhex(data)) for n, (key, data) in enumerate(frames))
    return {s: row for b in batches.taken() for s, row in zip(b.group.signals, b.values[-1].tolist(), strict=True)}


# The published identifiers of SAE J1939-21 with their parameter groups; two decoders agree on them.
@pytest.mark.parametrize(
    ("key", "group"),
    [
        (0x18FEF100, 65265),
        (0x0CF00400, 61444),
        (0x18EAFF00, 59904),
        (0x18FEF700, 65271),
        (0x19F21423, 127508),
        (0x19FFFD46, 131069),
    ],
)
def test_parameter_groups_are_those_published(key, group):
    assert parameter_group(key) == group
    assert parameter_group(key | EXTENDED) == group


@given(st.integers(0, 2**29 - 1))
def test_parameter_groups_are_those_of_nmea2000(key):
    group, _, _, _ = NMEA2000Decoder.extract_header(key)
    assert parameter_group(key) == group


# Field types, scales and offsets: the open RV-C specification, table 5.3; bytes worked out by hand from them.
def test_rv_c_worked_bytes():
    got = decoded(
        of_standard("rv-c"),
        (EXTENDED | 0x19FFFD46, "01 78 05 04 E4 0A 35 77"),
        (EXTENDED | 0x19FFFC46, "01 78 40 25 A0 5A 00 FF"),
        (EXTENDED | 0x19FFFB46, "01 78 C0 50 00 BE 0C 00"),
    )
    assert got["pack_voltage"] == pytest.approx(51.45, abs=1e-9)
    assert got["pack_current"] == pytest.approx(-35.1, abs=1e-6)
    assert got["pack_temperature_1"] == 25.0
    assert got["soc_reported"] == 80.0
    assert got["extra_minutes_remaining"] == 90.0
    assert got["extra_state_of_health"] == 96.0
    assert got["extra_capacity_remaining_ah"] == 80.0
    assert got["extra_relative_capacity"] == 95.0
    assert got["extra_ripple_mv"] == 12.0


def test_rv_c_zero_current_is_its_published_count():
    got = decoded(of_standard("rv-c"), (EXTENDED | 0x19FFFD46, "01 78 05 04 00 94 35 77"))  # 77359400
    assert got["pack_current"] == 0.0


def test_rv_c_special_values_are_unknown():
    for code in ("FF", "FE", "FD"):
        got = decoded(
            of_standard("rv-c"),
            (EXTENDED | 0x19FFFD46, f"01 78 {code} FF {code} FF FF FF"),
            (EXTENDED | 0x19FFFC46, f"01 78 {code} FF {code} {code} FF FF"),
        )
        assert all(math.isnan(value) for value in got.values())
        assert len(got) == 5


# Parameters of SAE J1939-71, places from memory; bytes worked out by hand.
def test_j1939_worked_bytes():
    got = decoded(
        of_standard("j1939"),
        (EXTENDED | 0x18FEF700, "FF FF FF FF 10 04 FF FF"),
        (EXTENDED | 0x18FEF100, "FF 00 0A FF FF FF FF FF"),
        every_us=BETTER_WITHIN_US,  # for so long the energy storage's own message is waited for
    )
    assert math.isnan(got["pack_current"])
    got = decoded(
        of_standard("j1939"),
        *[(EXTENDED | 0x18FEF700, "FF FF FF FF 10 04 FF FF")] * 2,
        (EXTENDED | 0x18FEF100, "FF 00 0A FF FF FF FF FF"),
        every_us=BETTER_WITHIN_US,
    )
    assert got["pack_voltage"] == pytest.approx(52.0, abs=1e-9)
    assert got["vehicle_speed"] == 10.0
    assert math.isnan(got["pack_current"])


# SAE J1939-71, ranges of transmitted values: FAFF is the last reading of 16 bits, FE.. is error, FF.. not available.
@pytest.mark.parametrize(("count", "is_reading"), [(0xFAFF, True), (0xFB00, False), (0xFE00, False), (0xFFFF, False)])
def test_j1939_special_values_are_unknown(count, is_reading):
    data = f"FF {count.to_bytes(2, 'little').hex()} FF FF FF FF FF"
    got = decoded(of_standard("j1939"), (EXTENDED | 0x18FEF100, data))
    assert math.isnan(got["vehicle_speed"]) is not is_reading
    if is_reading:
        assert got["vehicle_speed"] == 64255 / 256


# NMEA 2000 127508 and 127506: bytes decoded by the PyPI package nmea2000.
def test_nmea_2000_worked_bytes():
    got = decoded(
        of_standard("nmea-2000", instance=1),
        (EXTENDED | 0x19F21423, "01 1B 14 A1 FE 77 74 2A"),
        (EXTENDED | 0x19F21223, "00 0B 05 01 00 50 60 5A"),
        (EXTENDED | 0x19F21223, "01 00 0C 00 5F 00 FF FF"),
    )
    assert got["pack_voltage"] == pytest.approx(51.47, abs=1e-9)
    assert got["pack_current"] == pytest.approx(-35.1, abs=1e-9)
    assert got["pack_temperature_1"] == pytest.approx(298.15 - 273.15, abs=1e-9)
    assert got["soc_reported"] == 80.0
    assert got["extra_state_of_health"] == 96.0
    assert got["extra_minutes_remaining"] * 60 == 5400
    assert got["extra_ripple_v"] == pytest.approx(0.012)
    assert got["extra_capacity_remaining_ah"] == 95.0


def test_nmea_2000_not_available_is_unknown():
    got = decoded(of_standard("nmea-2000", instance=1), (EXTENDED | 0x19F21423, "01 FF 7F FF 7F FF FF FF"))
    assert all(math.isnan(got[s]) for s in ("pack_voltage", "pack_current", "pack_temperature_1"))


@settings(max_examples=60, deadline=None)
@given(st.integers(-32768, 32760), st.integers(-32768, 32760), st.integers(0, 65000))
def test_nmea_2000_battery_status_as_the_reference_decoder_has_it(voltage, current, temperature):
    data = (
        b"\x01"
        + voltage.to_bytes(2, "little", signed=True)
        + current.to_bytes(2, "little", signed=True)
        + temperature.to_bytes(2, "little")
        + b"\x2a"
    )
    reference = NMEA2000Decoder().decode(f"can0  19F21423   [8]  {data.hex(' ').upper()}")
    theirs = {field.id: field.value for field in reference.fields}
    got = decoded(of_standard("nmea-2000", instance=1), (EXTENDED | 0x19F21423, data.hex()))
    assert got["pack_voltage"] == pytest.approx(theirs["voltage"], abs=1e-9)
    assert got["pack_current"] == pytest.approx(theirs["current"], abs=1e-9)
    assert got["pack_temperature_1"] == pytest.approx(theirs["temperature"] - 273.15, abs=1e-6)


def test_nmea_2000_charge_of_a_source_whose_type_is_not_said_counts_and_of_an_alternator_does_not():
    batches = of_standard("nmea-2000", instance=1)
    first, second = "00 0B 05 01 {} 50 60 5A", "01 00 0C 00 5F 00 FF FF"
    got = decoded(batches, (EXTENDED | 0x19F21223, first.format("FF")), (EXTENDED | 0x19F21223, second))
    assert got["soc_reported"] == 80.0
    first = first.replace("00 0B", "20 0B").format("01")
    assert not decoded(batches, (EXTENDED | 0x19F21223, first), (EXTENDED | 0x19F21223, "21" + second[2:]))
    assert dict(batches.figures.filtered) == {"DcDetailedStatus: SourceType 1": 1}


# 128003 and 128002 as the PyPI package nmea2000 decodes these bytes.
STORAGE = (EXTENDED | 0x19F40323, "00 00 02 02 5F 01 FF FF")  # 51.4 V, 35.1 A
BATTERY = (EXTENDED | 0x19F21423, "00 1B 14 A1 FE 77 74 2A")  # 51.47 V, -35.1 A


def test_of_two_messages_that_give_the_voltage_the_better_one_counts_whichever_comes_first():
    got = decoded(of_standard("nmea-2000"), STORAGE, BATTERY, STORAGE)
    assert got["pack_voltage"] == pytest.approx(51.47) or math.isnan(got["pack_voltage"])
    batches = of_standard("nmea-2000")
    for n in range(4):
        batches.feed([CanFrame(n * 1_000_000, key, bytes.fromhex(text)) for key, text in (STORAGE, BATTERY)])
    voltages = {b.group.name: b.column("pack_voltage").tolist() for b in batches.taken()}
    assert voltages["battery_status"] == pytest.approx([51.47] * 4)
    assert np.isnan(voltages["energy_storage_status_rapid_update"]).all()


def test_a_bus_with_the_lesser_message_only_gives_the_voltage_after_two_seconds():
    batches = of_standard("nmea-2000")
    batches.feed(CanFrame(n * 1_000_000, STORAGE[0], bytes.fromhex(STORAGE[1])) for n in range(4))
    (batch,) = batches.taken()
    assert batch.column("pack_voltage") == pytest.approx([np.nan, np.nan, 51.4, 51.4], nan_ok=True)
    aside = batch.column("extra_energy_storage_status_rapid_update_pack_voltage")
    assert aside == pytest.approx([51.4, 51.4, np.nan, np.nan], nan_ok=True)


def test_of_two_drives_the_first_heard_is_read():
    batches = of_standard("nmea-2000")
    drive = EXTENDED | 0x09F40223
    got = decoded(batches, (drive, "01 00 40 1F 02 02 5F 01"), (drive, "02 00 00 00 02 02 5F 01"))
    assert got["motor_speed"] == 2000.0
    assert dict(batches.figures.other_instances) == {2: 1}


# SAE J1939 energy storage data 1 and 2, places and scales from memory; worked by hand.
def test_j1939_energy_storage_goes_before_the_vehicles_own_battery():
    got = decoded(
        of_standard("j1939"),
        (EXTENDED | 0x18FEF700, "FF FF FF FF F0 00 FF FF"),  # 12.0 V, the side of the lamps
        (EXTENDED | 0x0CF090F3, "FF FF FF FF 10 04 00 7D"),  # 52.0 V; 32000 counts are 0 A
        (EXTENDED | 0x0CF091F3, "00 7D E4 0C E1 0C FF FF"),
        (EXTENDED | 0x18FEF700, "FF FF FF FF F0 00 FF FF"),
        every_us=1_500_000,
    )
    assert got["soc_reported"] == 80.0
    assert (got["cell_max_voltage"], got["cell_min_voltage"]) == pytest.approx((3.3, 3.297))
    batches = of_standard("j1939")
    batches.feed(
        CanFrame(1_500_000 * n, key, bytes.fromhex(text))
        for n, (key, text) in enumerate(
            [(EXTENDED | 0x0CF090F3, "FF FF FF FF 10 04 00 7D"), (EXTENDED | 0x18FEF700, "FF FF FF FF F0 00 FF FF")]
            * 3
        )
    )
    found = {b.group.name: b for b in batches.taken()}
    assert found["energy_storage_data1"].column("pack_voltage").tolist() == [52.0] * 3
    assert found["energy_storage_data1"].column("pack_current").tolist() == [0.0] * 3
    assert np.isnan(found["vehicle_electrical_power"].column("pack_voltage")).all()


# CiA 418: objects, types and scales of the published profile; bytes worked out by hand.
def test_canopen_418_worked_bytes():
    mapped = {"tpdo2": ["60600020", "60810008"], "tpdo3": ["60700010", "60510010"]}
    got = decoded(
        of_standard("canopen-418", node=3, pdo=mapped),
        (0x183, "C8 00 01"),
        (0x283, "CD CC 00 00 50"),
        (0x383, "20 01 08 00"),
    )
    assert got["pack_temperature_1"] == 25.0
    assert got["extra_battery_status"] == 1.0
    assert got["pack_voltage"] == pytest.approx(51.2, abs=1 / 2048)
    assert got["soc_reported"] == 80.0
    assert got["extra_charge_current_requested"] == 18.0
    assert got["extra_charge_spent_ah"] == 1.0


def test_canopen_418_ends_of_the_temperatures_range():
    for count, known in ((-320, -40.0), (680, 85.0), (-321, math.nan), (681, math.nan)):
        got = decoded(of_standard("canopen-418"), (0x181, count.to_bytes(2, "little", signed=True).hex() + "00"))
        assert got["pack_temperature_1"] == pytest.approx(known, nan_ok=True)


def test_canopen_418_second_battery_stands_0x800_higher():
    assert decoded(of_standard("canopen-418", instance=2, pdo={"tpdo2": ["68600020"]}), (0x281, "CD CC 00 00"))
    assert not decoded(of_standard("canopen-418", instance=2, pdo={"tpdo2": ["60600020"]}), (0x281, "CD CC 00 00"))


# Worked by hand: 2B and the upper three bits of 7F make 347, so -5.3 degC; bit 4 of 7F is set; F and D8 make FD8,
# which is -40 in 12 bits. cantools decodes the same bytes beside us.
def test_dbc_worked_bytes(tmp_path):
    path, data = tmp_path / "pump.dbc", bytes.fromhex("2B 7F D8")
    path.write_text(PUMP, encoding="utf-8")
    (layout,) = read_catalogue(path)
    decoder = MessageDecoder([Take(field, name) for name, field in layout.fields.items()])
    got = dict(zip(decoder.signals, decoder.decode(data), strict=True))
    assert got == pytest.approx({"Inlet": -5.3, "Running": 1.0, "Flow": -20.0}, abs=1e-9)
    reference = cantools.database.load_file(path).decode_message(772, data, decode_choices=False)
    assert got == pytest.approx(reference, abs=1e-9)


# Bit 31 marks 29-bit identifiers in DBC files: 2566869571 is 18FF5243.
def test_dbc_extended_identifier(tmp_path):
    text = PUMP.replace(" 772 ", " 2566869571 ")
    (tmp_path / "extended.dbc").write_text(text, encoding="utf-8")
    assert read_catalogue(tmp_path / "extended.dbc")[0].key == EXTENDED | 0x18FF5243


MIXED = """\
VERSION ""

NS_ :

BS_:

BU_: D

BO_ 100 Mixed: 8 D
 SG_ Kind M : 0|8@1+ (1,0) [0|0] "" D
 SG_ Low m0 : 16|13@1- (0.5,-3) [0|0] "" D
 SG_ High m0 : 39|17@0- (0.25,1) [0|0] "" D
 SG_ Wide m1 : 23|32@0+ (1,0) [0|0] "" D
 SG_ Small m2 : 16|32@1- (1,0) [0|0] "" D
 SG_ Odd m3 : 18|3@1+ (2,1) [0|0] "" D
 SG_ Always : 56|8@1- (1,0) [0|0] "" D

SIG_VALTYPE_ 100 Small : 1;
"""


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    path = tmp_path_factory.mktemp("catalogue") / "mixed.dbc"
    path.write_text(MIXED, encoding="utf-8")
    return path


@settings(max_examples=300, deadline=None)
@given(data=st.binary(min_size=8, max_size=8), kind=st.integers(0, 3))
def test_any_bytes_mean_what_cantools_and_canmatrix_say(mixed, data, kind):
    data = bytes([kind]) + data[1:]
    (layout,) = read_catalogue(mixed)
    decoder = MessageDecoder([Take(field, name) for name, field in layout.fields.items()])
    got = {n: v for n, v in zip(decoder.signals, decoder.decode(data), strict=True) if v is not None}
    reference = cantools.database.load_file(mixed).decode_message(100, data, decode_choices=False)
    assert got.keys() == reference.keys()
    second = matrix(mixed).frame_by_name("Mixed").decode(data)
    for name, value in got.items():
        assert np.array_equal(value, reference[name], equal_nan=True), name
        other = second[name].raw_value if name == "Small" else float(second[name].phys_value)
        assert np.isclose(value, other, rtol=1e-12, equal_nan=True), name


@given(data=st.binary(min_size=8, max_size=8), kind=st.integers(0, 3), length=st.integers(1, 7))
def test_a_message_cut_short_gives_of_each_signal_its_value_or_unknown(mixed, data, kind, length):
    data = bytes([kind]) + data[1:]
    (layout,) = read_catalogue(mixed)
    decoder = MessageDecoder([Take(field, name) for name, field in layout.fields.items()])
    whole, short = decoder.decode(data), decoder.decode(data[:length])
    for name, full, cut in zip(decoder.signals, whole, short, strict=True):
        assert (cut is None) == (full is None), name
        if cut is not None and not math.isnan(cut):
            assert cut == full, name
    held = dict(zip(decoder.signals, short, strict=True))
    assert math.isnan(held["Always"]), "its byte is the last"
    if kind == 2:
        assert math.isnan(held["Small"]) or length >= 6


MATRICES = {}


def matrix(path):
    if path not in MATRICES:
        MATRICES[path] = canmatrix.formats.loadp_flat(str(path))
    return MATRICES[path]


# The data files of the standards themselves: two independent readers must understand them alike.
@pytest.mark.parametrize("name", [name for name in FILES.values() if name != "canopen_418"])
def test_cantools_and_canmatrix_agree_on_our_own_catalogues(name):
    ours = cantools.database.load_file(FOLDER / f"{name}.dbc")
    theirs = canmatrix.formats.load_flat(io.BytesIO((FOLDER / f"{name}.dbc").read_bytes()), "dbc")
    for message in ours.messages:
        frame = theirs.frame_by_name(message.name)
        assert (frame.arbitration_id.id, frame.size) == (message.frame_id, message.length)
        assert {s.name for s in frame.signals} == {s.name for s in message.signals}
        for signal in message.signals:
            other = frame.signal_by_name(signal.name)
            assert (other.start_bit, other.size, other.is_signed) == (signal.start, signal.length, signal.is_signed)
            assert (float(other.factor), float(other.offset)) == (signal.scale, signal.offset)
            assert other.unit == (signal.unit or "")


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 3000), st.floats(-2000, 2000))
def test_encode_then_decode_is_within_half_a_step(voltage, current):
    layout = next(x for x in read_catalogue(FOLDER / "rv_c.dbc") if x.name == "DcSourceStatus1")
    data = encoded(layout, {"Instance": 1, "Priority": 120, "Voltage": voltage, "Current": current})
    reference = cantools.database.load_file(FOLDER / "rv_c.dbc").decode_message("DcSourceStatus1", data)
    got = decoded(of_standard("rv-c"), (EXTENDED | 0x19FFFD46, data.hex()))
    assert got["pack_voltage"] == reference["Voltage"] == pytest.approx(voltage, abs=0.025 + 1e-9)
    assert got["pack_current"] == reference["Current"] == pytest.approx(current, abs=0.0005 + 1e-6)


def fast_packet(key, sequence, payload):
    """The frames of a fast packet, by the published layout."""
    frames = [bytes([sequence << 5, len(payload)]) + payload[:6]]
    frames += [
        bytes([sequence << 5 | n + 1]) + payload[6 + 7 * n : 13 + 7 * n].ljust(7, b"\xff")
        for n in range(math.ceil((len(payload) - 6) / 7))
    ]
    return [(key, frame) for frame in frames]


@st.composite
def interleaved(draw):
    """Several senders' packets, each in order, mixed at will."""
    senders = draw(st.lists(st.integers(0, 7), min_size=1, max_size=6, unique=True))
    places = [(sender, draw(st.integers(0, 7))) for sender in senders]
    payloads = [draw(st.binary(min_size=7, max_size=60)) for _ in places]
    queues = [
        fast_packet(EXTENDED | 0x19F21200 | sender, sequence, payload)
        for (sender, sequence), payload in zip(places, payloads, strict=True)
    ]
    order = draw(st.permutations([n for n, queue in enumerate(queues) for _ in queue]))
    taken = [iter(queue) for queue in queues]
    return payloads, [next(taken[n]) for n in order]


@settings(max_examples=150, deadline=None)
@given(interleaved())
def test_any_interleaving_of_fast_packets_gives_the_same_messages(case):
    payloads, frames = case
    packets = FastPackets()
    got = [whole for key, data in frames if (whole := packets.feed(CanFrame(0, key, data))) is not None]
    assert sorted(got) == sorted(payloads)
    assert packets.given_up == 0


def test_a_fast_packet_with_a_frame_missing_gives_nothing_and_the_next_is_whole():
    payload = bytes(range(20))
    first = fast_packet(EXTENDED | 0x19F21201, 1, payload)
    packets = FastPackets()
    for key, data in (first[0], first[2]):
        assert packets.feed(CanFrame(0, key, data)) is None
    assert packets.given_up == 1
    again = fast_packet(EXTENDED | 0x19F21201, 2, payload)
    assert [packets.feed(CanFrame(0, key, data)) for key, data in again][-1] == payload


def test_a_fast_packet_that_stalls_is_given_up():
    (key, first), (_, second) = fast_packet(EXTENDED | 0x19F21201, 1, bytes(13))
    packets = FastPackets()
    packets.feed(CanFrame(0, key, first))
    assert packets.feed(CanFrame(FAST_PACKET_LIMIT_US + 1, key, second)) is None


def test_a_fast_packet_in_time_is_whole_and_one_begun_again_is_given_up():
    (key, first), (_, second) = fast_packet(EXTENDED | 0x19F21201, 1, bytes(13))
    packets = FastPackets()
    assert packets.feed(CanFrame(0, key, first)) is None
    assert packets.feed(CanFrame(FAST_PACKET_LIMIT_US, key, second)) == bytes(13)
    assert packets.feed(CanFrame(0, key, second)) is None, "nothing is open that it could end"
    assert packets.given_up == 0
    packets.feed(CanFrame(0, key, first))
    packets.feed(CanFrame(1, key, first))
    assert packets.given_up == 1
    assert packets.feed(CanFrame(2, key, second)) == bytes(13)
    packets.feed(CanFrame(3, key, first))
    packets.restart()
    assert packets.given_up == 2
    assert packets.feed(CanFrame(4, key, second)) is None


@pytest.mark.parametrize(("data", "given_up"), [(b"", 0), (b"\x20", 1), (b"\x20\x00ab", 1), (b"\x20\xe0abcdef", 1)])
def test_a_first_frame_that_states_no_possible_length_begins_nothing(data, given_up):
    # A fast packet holds up to 223 bytes: 6 in its first frame, 7 in each of 31 more.
    packets = FastPackets()
    assert packets.feed(CanFrame(0, EXTENDED | 0x19F21201, data)) is None
    assert packets.given_up == given_up
    assert packets.feed(CanFrame(0, EXTENDED | 0x19F21201, b"\x20\x03abc")) == b"abc"


def test_the_longest_fast_packet_is_whole():
    payload = bytes(range(223))
    frames = fast_packet(EXTENDED | 0x19F21201, 7, payload)
    assert len(frames) == 32
    packets = FastPackets()
    assert [packets.feed(CanFrame(0, key, data)) for key, data in frames] == [None] * 31 + [payload]


def test_fast_packets_never_finished_take_no_room():
    packets = FastPackets()
    for n in range(10_000):
        packets.feed(CanFrame(0, EXTENDED | 0x19F20000 | n, b"\x00\x20abcdef"))
    assert packets.given_up >= 9_800


def rv_c_status(sender, priority, volts, instance=1):
    count = round(volts / 0.05).to_bytes(2, "little").hex()
    return EXTENDED | 0x19FFFD00 | sender, f"{instance:02X}{priority:02X}{count}00943577"


# RV-C: of two devices that report one instance, the one with the higher device priority is to be believed.
def test_of_two_devices_the_higher_priority_is_read():
    batches = of_standard("rv-c")
    low, high = rv_c_status(0x10, 60, 50.0), rv_c_status(0x46, 120, 51.0)
    assert decoded(batches, low)["pack_voltage"] == pytest.approx(50.0)
    assert decoded(batches, low, high, low)["pack_voltage"] == pytest.approx(51.0)
    assert batches.figures.other_devices == 1
    late = CanFrame(DEVICE_SILENT_US * 2, low[0], bytes.fromhex(low[1]))
    batches.feed([late])
    assert batches.taken()[0].column("pack_voltage").tolist() == pytest.approx([50.0])


def test_a_lower_device_is_read_only_once_the_higher_has_been_silent_for_long_enough():
    batches = of_standard("rv-c")
    low, high = rv_c_status(0x10, 60, 50.0), rv_c_status(0x46, 120, 51.0)
    heard = 1_700_000_000_000_000
    for t, (key, data) in (
        (0, high),
        (DEVICE_SILENT_US, low),
        (DEVICE_SILENT_US, high),
        (2 * DEVICE_SILENT_US, low),
        (2 * DEVICE_SILENT_US + 1, low),
    ):
        batches.feed([CanFrame(heard + t, key, bytes.fromhex(data))])
    values = [v for batch in batches.taken() for v in batch.column("pack_voltage").tolist()]
    assert values == pytest.approx([51.0, 51.0, 50.0])
    assert batches.figures.other_devices == 2


def test_of_two_devices_of_one_priority_the_first_is_kept():
    batches = of_standard("rv-c")
    got = decoded(batches, rv_c_status(0x10, 80, 50.0), rv_c_status(0x11, 80, 51.0))
    assert got["pack_voltage"] == pytest.approx(50.0)


def test_another_instance_is_not_mixed_in():
    batches = of_standard("rv-c")
    nameless = (EXTENDED | 0x19FFFD46, "")
    got = decoded(batches, rv_c_status(0x46, 120, 51.0), rv_c_status(0x46, 120, 13.0, instance=2), nameless)
    assert got["pack_voltage"] == pytest.approx(51.0)
    assert batches.figures.other_instances == {2: 1, -1: 1}, "-1: too short to say of which"


# NMEA 2000 127506, DC type: 0 is a battery, 1 an alternator; place from memory, as in the data file.
def test_what_a_standard_says_of_another_kind_of_source_is_not_mixed_in():
    batches = of_standard("nmea-2000", instance=1)
    frames = [(EXTENDED | 0x19F21223, text) for text in ("00 0B 05 01 00 50 60 5A", "01 00 0C 00 5F 00 FF FF")]
    frames += [(EXTENDED | 0x19F21223, text) for text in ("20 0B 06 01 01 30 60 5A", "21 00 0C 00 5F 00 FF FF")]
    assert decoded(batches, *frames)["soc_reported"] == 80.0


def test_more_identifiers_than_are_kept_change_nothing():
    batches = of_standard("canopen-418")
    frames = [CanFrame(n, EXTENDED | n, b"") for n in range(5000)]
    batches.feed([CanFrame(0, 0x181, b"\xc8\x00\x01"), *frames, CanFrame(5000, 0x181, b"\xd0\x00\x01")])
    (batch,) = batches.taken()
    assert batch.column("pack_temperature_1").tolist() == [25.0, 26.0]
    assert (batches.figures.frames, batches.figures.understood) == (5002, 2)


# By hand: a message that carries one of two cells, by its first byte, and always the voltage, which is none at 3FFF.
SWITCHED = (
    MIXED.split("BO_")[0]
    + """\
BO_ 100 Cells: 6 D
 SG_ Which M : 0|8@1+ (1,0) [0|0] "" D
 SG_ cell_01_voltage m0 : 8|16@1+ (0.001,0) [0|0] "V" D
 SG_ cell_02_voltage m1 : 8|16@1+ (0.001,0) [0|0] "V" D
 SG_ pack_voltage : 31|14@0+ (0.01,0) [0|0] "V" D

BO_ 101 Sensors: 2 D
 SG_ pack_temperature_1 : 0|8@1- (1,0) [0|0] "degC" D
 SG_ pack_temperature_2 : 8|8@1- (1,0) [0|0] "degC" D

VAL_ 100 pack_voltage 16383 "Not available" ;
"""
)


def test_signals_that_a_message_carries_in_turn_make_one_row(tmp_path):
    (tmp_path / "cells.dbc").write_text(SWITCHED, encoding="utf-8")
    settings = settings_of(CatalogueSettings, {"catalogue": str(tmp_path / "cells.dbc")})
    batches = CanBatches("bus", owners_messages(wanted_of(settings)), 250_000)
    frames = [(100, "00 E4 0C 50 00"), (101, "15 16"), (100, "01 E5 0C FF FC"), (100, "00 E6 0C 50 04")]
    batches.feed(CanFrame(1000 * n, key, bytes.fromhex(text)) for n, (key, text) in enumerate(frames))
    batches.close_due(1_000_000)
    got = {batch.group.name: batch for batch in batches.taken()}
    assert got["temperatures"].values.tolist() == [[21.0, 22.0]]
    cells = got["cells"]
    assert cells.t.tolist() == [0, 2000, 3000], "the voltage begins a row each time"
    assert cells.column("cell_01_voltage") == pytest.approx([3.3, np.nan, 3.302], nan_ok=True)
    assert cells.column("cell_02_voltage") == pytest.approx([np.nan, 3.301, np.nan], nan_ok=True)
    assert cells.column("pack_voltage") == pytest.approx([51.2, np.nan, 51.21], nan_ok=True)


def test_a_second_standard_does_not_give_a_signal_that_the_first_gives():
    messages = standard_messages(
        DecodingSettings(standard=("rv-c", "nmea-2000", "j1939", "canopen-418")), {"soc_reported"}
    )
    signals = [take.signal for message in messages for take in message.wanted.takes]
    shared = {signal for message in messages for signal in message.shared}
    assert max(Counter(signal for signal in signals if signal not in shared).values()) == 1
    assert "soc_reported" not in signals
    assert "extra_nmea_2000_pack_voltage" in signals


def test_a_message_cut_short_gives_what_it_holds():
    got = decoded(of_standard("rv-c"), (EXTENDED | 0x19FFFD46, "01 78 05 04 E4"))
    assert got["pack_voltage"] == pytest.approx(51.45)
    assert math.isnan(got["pack_current"])


NAMES = tuple(f"cell_{n:02d}_voltage" for n in range(1, 9))


def _rows():
    return RowAssembly(Group("bus", "cells", NAMES), 250_000, range(8))


def test_a_group_closes_when_all_has_come_when_it_begins_again_and_when_time_is_over():
    rows = _rows()
    rows.add(1000, range(4), range(4), [1.0, 2.0, 3.0, 4.0])
    rows.add(2000, range(4, 8), range(4, 8), [5.0, 6.0, 7.0, 8.0])
    rows.add(10_000, range(4), range(4), [1.1, 2.1, 3.1, 4.1])
    rows.add(20_000, range(4), range(4), [1.2, 2.2, 3.2, 4.2])
    rows.close_due(270_000)
    assert len(rows.taken()) == 2, "the third row still waits"
    rows.close_due(270_001)
    last = rows.taken()
    assert last.t.tolist() == [20_000]
    assert np.isnan(last.values[0, 4:]).all()
    assert rows.incomplete == 2


@settings(max_examples=100, deadline=None)
@given(st.lists(st.permutations(range(4)), min_size=1, max_size=6))
def test_whole_rounds_give_whole_rows_whatever_their_order(rounds):
    rows = _rows()
    for turn, order in enumerate(rounds):
        for step, part in enumerate(order):
            t = turn * 100_000 + step
            places = (2 * part, 2 * part + 1)
            rows.add(t, places, places, [turn + part / 10, turn + part / 10 + 0.01])
    batch = rows.taken()
    expected = [[turn + n // 2 / 10 + n % 2 / 100 for n in range(8)] for turn in range(len(rounds))]
    assert np.allclose(batch.values, expected)
    assert batch.t.tolist() == [turn * 100_000 + 3 for turn in range(len(rounds))]


def test_a_message_that_brings_anything_again_begins_a_new_row():
    rows = _rows()
    rows.add(1000, (0, 1), (0, 1), [1.0, 2.0])
    rows.add(2000, (1, 2), (1, 2), [2.1, 3.1])
    rows.close_due(300_000)
    batch = rows.taken()
    assert batch.t.tolist() == [1000, 2000]
    assert np.array_equal(batch.values[:, :3], [[1.0, 2.0, np.nan], [np.nan, 2.1, 3.1]], equal_nan=True)


@pytest.fixture(scope="module")
def catalogue_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("cells")


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(1, 120_000), st.integers(0, 60_000)), max_size=40),
    st.sets(st.integers(1, 39)),
)
def test_no_row_depends_on_where_frames_are_cut_into_reads(catalogue_folder, sent, cuts):
    layout = "".join(
        f'BO_ {0x300 + n} Part{n}: 2 D\n SG_ cell_0{n + 1}_voltage : 0|16@1+ (0.0001,0) [0|0] "V" D\n\n'
        for n in range(5)
    )
    path = catalogue_folder / "cells.dbc"
    if not path.exists():
        path.write_text(f'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: D\n\n{layout}', encoding="utf-8")
    frames, t = [], 0
    for part, later, count in sent:
        t += later
        frames.append(CanFrame(t, 0x300 + part, count.to_bytes(2, "little")))
    messages = owners_messages(wanted_of(CatalogueSettings(catalogue=str(path))))

    def read(pieces):
        batches, got = CanBatches("bus", messages, 250_000), []
        for piece in pieces:
            batches.feed(piece)
            if piece:
                batches.close_due(piece[-1].arrival)
            got += batches.taken()
        batches.close_due(t + 300_000)
        return merged(got + batches.taken()) if sent else None

    edges = [0, *sorted(cut for cut in cuts if cut < len(frames)), len(frames)]
    one, other = read([frames]), read([frames[a:b] for a, b in itertools.pairwise(edges)])
    if sent:
        assert one.t.tolist() == other.t.tolist()
        assert np.array_equal(one.values, other.values, equal_nan=True)


def test_the_data_files_are_beside_the_code():
    assert {path.name for path in Path(FOLDER).iterdir()} >= {f"{name}.toml" for name in FILES.values()}
